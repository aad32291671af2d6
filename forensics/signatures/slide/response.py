"""Does the slide move as commanded: no response, a slow one, one against the profile's sense."""

from __future__ import annotations

import numpy as np

from forensics.machine.capacity import Capacity, noise
from forensics.machine.citations import rows_of
from forensics.machine.commands import read_commands
from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.vocabulary import Outcome, Role
from forensics.signatures.core.catalogue import answers_of
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.slide.holds import moves_by_itself
from forensics.signatures.slide.loss import Loss, command_interval_s, loss_of, onset, reference, stale
from forensics.signatures.slide.motion import (
    Bins,
    Response,
    expected,
    looked,
    response,
    role_of,
    sure_share,
)
from forensics.signatures.slide.rates import rates_of

_FEWEST_BLOCKS = 3
_FEWEST_BINS = 2


def _no_response(subject: Subject, check: str, source: Capacity, bins: Bins, sign: float) -> Finding:
    word = "load" if sign > 0 else "unload"
    overall = response(subject, bins, source, sign)
    other = loss_of(subject, bins, source, role_of(-sign))
    found = _not_straddling(subject, bins, source, sign, overall, other)
    recent = found is not None and found.span_ns[1] > subject.record.window.start_ns
    # what came before a loss says nothing of after it; a command that never found a response lost none in the record
    before_loss = (
        found is not None and other is not None and other.answered_before and found.span_ns[1] <= other.since_ns
    )
    climbed = _climbed(subject, check, source, other) if sign > 0 and (before_loss or not recent) else None
    if before_loss:
        return climbed or cannot_tell(
            check, f"{word} was not commanded alone after the other command lost its response"
        )
    if found is None or overall is None or not recent:
        need = subject.limits["slide.block_acting_s"]
        why = f"{word} was not commanded alone for {need:.0f} s with room to move"
        return climbed or cannot_tell(check, why)
    usual, said = reference(subject, overall, sign, source)
    share = float(found.rates[-1]) / usual
    limit = subject.limits["slide.response_share_min"]
    if share < limit:
        since_ns = max(onset(found, limit * usual), other.since_ns if other is not None else 0)
        apart = _apart(subject, check, sign, bins, source, usual, since_ns=since_ns)
        why = "" if apart else _other_reason(subject, bins, source, sign)
        if not why and share < -limit and not source.by_slide:
            why = f"the current moved {-found.rates[-1]:.2f} % a second against the command: not by the slide alone"
        if apart or why:
            return apart or cannot_tell(check, why)
    inside = (bins.begin >= found.span_ns[0]) & (bins.end <= found.span_ns[1])
    spread = 0.05 + noise(source, bins.begin[inside], bins.end[inside]) / (float(found.acting_s[-1]) * usual)
    measured = Value.within(share, spread, "1", "slide.response_share_min", above=False)
    pulses = _pulses(subject, sign, found.span_ns)
    words = (
        f"Over the last {found.acting_s[-1]:.0f} s of {word} command ({pulses} pulses) the capacity moved "
        f"{found.rates[-1]:+.2f} % a second as commanded; {said}."
    )
    readings = len(source.point.between(*found.span_ns))
    samples = max(int(found.bins[-1]), min(readings, 10 * int(found.bins[-1])))
    if share < limit and samples < _FEWEST_BINS:
        return cannot_tell(check, words + " One step only.")
    interval_s = command_interval_s(subject, sign)
    if limit * sure_share(subject, interval_s) <= share < limit:
        why = f"pulses in step with samples every {interval_s:g} s look like a command that was held"
        return cannot_tell(check, words + f" That is little, but {why}.")
    if share < limit < share + spread and not source.by_slide:
        return cannot_tell(check, words + " The current was too restless for that to tell.")
    outcome = Outcome.PRESENT if share < limit else Outcome.ABSENT
    span = found.span_ns
    if outcome is Outcome.ABSENT and (later := stale(subject, source, sign, span[1])):
        return cannot_tell(check, f"{words} {later}")
    if outcome is Outcome.PRESENT:
        span = (onset(found, usual * limit), span[1])
    seen = Seen(span, rows_of(source.point, *span), source.point.interval_s, samples, rests_on_commands=True)
    return make_finding(subject, check, outcome, words, measured, seen)


