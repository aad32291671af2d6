"""Does the slide move as commanded: no response, a slow one, one against the profile's sense."""

from __future__ import annotations

import numpy as np

from forensics.commands import read_commands
from forensics.findings import Finding
from forensics.points import NS
from forensics.signatures.answer import Seen, Value, answered, rows_of
from forensics.signatures.base import Subject, cannot_tell, detector
from forensics.signatures.electrical_motor import spikes_before_trip
from forensics.signatures.slide_capacity import Capacity, noise
from forensics.signatures.slide_holds import moves_by_itself
from forensics.signatures.slide_motion import Bins, Response, expected, looked, ran_since, response, role_of, sure_share
from forensics.signatures.slide_rates import rates_of
from forensics.vocabulary import Outcome, Recorded, Role

_FEWEST_BLOCKS = 3
_LOOK_BACK_S = 600.0

_FEWEST_BINS = 2


def _reference(subject: Subject, found: Response, sign: float, source: Capacity) -> tuple[float, str]:
    """Usual rate of the machine: the upper quartile of its earlier blocks where it ever moved, else the profile's."""
    profiled = expected(subject, sign, source)
    earlier = found.rates[:-1]
    if len(earlier) >= _FEWEST_BLOCKS:
        own = float(np.quantile(earlier, 0.75))
        if own > subject.limits["slide.response_share_min"] * profiled:
            return own, f"{own:.2f} % a second is usual over {len(earlier)} earlier blocks"
    return profiled, f"the profile's travel time gives {profiled:.2f} % a second"


def _no_response(subject: Subject, check: str, source: Capacity, bins: Bins, sign: float) -> Finding:
    word = "load" if sign > 0 else "unload"
    overall = response(subject, bins, source, sign)
    found = _not_straddling(subject, bins, source, sign, overall)
    recent = found is not None and found.span_ns[1] > subject.record.window.start_ns
    before_loss = found is not None and _ends_before_loss(subject, bins, source, sign, found)
    climbed = _climbed(subject, check, sign, bins, source) if before_loss or found is None or not recent else None
    if before_loss:
        why = f"{word} was not commanded alone after the other command lost its response"
        return climbed or cannot_tell(check, why)
    if found is None or overall is None or not recent:
        need = subject.limits["slide.block_acting_s"]
        why = f"{word} was not commanded alone for {need:.0f} s with room to move"
        return climbed or cannot_tell(check, why)
    usual, said = _reference(subject, overall, sign, source)
    share = float(found.rates[-1]) / usual
    limit = subject.limits["slide.response_share_min"]
    if share < limit:
        onset = _onset(found, limit * usual)
        apart = _apart(subject, check, sign, bins, source, usual, since_ns=onset)
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
    interval_s = _command_interval_s(subject, sign)
    if limit * sure_share(subject, interval_s) <= share < limit:
        why = f"pulses in step with samples every {interval_s:g} s look like a command that was held"
        return cannot_tell(check, words + f" That is little, but {why}.")
    if share < limit < share + spread and not source.by_slide:
        return cannot_tell(check, words + " The current was too restless for that to tell.")
    outcome = Outcome.PRESENT if share < limit else Outcome.ABSENT
    span = found.span_ns
    if outcome is Outcome.ABSENT and (stale := _stale(subject, source, sign, span[1])):
        return cannot_tell(check, f"{words} {stale}")
    if outcome is Outcome.PRESENT:
        span = (_onset(found, usual * limit), span[1])
    seen = Seen(span, rows_of(source.point, *span), source.point.interval_s, samples, rests_on_commands=True)
    return answered(subject, check, outcome, words, measured, seen)


def _onset(found: Response, least: float) -> int:
    """Since when no block moves by the least rate; the block that it begins in may have moved in part, and is left."""
    moving = np.flatnonzero(found.rates >= least)
    first = 0 if not len(moving) else int(moving[-1]) + 1
    return int(found.begins[min(first + 1, len(found.begins) - 1)])


def _unanswered_since(subject: Subject, bins: Bins, source: Capacity, sign: float) -> int | None:
    """Since when a command finds no response, ns UTC; None where its last block moved."""
    found = response(subject, bins, source, sign)
    if found is None:
        return None
    usual, _ = _reference(subject, found, sign, source)
    least = subject.limits["slide.response_share_min"] * usual
    surely = least * sure_share(subject, _command_interval_s(subject, sign))
    return _onset(found, least) if found.rates[-1] < surely else None


def _not_straddling(
    subject: Subject, bins: Bins, source: Capacity, sign: float, overall: Response | None
) -> Response | None:
    """Blocks that lie wholly after the other command lost its response, else wholly before.

    A slide that was free until it stuck must not look free by a block that holds both.
    """
    since = _unanswered_since(subject, bins, source, -sign)
    if overall is None or since is None or overall.span_ns[1] <= since or overall.span_ns[0] >= since:
        return overall
    end = int(bins.end[-1])
    later = response(subject, bins, source, sign, between_ns=(since, end))
    return later or response(subject, bins, source, sign, between_ns=(int(bins.begin[0]), since))


def _ends_before_loss(subject: Subject, bins: Bins, source: Capacity, sign: float, found: Response) -> bool:
    """Whether the blocks end before the other command lost its response, so that they say nothing of after it.

    A command that never had a response in this record lost none in it.
    """
    since = _unanswered_since(subject, bins, source, -sign)
    other = response(subject, bins, source, -sign)
    if since is None or other is None or found.span_ns[1] > since:
        return False
    usual, _ = _reference(subject, other, -sign, source)
    return bool(np.any(other.rates >= subject.limits["slide.response_share_min"] * usual))


