"""What page one's table holds: what shows the verdict, how sure that is, and where it stands in the exports."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from forensics.case.schema import CaseFile
from forensics.model.vocabulary import Outcome
from forensics.report.words.plain import finding_says
from forensics.report.words.units import readable, shown_unit
from forensics.results.schema import CiteRow, FindingRow, FindingsFile

BY_HAND = ("observation", "measurement")
MOST_ROWS = 5
_PERCENT = 100.0


@dataclass(frozen=True)
class ShownRow:
    """One row: a plain sentence with its number, how sure it is, where it stands, and the id that its link goes to."""

    id: str
    says: str
    sure: str
    where: str


def shown_rows(findings: FindingsFile, case: CaseFile, display: str, *, most: int = MOST_ROWS) -> list[ShownRow]:
    """What the verdict stands on, seen by hand first, then by its strength where that is told."""
    by_id = {f.id: f for f in findings.findings}
    cause = next((h for h in findings.graded if h.mode is findings.verdict.mode), None)
    hand = [one for one in (cause.for_ if cause is not None else ()) if one.partition(" ")[0] in BY_HAND]
    rows = [row for name in dict.fromkeys(hand) if (row := _by_hand(name, case)) is not None]
    measured = [by_id[i] for i in findings.verdict.because if i in by_id]
    measured.sort(key=lambda f: -abs(float(getattr(f, "strength", None) or 0.0)))
    rows += [ShownRow(f.id, says(f, display), how_sure(f), where(f.cites)) for f in measured]
    return rows[:most]


def _by_hand(name: str, case: CaseFile) -> ShownRow | None:
    kind, _, number = name.partition(" ")
    if not number.isdigit():
        return None
    place = int(number) - 1
    if kind == "observation" and place < len(case.observation):
        seen = case.observation[place]
        return ShownRow(name, seen.text.rstrip(". "), f"seen by hand ({seen.kind})", seen.by or "author not given")
    if kind == "measurement" and place < len(case.measurement):
        m = case.measurement[place]
        said = f"{m.kind.replace('_', ' ').capitalize()} {readable(m.value)} {_unit_sign(m.unit)}".rstrip()
        return ShownRow(name, said, "measured by hand", m.by or "author not given")
    return None


def _unit_sign(unit: str) -> str:
    return {"Mohm": "MΩ", "ohm": "Ω", "kohm": "kΩ", "degC": "°C", "degF": "°F"}.get(unit, unit)


def says(finding: FindingRow, display: str) -> str:
    """A plain sentence with what was measured and the limit that it was held against."""
    numbers = measured_words(finding, display)
    return f"{finding_says(finding)} ({numbers})" if numbers else finding_says(finding)


def measured_words(finding: FindingRow, display: str) -> str:
    """The value of a finding with its interval and limit in the unit system of the case; empty where it has none."""
    if finding.value is None:
        return ""
    shown = shown_unit(finding.unit, display)
    if finding.unit == "1":
        parts = [_share(v) for v in (finding.value, finding.low, finding.high, finding.limit)]
        unit = ""
    else:
        parts = [
            "" if v is None else readable(v * shown.factor + shown.offset)
            for v in (finding.value, finding.low, finding.high, finding.limit)
        ]
        unit = f" {shown.text}" if shown.text else ""
    value, low, high, limit = parts
    said = f"{value}{unit}"
    if low and high and low != high:
        said += f", between {low} and {high}"
    return f"{said}; limit {limit}{unit}" if limit else said


def _share(value: float | None) -> str:
    return "" if value is None else f"{readable(_PERCENT * value, digits=2)} %"


def how_sure(finding: FindingRow) -> str:
    """Whether the whole interval of a finding lies on the side of its limit that decides."""
    if finding.outcome is Outcome.CANNOT_TELL:
        return "cannot be told"
    if finding.value is None or finding.limit is None or finding.low is None or finding.high is None:
        return "read from the record"
    if finding.low > finding.limit or finding.high < finding.limit:
        return "measured; clear of its limit, error included"
    return "measured; its error reaches the limit"


def where(cites: Sequence[CiteRow]) -> str:
    """File and rows, each file once."""
    by_source: dict[str, list[tuple[int, int]]] = {}
    for cite in cites:
        by_source.setdefault(cite.source, []).append(cite.rows)
    parts = []
    for source, rows in by_source.items():
        low, high = min(a for a, _ in rows), max(b for _, b in rows)
        name = source.rsplit("/", 1)[-1]
        parts.append(f"{name}, row {low}" if low == high else f"{name}, rows {low}–{high}")
    return "; ".join(parts) or "no single rows"


def look_alike_rows(
    findings: FindingsFile, look_alikes: Sequence[str], names: Mapping[str, str], *, most: int
) -> list[tuple[str, str]]:
    """The causes that look like the verdict's, each with why it is less likely, in plain words.

    Those that the rules name as look-alikes come first, then every other that is still open.
    """
    verdict = findings.verdict
    named = {verdict.mode, *verdict.also}
    rows = {h.mode.value: h for h in findings.graded if h.mode not in named and h.mode.value != "none"}
    live = [m for m, h in rows.items() if h.grade.value in ("confirmed", "probable", "possible")]
    live.sort(key=lambda m: -len(rows[m].for_))
    by_id = {f.id: f for f in findings.findings}
    out = []
    for mode in dict.fromkeys([*(m for m in look_alikes if m in rows), *live]):
        h = rows[mode]
        against = [finding_says(by_id[i]) for i in h.against if i in by_id][:2]
        against += [f"by hand: {i}" for i in h.against if i not in by_id][: 1 - min(len(against), 1)]
        out.append((names.get(mode) or mode.replace("-", " "), why_less(h.grade.value, against, bool(h.for_))))
    return out[:most]


def why_less(grade: str, against: Sequence[str], fits: bool) -> str:  # noqa: FBT001 - a plain fact of the row
    """Why a cause is less likely than the verdict's, or what stands in its way."""
    if against:
        ruled = "ruled out: " if grade == "excluded" else ""
        return ruled + "; ".join(_small(words) for words in against)
    if grade == "not-observable":
        return "these data could not show it either way"
    return "nothing speaks against it, but less speaks for it" if fits else "nothing in these data speaks for it"


def _small(words: str) -> str:
    return words[:1].lower() + words[1:]