def _not_straddling(
    subject: Subject, bins: Bins, source: Capacity, sign: float, overall: Response | None, other: Loss | None
) -> Response | None:
    """Blocks that lie wholly after the other command lost its response, else wholly before.

    A slide that was free until it stuck must not look free by a block that holds both.
    """
    if overall is None or other is None or not overall.span_ns[0] < other.since_ns < overall.span_ns[1]:
        return overall
    later = response(subject, bins, source, sign, between_ns=(other.since_ns, int(bins.end[-1])))
    return later or response(subject, bins, source, sign, between_ns=(int(bins.begin[0]), other.since_ns))


def _apart(
    subject: Subject, check: str, sign: float, bins: Bins, source: Capacity, usual: float, *, since_ns: int
) -> Finding | None:
    """The response with a drift told apart; None where that can't be, or where there is no response then either.

    Fitted to what came since the command hardly moved anything, and after the other command lost its response where it
    did: what moved before that says nothing of it.
    """
    rates = rates_of(subject, bins, source, since_ns=since_ns)
    part = None if rates is None or not rates.timed else rates.of(sign)
    limit = subject.limits["slide.response_share_min"]
    if rates is None or part is None or part.high < limit * usual:
        return None
    still = subject.limits["slide.drift_per_min"]
    if max(abs(rates.drift.low), abs(rates.drift.high)) <= still:
        # nothing drifts, so that there is nothing to tell apart
        return None
    share = Value(part.value / usual, part.low / usual, part.high / usual, "1", "slide.response_share_min", above=False)
    words = (
        f"With a drift of {rates.drift.value:+.2f} % a minute told apart, {'load' if sign > 0 else 'unload'} moves "
        f"the capacity {part.value:+.2f} % a second ({part.low:.2f} to {part.high:.2f}) as commanded, over "
        f"{rates.steps} steps with {_pulses(subject, sign, rates.span_ns)} pulses."
    )
    if part.low < limit * usual:
        return cannot_tell(check, words + " The interval holds the limit.")
    cites = rows_of(source.point, *rates.span_ns)
    seen = Seen(rates.span_ns, cites, source.point.interval_s, rates.steps, rests_on_commands=True)
    return make_finding(subject, check, Outcome.ABSENT, words, share, seen)


def _climbed(subject: Subject, check: str, source: Capacity, unload: Loss | None) -> Finding | None:
    """A slide that went on rising after unload lost its response is free and loads, though no pulse was timed."""
    if unload is None or not source.by_slide or subject.record.switch(Role.LOAD_SOLENOID) is None:
        return None
    part = source.point.between(unload.since_ns, subject.record.failure_ns)
    if len(part) <= _FEWEST_BLOCKS:
        return None
    # the middle of three readings, so that one that is wrong moves nothing
    level = np.median(np.stack([part.v[:-2], part.v[1:-1], part.v[2:]]), axis=0) * source.percent
    highest = np.maximum.accumulate(level)
    gained = float(highest[-1] - level[0])
    if gained <= subject.limits["slide.fell_by_itself"]:
        return None
    span = (int(part.t[0]), int(part.t[-1]))
    words = (
        f"After unload lost its response the slide still rose by {gained:.0f} %: it is free and loads, though pulses "
        "are not timed."
    )
    seen = Seen(span, rows_of(source.point, *span), source.point.interval_s, len(part), rests_on_commands=True)
    return make_finding(subject, check, Outcome.ABSENT, words, Value(), seen)


def _pulses(subject: Subject, sign: float, span_ns: tuple[int, int]) -> int:
    starts, _ = read_commands(subject.record, subject.profile)[role_of(sign)].acting
    return int(np.sum((starts >= span_ns[0]) & (starts < span_ns[1])))


def _outcome(subject: Subject, check: str) -> Outcome:
    return answers_of(subject, check)[0].outcome


def _other_reason(subject: Subject, bins: Bins, source: Capacity, sign: float) -> str:
    """Why a missing movement need not mean that the command found no response; empty where nothing else explains it."""
    other = Role.UNLOAD_SOLENOID if sign > 0 else Role.LOAD_SOLENOID
    if not np.isfinite(bins.unload_s if sign > 0 else bins.load_s).any():
        return f"the capacity hardly moved, but without {other.value} a counter-command is not excluded"
    if not source.by_slide and _outcome(subject, "electrical.current_spikes_before_trip") is Outcome.PRESENT:
        return "the current spiked before the stop: something other than the slide moved it"
    if sign > 0 and not source.by_slide and _outcome(subject, "refrigerant.recirculation") is not Outcome.ABSENT:
        return "the current hardly moved, but gas that recirculates, which is not excluded, keeps it from following"
    if moves_by_itself(subject, source, -sign) is not None:
        return "the capacity also moves by itself against the command: both look alike"
    if sign > 0 and response(subject, bins, source, sign, at_lift=True) is None:
        return "the capacity hardly moved, but the lift that drives the oil was low or is not logged"
    return ""