def _apart(
    subject: Subject, check: str, sign: float, bins: Bins, source: Capacity, usual: float, *, since_ns: int
) -> Finding | None:
    """The response with a drift told apart; None where that can't be, or where there is no response then either.

    Fitted to what came since the command hardly moved anything, and after the other command lost its response where it
    did: what moved before that says nothing of it.
    """
    other_ns = _unanswered_since(subject, bins, source, -sign)
    rates = rates_of(subject, bins, source, since_ns=since_ns if other_ns is None else max(since_ns, other_ns))
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
    return answered(subject, check, Outcome.ABSENT, words, share, seen)


def _climbed(subject: Subject, check: str, sign: float, bins: Bins, source: Capacity) -> Finding | None:
    """A slide that went on rising after unload lost its response is free and loads, though no pulse was timed."""
    if sign < 0:
        return None
    since = _unanswered_since(subject, bins, source, -sign)
    if since is None or not source.by_slide or subject.record.switch(role_of(sign)) is None:
        return None
    part = source.point.between(since, subject.record.failure_ns)
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
    return answered(subject, check, Outcome.ABSENT, words, Value(), seen)


def _stale(subject: Subject, source: Capacity, sign: float, judged_ns: int) -> str:
    """Why a response says nothing of the time up to the failure; empty where it does.

    Commands that could not be judged may have come after it, and so may pulses that fall between slow samples.
    """
    limits, until = subject.limits, subject.record.failure_ns
    word = "load" if sign > 0 else "unload"
    moved_ns = max(judged_ns, _last_moved(subject, source, sign))
    command = read_commands(subject.record, subject.profile)[role_of(sign)]
    starts, ends = command.acting
    later = (starts >= moved_ns) & (starts < until)
    starts, ends = starts[later], np.minimum(ends[later], until)
    running = np.zeros(len(starts), dtype=bool)
    for run in subject.runs:
        running |= (starts >= run.first_ns) & (starts < run.last_ns)
    near, level = limits["slide.near_end"], source.at(starts)
    room = ~(level >= source.high_end - near) if sign > 0 else ~(level <= source.low_end + near)
    seconds = float(np.sum(((ends - starts) / NS)[room & running]))
    if seconds >= limits["slide.block_acting_s"]:
        return f"Since then {word} was commanded for {seconds:.0f} s more that could not be judged."
    missed = (
        command.switch.origin.recorded is not Recorded.CHANGE and command.interval_s > limits["slide.pulse_least_s"]
    )
    ran_s = float(ran_since(subject, np.array([moved_ns]))[0])
    if missed and ran_s > limits["slide.unseen_run_s"]:
        why = f"pulses may have fallen between samples every {command.interval_s:g} s"
        return f"Since then it ran for {ran_s / 60.0:.0f} min without a movement that way, in which {why}."
    return ""


def _last_moved(subject: Subject, source: Capacity, sign: float) -> int:
    """When the slide was last seen to have gone a command's way within ten minutes; the window's begin if never."""
    start_ns, end_ns = subject.record.window.start_ns, subject.record.failure_ns
    part = source.point.between(start_ns, end_ns)
    if not source.by_slide or len(part) <= _FEWEST_BLOCKS:
        return start_ns
    level = sign * np.median(np.stack([part.v[:-2], part.v[1:-1], part.v[2:]]), axis=0) * source.percent
    t = part.t[1:-1]
    before = np.searchsorted(t, t - round(_LOOK_BACK_S * NS))
    gone = np.flatnonzero(level - level[before] > subject.limits["slide.fell_by_itself"])
    return int(t[gone[-1]]) if len(gone) else start_ns


def _pulses(subject: Subject, sign: float, span_ns: tuple[int, int]) -> int:
    starts, _ = read_commands(subject.record, subject.profile)[role_of(sign)].acting
    return int(np.sum((starts >= span_ns[0]) & (starts < span_ns[1])))


def _command_interval_s(subject: Subject, sign: float) -> float:
    return read_commands(subject.record, subject.profile)[role_of(sign)].interval_s


def _other_reason(subject: Subject, bins: Bins, source: Capacity, sign: float) -> str:
    """Why a missing movement need not mean that the command found no response; empty where nothing else explains it."""
    other = Role.UNLOAD_SOLENOID if sign > 0 else Role.LOAD_SOLENOID
    if not np.isfinite(bins.unload_s if sign > 0 else bins.load_s).any():
        return f"the capacity hardly moved, but without {other.value} a counter-command is not excluded"
    if not source.by_slide and spikes_before_trip(subject)[0].outcome is Outcome.PRESENT:
        return "the current spiked before the stop: something other than the slide moved it"
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
        usual, _ = _reference(subject, found, sign, source)
        shares.append((float(np.median(found.rates[-_FEWEST_BLOCKS:])) / usual, word, found))
    if not shares:
        return cannot_tell(check, "too few commands with room to move to compare with its own earlier rate")
    share, word, found = min(shares, key=lambda x: x[0])
    outcome = Outcome.PRESENT if low <= share < slow else Outcome.ABSENT
    words = f"On {word} the capacity moves at {100 * share:.0f} % of its own usual rate."
    interval_s = _command_interval_s(subject, 1.0 if word == "load" else -1.0)
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
    return answered(subject, check, outcome, words, measured, seen)


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
        return answered(subject, check, Outcome.PRESENT, words, measured, seen)
    if any(s > limit for s, _ in shares) and not any(s < -limit for s, _ in shares):
        return answered(subject, check, Outcome.ABSENT, words, measured, seen)
    return cannot_tell(check, "the capacity hardly follows the commands either way: " + words)
