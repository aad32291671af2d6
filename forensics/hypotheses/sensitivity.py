"""Whether the verdict holds when one thing is changed, graded again from stored values.

Each source left out, each clock at the ends of its interval, each limit moved both ways, each sensor at the ends of its
accuracy. Only what the verdict's findings rest on is changed. Leaving a source out may only take the verdict away;
what flips is another cause, a machine cleared, or, for a limit or a sensor, a cause lost. A sound machine near a limit
is still sound: it flips only where a change would prove a cause.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace

from forensics.hypotheses.evidence import Evidence, Robustness
from forensics.hypotheses.judge import Judgement
from forensics.hypotheses.modes import Scale
from forensics.model.findings import Finding
from forensics.model.vocabulary import Outcome, VerdictStatus

FULL_PERCENT = 100.0
Judge = Callable[[tuple[Finding, ...]], Judgement]


def robustness(
    base: Judgement, rests_on: Iterable[str], evidence: Evidence, scale: Scale, again: Judge
) -> tuple[Robustness, ...]:
    """Judge again for each change of what the verdict rests on.

    Parameters
    ----------
    rests_on
        Ids of the findings in the verdict's ``because`` and ``against``.
    again
        Judges the case on another tuple of findings.
    """
    mine = set(rests_on)
    rows = []
    for changed, findings, may_lose in _changes(mine, evidence, scale):
        judged = again(findings)
        flips = _flips(base, judged, may_lose=may_lose)
        rows.append(Robustness(changed, _words(judged), flips))
    return tuple(rows)


def _flips(base: Judgement, now: Judgement, *, may_lose: bool) -> bool:
    if now.status is base.status and now.cause == base.cause:
        return False
    lost = now.status is VerdictStatus.UNDETERMINED
    sound = base.status is VerdictStatus.NO_FAULT_FOUND
    return not (lost and (may_lose or sound))


def _words(judged: Judgement) -> str:
    if judged.cause is None:
        return judged.status.value
    return f"{judged.cause} ({judged.grades[judged.cause].value})"


_Change = tuple[str, tuple[Finding, ...], bool]


def _changes(mine: set[str], evidence: Evidence, scale: Scale) -> Iterator[_Change]:
    yield from _without_sources(mine, evidence)
    yield from _clocks(mine, evidence)
    yield from _limits(mine, evidence, scale)
    yield from _accuracy(mine, evidence)


def _silenced(finding: Finding, why: str) -> Finding:
    return replace(finding, outcome=Outcome.CANNOT_TELL, why_not=why)


def _without_sources(mine: set[str], evidence: Evidence) -> Iterator[_Change]:
    used = {cite.source for finding in evidence.findings if finding.id in mine for cite in finding.cites}
    for source in sorted(used):
        changed = tuple(
            _silenced(f, f"without {source}") if any(c.source == source for c in f.cites) else f
            for f in evidence.findings
        )
        yield f"without {source}", changed, True


def _clocks(mine: set[str], evidence: Evidence) -> Iterator[_Change]:
    """A finding across clocks holds at both ends where its own time is longer than the shift; else it is silenced."""
    clocks = {clock for finding in evidence.findings if finding.id in mine for clock in finding.cross_clock}
    for clock in sorted(clocks):
        wide_s = evidence.clock_uncertainty_s.get(clock, float("inf"))
        changed = tuple(
            _silenced(f, f"clock {clock} at an end of its interval")
            if clock in f.cross_clock and not _outlasts(f, wide_s)
            else f
            for f in evidence.findings
        )
        yield f"clock {clock} at the ends of its interval (+/- {wide_s:g} s)", changed, True


def _outlasts(finding: Finding, shift_s: float) -> bool:
    if finding.from_ns is None or finding.to_ns is None:
        return False
    return (finding.to_ns - finding.from_ns) / 1e9 > shift_s


def _limits(mine: set[str], evidence: Evidence, scale: Scale) -> Iterator[_Change]:
    names = sorted({f.limit_name for f in evidence.findings if f.id in mine and f.limit_name})
    for name in names:
        for factor in (1.0 - scale.limit_change, 1.0 + scale.limit_change):
            changed = tuple(
                regraded(f, limit=_moved(f.limit, factor, f.unit))
                if f.limit_name == name and f.limit is not None
                else f
                for f in evidence.findings
            )
            yield f"limit {name} x {factor:g}", changed, False


def _moved(limit: float, factor: float, unit: str) -> float:
    """A limit times a factor; a share of a range that ends at 100 % keeps the same part of its distance to the end."""
    moved = limit * factor
    if unit == "%" and limit < FULL_PERCENT < moved:
        return limit + (factor - 1.0) * (FULL_PERCENT - limit)
    return moved


def _accuracy(mine: set[str], evidence: Evidence) -> Iterator[_Change]:
    """A finding whose interval reaches over its limit is cannot-tell at that end: it is neither shown nor denied."""
    for finding in sorted((f for f in evidence.findings if f.id in mine), key=lambda f: f.id):
        for end, value in (("low", finding.low), ("high", finding.high)):
            if value is None or finding.limit is None:
                continue
            moved = regraded(finding, value=value)
            if moved.outcome is not finding.outcome:
                moved = _silenced(finding, "its interval reaches over its limit")
                changed = tuple(moved if f.id == finding.id else f for f in evidence.findings)
                yield f"{finding.id} at the {end} end of its interval", changed, False


def regraded(finding: Finding, *, value: float | None = None, limit: float | None = None) -> Finding:
    """The finding with its value or its limit moved, graded again from what is stored.

    A finding without a number, or whose stored outcome does not follow from value and limit alone, is kept as it is:
    a limit that is only part of its test can't turn it by itself.
    """
    if finding.above is None or finding.value is None or finding.limit is None:
        return finding
    if finding.outcome is Outcome.CANNOT_TELL:
        return finding
    was = _beyond(finding.value, finding.limit, above=finding.above)
    if was is not (finding.outcome is Outcome.PRESENT):
        return finding
    new_value = finding.value if value is None else value
    new_limit = finding.limit if limit is None else limit
    now = _beyond(new_value, new_limit, above=finding.above)
    outcome = Outcome.PRESENT if now else Outcome.ABSENT
    return replace(finding, value=new_value, limit=new_limit, outcome=outcome)


def _beyond(value: float, limit: float, *, above: bool) -> bool:
    return value > limit if above else value < limit
