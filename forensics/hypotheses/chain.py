"""What provably came first: a chain of modes and effects in time order, from provable order only.

Evidence of a mode is an interval in time, widened by the uncertainty of the clocks that stamped it. One thing precedes
another only where the intervals do not overlap. A consequence is listed after its cause because the mode says that it
can follow, and only where the record does not contradict that order.
"""

from __future__ import annotations

from collections.abc import Mapping

from forensics.hypotheses.evidence import Evidence
from forensics.hypotheses.judge import Judgement
from forensics.hypotheses.modes import Modes
from forensics.hypotheses.score import Score
from forensics.model.findings import Finding
from forensics.model.points import NS
from forensics.model.vocabulary import Outcome, Provable

Interval = tuple[int, int]


def onset(one: Score, findings: Mapping[str, Finding], evidence: Evidence) -> Interval | None:
    """Interval in which the first strong evidence of a mode begins; None where no finding of it is dated."""
    spans = []
    for cell in one.cells:
        finding = findings.get(cell.finding)
        dated = finding is not None and finding.from_ns is not None and finding.to_ns is not None
        if cell.effect != "for" or cell.outcome is not Outcome.PRESENT or not dated or finding is None:
            continue
        if cell.weight not in ("decisive", "strong"):
            continue
        spans.append(_widened(finding, evidence))
    return min(spans, default=None)


def _widened(finding: Finding, evidence: Evidence) -> Interval:
    wide_s = max((evidence.clock_uncertainty_s.get(clock, float("inf")) for clock in finding.cross_clock), default=0.0)
    step_s = finding.sample_interval_s or 0.0
    wide = round((min(wide_s, 1e9) + step_s) * NS)
    return (int(finding.from_ns or 0) - wide, int(finding.to_ns or 0) + wide)


def earlier_pairs(
    tallies: Mapping[str, Score], findings: Mapping[str, Finding], evidence: Evidence
) -> frozenset[tuple[str, str]]:
    """Pairs of modes of which the first one's evidence provably ends before the other's begins."""
    spans = {name: span for name, one in tallies.items() if (span := onset(one, findings, evidence)) is not None}
    pairs = {(a, b) for a, x in spans.items() for b, y in spans.items() if a != b and x[1] < y[0]}
    pairs |= {(o.a, o.b) for o in evidence.order if o.order is Provable.BEFORE and {o.a, o.b} <= set(tallies)}
    return frozenset(pairs)


def build_chain(
    judgement: Judgement, tallies: Mapping[str, Score], findings: Mapping[str, Finding], evidence: Evidence
) -> tuple[str, ...]:
    """The cause, then each mode and effect that can follow from it and that the record shows no earlier."""
    if judgement.cause is None:
        return ()
    cause = judgement.cause
    modes: Modes = evidence.modes
    begun = onset(tallies[cause], findings, evidence)
    follows = [name for name in judgement.also if name in modes.consequences(cause)]
    dated = [(onset(tallies[name], findings, evidence), name) for name in follows]
    kept = [(span, name) for span, name in dated if begun is None or span is None or not span[1] < begun[0]]
    effects = _effects(cause, tallies, findings, evidence, begun)
    links: list[tuple[Interval | None, str]] = [*kept, *effects]
    links.sort(key=lambda link: (link[0] is None, link[0] or (0, 0), link[1]))
    return (cause, *_provable(links))


def _effects(
    cause: str,
    tallies: Mapping[str, Score],
    findings: Mapping[str, Finding],
    evidence: Evidence,
    begun: Interval | None,
) -> list[tuple[Interval | None, str]]:
    """Effects that the cause explains and that provably begin after its own evidence begins."""
    if begun is None:
        return []
    own = {cell.finding for cell in tallies[cause].cells if cell.effect == "for"}
    explained = set(evidence.modes[cause].explains)
    found: list[tuple[Interval | None, str]] = []
    for finding in sorted(findings.values(), key=lambda one: one.id):
        if finding.outcome is not Outcome.PRESENT or finding.check not in explained or finding.id in own:
            continue
        if finding.from_ns is None or finding.to_ns is None:
            continue
        span = _widened(finding, evidence)
        if span[0] > begun[0]:
            found.append((span, finding.check))
    return found


def _provable(links: list[tuple[Interval | None, str]]) -> list[str]:
    """Keep each dated link only where it provably follows the one kept before it; undated links stand last."""
    kept: list[str] = []
    last: Interval | None = None
    for span, name in links:
        if name in kept:
            continue
        if span is None:
            kept.append(name)
        elif last is None or last[1] < span[0]:
            kept.append(name)
            last = span
    return kept
