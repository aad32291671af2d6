"""What the verdict becomes when one thing that it rests on is changed, weighed again from stored values.

Each source and each sensor left out, each clock at the ends of its interval, each limit that decided moved both ways by
a share of its scale, each deciding value at the ends of its interval. Evidence is by amount, so a limit that moves a
little moves a probability a little: `holds`; `weaker` where the lead falls by more than a few decibans; `lost` where
nothing is determined any more, or one of two faults alone; `changed` where a cause is named that was not, or a machine
is cleared or blamed. The verdict is taken back only for `changed`: that a verdict needs its evidence is said, not held
against it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

from forensics.hypotheses.answers import amount_of
from forensics.hypotheses.evidence import Effect, Evidence, Robustness
from forensics.hypotheses.judge import Judgement
from forensics.hypotheses.scale import Scale
from forensics.hypotheses.strength import scale_of
from forensics.hypotheses.weigher import Weigher, regraded
from forensics.model.findings import Finding
from forensics.model.vocabulary import Outcome, VerdictStatus

_Change = tuple[str, tuple[Finding, ...]]


def robustness(base: Judgement, rests_on: Iterable[str], weigher: Weigher) -> tuple[Robustness, ...]:
    """Judge again for each change of what the verdict rests on.

    Parameters
    ----------
    rests_on
        Ids of the findings that decided.
    """
    rows = []
    for changed, findings in _changes(set(rests_on), weigher.evidence, weigher.scale):
        judged = weigher.judge(findings).judgement
        effect = _effect(base, judged, weigher.scale)
        rows.append(Robustness(changed, _words(judged), effect in ("lost", "changed"), effect))
    return tuple(rows)


def _effect(base: Judgement, now: Judgement, scale: Scale) -> Effect:
    if now.status is base.status and now.cause == base.cause:
        return "weaker" if base.lead - now.lead >= scale.weaker_by_db else "holds"
    if now.status is base.status and now.cause in base.also:
        return "weaker" if base.cause in now.also else "lost"
    return "lost" if now.status is VerdictStatus.UNDETERMINED else "changed"


def _words(judged: Judgement) -> str:
    if judged.cause is None:
        return judged.status.value
    return f"{judged.cause} ({judged.grades[judged.cause].value})"


def _changes(mine: set[str], evidence: Evidence, scale: Scale) -> Iterator[_Change]:
    yield from _without_sources(mine, evidence)
    yield from _without_sensors(mine, evidence)
    yield from _clocks(mine, evidence)
    yield from _limits(mine, evidence, scale)
    yield from _accuracy(mine, evidence)


def _silenced(finding: Finding, why: str) -> Finding:
    return replace(finding, outcome=Outcome.CANNOT_TELL, why_not=why, value=None, low=None, high=None)


def _without_sources(mine: set[str], evidence: Evidence) -> Iterator[_Change]:
    used = {cite.source for finding in evidence.findings if finding.id in mine for cite in finding.cites}
    for source in sorted(used):
        changed = tuple(
            _silenced(f, f"without {source}") if any(c.source == source for c in f.cites) else f
            for f in evidence.findings
        )
        yield f"without {source}", changed


def _without_sensors(mine: set[str], evidence: Evidence) -> Iterator[_Change]:
    """Every column that decided left out, of each source that has it; alone in its source it is told with that."""
    used = {(c.source, c.column) for f in evidence.findings if f.id in mine for c in f.cites if c.column}
    sources = [source for source, _ in used]
    for source, column in sorted(used):
        if sources.count(source) == 1:
            continue
        changed = tuple(
            _silenced(f, f"without {column}") if any((c.source, c.column) == (source, column) for c in f.cites) else f
            for f in evidence.findings
        )
        yield f"without '{column}' of {source}", changed


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
        yield f"clock {clock} at the ends of its interval (+/- {wide_s:g} s)", changed


def _outlasts(finding: Finding, shift_s: float) -> bool:
    if finding.from_ns is None or finding.to_ns is None:
        return False
    return (finding.to_ns - finding.from_ns) / 1e9 > shift_s


def _limits(mine: set[str], evidence: Evidence, scale: Scale) -> Iterator[_Change]:
    """Each limit that decided, lower and higher by a share of its scale."""
    by_name: dict[str, list[Finding]] = {}
    for finding in evidence.findings:
        if finding.limit_name and finding.limit is not None:
            by_name.setdefault(finding.limit_name, []).append(finding)
    for name in sorted(name for name, found in by_name.items() if any(f.id in mine for f in found)):
        first = min((f for f in by_name[name] if f.id in mine), key=lambda f: f.id)
        for sign in (-1.0, 1.0):
            step = _step(first, scale)
            if step == 0.0:
                continue
            changed = tuple(
                regraded(f, limit=f.limit + sign * _step(f, scale))
                if f.limit_name == name and f.limit is not None
                else f
                for f in evidence.findings
            )
            at = f"{(first.limit or 0.0) + sign * step:.4g} {first.unit}".strip()
            yield f"limit {name} at {at} instead of {first.limit:.4g}", changed


def _step(finding: Finding, scale: Scale) -> float:
    amount = amount_of(finding)
    if amount is None:
        return 0.0
    wide = scale_of(amount, scale.curves.of(finding.check, ""), scale.curves.by_unit(finding.unit))
    return 0.0 if wide is None else scale.limit_change * wide


def _accuracy(mine: set[str], evidence: Evidence) -> Iterator[_Change]:
    """A finding whose interval reaches over its limit is cannot-tell at that end: it is neither shown nor denied."""
    for finding in sorted((f for f in evidence.findings if f.id in mine), key=lambda f: f.id):
        for end, value in (("low", finding.low), ("high", finding.high)):
            if value is None or finding.limit is None or value == finding.value:
                continue
            moved = regraded(finding, value=value)
            if moved is finding:
                continue
            if moved.outcome is not finding.outcome:
                moved = _silenced(finding, "its interval reaches over its limit")
            changed = tuple(moved if f.id == finding.id else f for f in evidence.findings)
            yield f"{finding.id} at the {end} end of its interval", changed
