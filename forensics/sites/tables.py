"""Tables of the comparison, as text for people. Grades have columns of their own and are never added up."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from forensics.model.vocabulary import Grade, Mode, VerdictStatus
from forensics.report.tables.words import frame
from forensics.report.words.units import CANNOT, number
from forensics.results.follow_up import follow_ups_told
from forensics.sites.fleet import Fleet
from forensics.sites.gather import Collection, SiteCase
from forensics.sites.iso14224 import NOT_CODED, read_coding
from forensics.sites.life import Survival, Weibull
from forensics.sites.machines import (
    COAST_MODES,
    LOADED_MODES,
    OwnPast,
    around_actions,
    coast_against_past,
    failed_range,
    part_of,
    ratio_against_past,
    starts_of,
)
from forensics.sites.rates import Rate, rate
from forensics.sites.reruns import Rerun

PER = 1000.0
SURE = (Grade.CONFIRMED, Grade.PROBABLE)


def _percent(share: float | int | None) -> str:
    return CANNOT if share is None else f"{100 * share:.0f} %"


def _limits(low: float | None, high: float | None, *, digits: int = 3) -> str:
    return CANNOT if low is None or high is None else f"{number(low, digits=digits)} to {number(high, digits=digits)}"


def cases_table(collection: Collection) -> pd.DataFrame:
    """Every case with its verdict and what its evidence was worth."""
    columns = (
        "case", "machine", "failure UTC", "revision", "verdict", "mode", "grade", "modes that could be seen",
        "checks that could not tell", "rows kept", "clocks", "counts",
    )  # fmt: skip
    rows = []
    for case in collection.cases:
        q, about = case.quality, case.findings.case
        seen = f"{q['observable']} yes, {q['partly']} partly, {q['not_observable']} no"
        clocks = "not known" if q["clock_s"] is None else f"± {number(q['clock_s'], digits=2)} s"
        rows.append(
            (
                case.name, case.machine, about.failure_utc, about.revision, case.findings.verdict.status,
                case.mode or CANNOT, case.grade or CANNOT, seen, _percent(q["cannot_tell"]), _percent(q["rows_kept"]),
                clocks, "yes" if case.counts else f"no: same failure as {case.same_as}",
            )
        )  # fmt: skip
    return frame(columns, rows)


def count_modes(collection: Collection) -> dict[str, dict[str, int]]:
    """Counted failures by mode and grade: determined ones by their verdict, those whose cause is open as ``possible``.

    A mode that is ``also`` proven has its grade from the hypotheses. A case whose cause is open stands in the row of
    each mode that is possible for it, so the column ``possible`` does not add up to a number of failures.
    """
    counts: dict[str, dict[str, int]] = {}
    for case in collection.counted:
        verdict = case.findings.verdict
        proven = {m for m in (verdict.mode, *verdict.also) if m is not None}
        for row in case.findings.graded:
            sure = row.mode in proven and row.grade in SURE
            open_ = verdict.status is VerdictStatus.UNDETERMINED and row.grade is Grade.POSSIBLE
            if sure or (open_ and row.mode is not Mode.NONE):
                grades = counts.setdefault(row.mode.value, {})
                grades[row.grade.value] = grades.get(row.grade.value, 0) + 1
    return counts


def modes_table(collection: Collection) -> pd.DataFrame:
    """Failures by mode, a column a grade, with the codes of ISO 14224."""
    coding, _ = read_coding()
    counts = count_modes(collection)
    columns = ("mode", "confirmed", "probable", "possible", "ISO 14224 failure mode", "mechanism", "cause")
    order = sorted(counts, key=lambda m: [-counts[m].get(g.value, 0) for g in (*SURE, Grade.POSSIBLE)] + [0])
    rows = []
    for mode in order:
        code = coding.get(mode, NOT_CODED)
        grades = [counts[mode].get(g.value, 0) for g in (*SURE, Grade.POSSIBLE)]
        rows.append((mode, *grades, f"{code.code} {code.failure_mode}", code.mechanism, code.cause))
    return frame(columns, rows)


def status_table(collection: Collection) -> pd.DataFrame:
    """Counted cases by what they came to."""
    found: dict[str, int] = {}
    for case in collection.counted:
        verdict = case.findings.verdict
        key = f"{verdict.status}{', ' + verdict.grade.value if verdict.grade else ''}"
        found[key] = found.get(key, 0) + 1
    return frame(("verdict", "cases"), sorted(found.items()))


def same_table(collection: Collection) -> pd.DataFrame:
    """Cases that report a failure which another case reports, too."""
    by_name = {case.name: case for case in collection.cases}
    rows = []
    for case in collection.cases:
        if case.counts:
            continue
        other = by_name[case.same_as]
        agree = (case.mode, case.grade) == (other.mode, other.grade)
        rows.append(
            (
                case.name, case.same_as, case.machine, case.findings.case.failure_utc, other.findings.case.failure_utc,
                "yes" if agree else f"no: {_verdict(case)} against {_verdict(other)}",
            )
        )  # fmt: skip
    return frame(("case", "same failure as", "machine", "failure UTC", "the other's", "verdicts agree"), rows)


def _verdict(case: SiteCase) -> str:
    return f"{case.mode} ({case.grade})" if case.mode else case.findings.verdict.status.value


def machines_table(collection: Collection) -> pd.DataFrame:
    """Starts and coast-downs of every machine against its own past and against failed ones."""
    columns = (
        "machine", "verdicts", "starts", "unloaded of judged", "95 % interval", "start ratio: own past", "last",
        "outside own past", "in the range of failed ones", "coast-down s: own past", "last s", "outside its past",
        "in the range of failed coast-downs",
    )  # fmt: skip
    loaded = failed_range(collection, LOADED_MODES, ratio_against_past)
    coast = failed_range(collection, COAST_MODES, coast_against_past)
    rows = []
    for machine, cases in collection.machines.items():
        starts = starts_of(cases)
        part = part_of(starts)
        ratio, decay = ratio_against_past(cases), coast_against_past(cases)
        rows.append(
            (
                machine, "; ".join(_verdict(c) for c in cases if c.counts), len(starts), f"{part.count} of {part.of}",
                _limits(part.low, part.high, digits=2), *_past(ratio, loaded), *_past(decay, coast),
            )
        )  # fmt: skip
    return frame(columns, rows)


def _past(found: OwnPast, failed: tuple[float, float, int] | None) -> tuple[str, str, str, str]:
    past = CANNOT
    if found.median is not None:
        past = f"{number(found.median, digits=3)} ({_limits(found.low, found.high)}; {found.count})"
    answer = found.answer.value + (f": {found.why_not}" if found.why_not else "")
    if found.z is not None and not found.why_not:
        answer += f" (z {found.z:.1f})"
    within = "cannot-tell: none has failed so" if failed is None else "cannot-tell: no value"
    if failed is not None and found.last is not None:
        inside = failed[0] <= found.last <= failed[1]
        within = f"{'yes' if inside else 'no'} ({_limits(failed[0], failed[1])}; {failed[2]})"
    return past, number(found.last, digits=3), answer, within


def actions_table(collection: Collection) -> pd.DataFrame:
    """Starts before and after each corrective action."""
    columns = ("machine", "action", "when", "unloaded before", "interval", "after", "interval after", "differs")
    rows = []
    for found in around_actions(collection):
        b, a = found.before, found.after
        rows.append(
            (
                found.machine, found.action, found.time_utc, f"{b.count} of {b.of}", _limits(b.low, b.high, digits=2),
                f"{a.count} of {a.of}", _limits(a.low, a.high, digits=2),
                found.answer.value + (f": {found.why_not}" if found.why_not else ""),
            )
        )  # fmt: skip
    return frame(columns, rows)


def follow_ups_table(collection: Collection) -> pd.DataFrame:
    """Every action that a later case was judged on: whether its signature is gone, and what that rests on."""
    rows = [
        (case.machine, case.name, number, answer, why)
        for case in collection.cases
        for number, answer, why in follow_ups_told(case.findings)
    ]
    return frame(("machine", "later case", "action", "the signature is", "because"), rows)


def rates_table(collection: Collection, fleet: Fleet) -> pd.DataFrame:
    """Rates per 1,000 running hours and per 1,000 starts, a line a mode and grade; grades are never added up."""
    failures = [c for c in collection.counted if c.failed and fleet.spell_of(c) is not None]
    lines = [("all failures, cause known or not", len(failures))]
    for mode in sorted({c.mode for c in failures if c.mode}):
        for grade in SURE:
            count = sum(c.mode == mode and c.grade == grade.value for c in failures)
            if count:
                lines.append((f"{mode}, {grade.value}", count))
    rows = []
    for what, count in lines:
        by_hours, by_starts = rate(count, fleet.hours, per=PER), rate(count, fleet.starts, per=PER)
        rows.append((what, count, *_rate(by_hours), *_rate(by_starts)))
    columns = ("failures", "count", "per 1,000 h", "95 % interval", "per 1,000 starts", "interval, starts")
    return frame(columns, rows)


def _rate(found: Rate | None) -> tuple[str, str]:
    if found is None:
        return "refused: no exposure", CANNOT
    return number(found.value, digits=3), _limits(found.low, found.high)


def survival_table(found: Survival) -> pd.DataFrame:
    """Steps of the survival curve."""
    rows = [
        (number(t, digits=5), number(p, digits=3), _limits(low, high))
        for t, p, low, high in zip(found.hours, found.share, found.low, found.high, strict=True)
    ]
    return frame(("hours", "share still running", "95 % interval"), rows)


def weibull_table(found: Weibull) -> pd.DataFrame:
    """The fitted life."""
    rows = [
        ("shape", number(found.shape), _limits(*found.shape_limits)),
        ("scale, h", number(found.scale_h, digits=5), _limits(*found.scale_limits_h, digits=4)),
        ("log-likelihood", number(found.log_likelihood, digits=6), CANNOT),
    ]
    return frame(("quantity", "value", "95 % interval"), rows)


def reruns_table(found: Sequence[Rerun]) -> pd.DataFrame:
    """What a re-run changed, and why."""
    rows = []
    for rerun in found:
        c = rerun.changes
        verdict = "; ".join(map(str, c.verdict)) or "the same"
        rows.append(
            (
                rerun.case, verdict, "; ".join(map(str, c.grades)) or CANNOT,
                "; ".join(map(str, c.findings)) or CANNOT, "; ".join(c.reasons) or "nothing else differs",
            )
        )  # fmt: skip
    return frame(("case", "verdict", "grades", "findings", "what else differs"), rows)
