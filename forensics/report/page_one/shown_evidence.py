"""What page one's table holds: what shows the verdict, how sure that is, and where it stands in the exports."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from forensics.case.schema import CaseFile
from forensics.hypotheses.modes import read_modes
from forensics.model.vocabulary import Grade, Mode, Outcome
from forensics.report.words.plain import LIVE, check_words, finding_says, small
from forensics.report.words.units import alike, readable, shown_unit
from forensics.results.schema import CiteRow, FindingRow, FindingsFile, HypothesisRow
from forensics.rules import read_checks

BY_HAND = ("observation", "measurement")
MOST_ROWS = 5
_SPOKEN_UNITS = {"1/h": "an hour", "%/min": "% a minute"}
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
    """A plain sentence with what was measured and the limit that it was held against.

    A number stands here only with words that say of what it is.
    """
    words, numbers = check_words(finding.check), measured_words(finding, display)
    if not numbers or words is None or not words.number:
        return finding_says(finding)
    return f"{finding_says(finding)} ({words.number}: {numbers})"


def measured_words(finding: FindingRow, display: str) -> str:
    """The value of a finding with its interval and limit in the unit system of the case; empty where it has none."""
    if finding.value is None:
        return ""
    numbers = (finding.value, finding.low, finding.high, finding.limit)
    words = check_words(finding.check)
    if finding.unit == "1" and words is not None and words.times:
        parts, unit = alike(numbers, digits=2), " times"
    elif finding.unit == "1":
        parts, unit = alike([None if v is None else _PERCENT * v for v in numbers]), " %"
    else:
        shown = shown_unit(finding.unit, display)
        parts = alike([None if v is None else v * shown.factor + shown.offset for v in numbers])
        # beside its words a difference of temperatures is told in degrees
        text = shown.text.removesuffix(" difference")
        unit = f" {_SPOKEN_UNITS.get(text, text)}" if text else ""
    value, low, high, limit = parts
    said = f"{value}{unit}"
    if low and high and low != high:
        said += f", between {low} and {high}"
    return f"{said}; limit {limit}{unit}" if limit else said


def how_sure(finding: FindingRow) -> str:
    """Whether the whole interval of a finding lies on the side of its limit that decides."""
    if finding.outcome is Outcome.CANNOT_TELL:
        return "cannot be told"
    if finding.value is None or finding.limit is None or finding.low is None or finding.high is None:
        return "read from the record"
    if finding.low == finding.high:
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
    findings: FindingsFile, first: Mode | None, names: Mapping[str, str], *, most: int
) -> list[tuple[str, str]]:
    """The causes that look like the one that stands or leads, each with why it is less likely or that it fits as well.

    Those that are still open come first in an open case, those that the rules name as look-alikes in a decided one.

    Parameters
    ----------
    first
        The cause of the verdict, or the one that leads an open case.
    """
    named = {first, findings.verdict.mode, *findings.verdict.also, Mode.NONE}
    rule = read_modes(read_checks()).by_id.get("" if first is None else first.value)
    rows = {h.mode.value: h for h in findings.graded if h.mode not in named}
    alike = [] if rule is None else [look.mode for look in rule.look_alikes if look.mode in rows]
    live = sorted((m for m, h in rows.items() if h.grade in LIVE), key=lambda m: -rows[m].decibans)
    order = [*alike, *live] if findings.verdict.mode is not None else [*live, *alike]
    by_id = {f.id: f for f in findings.findings}
    return [(names.get(m) or m.replace("-", " "), _why(rows[m], by_id)) for m in dict.fromkeys(order)][:most]


def _why(row: HypothesisRow, by_id: Mapping[str, FindingRow]) -> str:
    """Why a cause is less likely than the first, what stands in its way, or that it fits as well."""
    against = [small(finding_says(by_id[i])) for i in row.against if i in by_id][:2]
    if not against and row.against:
        against = [f"what was found by hand ({row.against[0]})"]
    if against:
        return ("ruled out: " if row.grade is Grade.EXCLUDED else "") + "; ".join(against)
    fits = [small(finding_says(by_id[i])) for i in row.for_ if i in by_id][:1]
    if row.grade in LIVE:
        return f"it fits as well ({fits[0]}), and nothing speaks against it" if fits else "nothing speaks against it"
    return "these data could not show it either way"