@detector("slide.no_response_to_unload", looked)
def no_response_to_unload(subject: Subject, check: str, source: Capacity, bins: Bins) -> Finding:
    """Decide whether the slide, standing loaded, fails to move when unload is commanded."""
    return _no_response(subject, check, source, bins, -1.0)


@detector("slide.no_response_to_load", looked)
def no_response_to_load(subject: Subject, check: str, source: Capacity, bins: Bins) -> Finding:
    """Decide whether the slide, standing below full, fails to move when load is commanded."""
    return _no_response(subject, check, source, bins, 1.0)


@detector("slide.responds_slowly", looked)
def responds_slowly(subject: Subject, check: str, source: Capacity, bins: Bins) -> Finding:
    """Decide whether the slide moves, but at well under its own usual rate, in either direction."""
    if not source.by_slide:
        return cannot_tell(check, "amps move with lift too: a rate is compared by slide_position only")
    low, slow = subject.limits["slide.response_share_min"], subject.limits["slide.response_share_slow"]
    shares: list[tuple[float, str, Response]] = []
    for sign, word in ((1.0, "load"), (-1.0, "unload")):
        found = response(subject, bins, source, sign)
        if _other_reason(subject, bins, source, sign):
            continue
        if found is None or len(found.rates) < 2 * _FEWEST_BLOCKS or found.span_ns[1] <= subject.record.window.start_ns:
            continue
        usual, _ = reference(subject, found, sign, source)
        shares.append((float(np.median(found.rates[-_FEWEST_BLOCKS:])) / usual, word, found))
    if not shares:
        return cannot_tell(check, "too few commands with room to move to compare with its own earlier rate")
    share, word, found = min(shares, key=lambda x: x[0])
    outcome = Outcome.PRESENT if low <= share < slow else Outcome.ABSENT
    words = f"On {word} the capacity moves at {100 * share:.0f} % of its own usual rate."
    interval_s = command_interval_s(subject, 1.0 if word == "load" else -1.0)
    if outcome is Outcome.PRESENT and interval_s > subject.limits["slide.pulse_interval_s"]:
        return cannot_tell(check, words + f" Samples every {interval_s:g} s do not time pulses.")
    if share < low:
        words += " That is no response rather than a slow one."
    measured = Value.within(share, 0.1, "1", "slide.response_share_slow", above=False)
    cites = rows_of(source.point, *found.span_ns)
    count = int(np.sum(found.bins[-_FEWEST_BLOCKS:]))
    seen = Seen(found.span_ns, cites, source.point.interval_s, count, rests_on_commands=True)
    if outcome is Outcome.ABSENT and share >= low and share < slow + 0.1:
        return cannot_tell(check, words + " Too near the limit to tell.")
    return make_finding(subject, check, outcome, words, measured, seen)


@detector("slide.polarity_contradicted", looked)
def polarity_contradicted(subject: Subject, check: str, source: Capacity, bins: Bins) -> Finding:
    """Decide whether the capacity moves against the profile's sense of the commands."""
    shares = []
    for sign in (1.0, -1.0):
        found = response(subject, bins, source, sign)
        if found is not None:
            shares.append((float(np.median(found.rates)) / expected(subject, sign, source), found))
    if not shares:
        return cannot_tell(check, "no command acted alone long enough with room to move")
    share = float(np.mean([s for s, _ in shares]))
    limit = subject.limits["slide.response_share_min"]
    words = "; ".join(f"{100 * s:+.0f} % of the expected rate" for s, _ in shares) + " in the profile's sense."
    span = shares[0][1].span_ns
    seen = Seen(span, rows_of(source.point, *span), source.point.interval_s, sum(int(f.bins.sum()) for _, f in shares))
    measured = Value.within(share, 0.1, "1")
    if all(s < -limit for s, _ in shares):
        return make_finding(subject, check, Outcome.PRESENT, words, measured, seen)
    if any(s > limit for s, _ in shares) and not any(s < -limit for s, _ in shares):
        return make_finding(subject, check, Outcome.ABSENT, words, measured, seen)
    return cannot_tell(check, "the capacity hardly follows the commands either way: " + words)
