"""The slide: does it move as commanded, does it move by itself, where does it stand when the motor stops."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from forensics.commands import read_commands
from forensics.findings import Finding, Stop
from forensics.points import NS
from forensics.rules import read_checks
from forensics.signatures.answer import Seen, Value, answered, rows_of, three_way
from forensics.signatures.base import Detector, Subject, cannot_tell, points_for
from forensics.signatures.slide_motion import (
    Balance,
    Bins,
    Capacity,
    Floats,
    Gaps,
    Mask,
    Response,
    acting_seconds,
    balance,
    capacity,
    holding_gaps,
    response,
    running_bins,
    unseen_seconds,
)
from forensics.signatures.slopes import median_slope
from forensics.signatures.starts_before import stops_before
from forensics.vocabulary import Outcome, Recorded, Role, StopKind

_FEWEST_BLOCKS = 3
_FEWEST_BINS = 2
# counts of about ten pulses spread by a third, and so do rates of travel: twice what is expected is beyond both
_UNSEEN_MARGIN = 2.0
_NO_CAPACITY = "neither slide_position nor amps with rated_load_amps tell the capacity"


def _looked(subject: Subject, check: str) -> tuple[Capacity, Bins] | Finding:
    _, missing = points_for(subject, read_checks()[check])
    source = None if missing else capacity(subject)
    if missing or source is None:
        return cannot_tell(check, missing or _NO_CAPACITY)
    return source, running_bins(subject, source)


def _expected(subject: Subject, sign: float, source: Capacity) -> float:
    """Rate that the profile's travel time gives, % per second of command."""
    times = subject.profile.times
    travel_s = times.travel_load_s if sign > 0 else times.travel_unload_s
    return (source.high_end - source.low_end) / travel_s


def _reference(subject: Subject, found: Response, sign: float, source: Capacity) -> tuple[float, str]:
    """Usual rate of the machine: the upper quartile of its earlier blocks where it ever moved, else the profile's."""
    expected = _expected(subject, sign, source)
    earlier = found.rates[:-1]
    if len(earlier) >= _FEWEST_BLOCKS:
        own = float(np.quantile(earlier, 0.75))
        if own > subject.limits["slide.response_share_min"] * expected:
            return own, f"{own:.2f} % a second is usual over {len(earlier)} earlier blocks"
    return expected, f"the profile's travel time gives {expected:.2f} % a second"


def _no_response(subject: Subject, check: str, sign: float) -> tuple[Finding, ...]:
    looked = _looked(subject, check)
    if isinstance(looked, Finding):
        return (looked,)
    source, bins = looked
    found = response(subject, bins, source, sign)
    word = "load" if sign > 0 else "unload"
    recent = found is not None and found.span_ns[1] > subject.record.window.start_ns
    if found is None or not recent:
        need = subject.limits["slide.block_acting_s"]
        return (cannot_tell(check, f"{word} was not commanded alone for {need:.0f} s with room to move"),)
    usual, said = _reference(subject, found, sign, source)
    share = float(found.rates[-1]) / usual
    if share < subject.limits["slide.response_share_min"]:
        why = _other_reason(subject, bins, source, sign)
        if why:
            return (cannot_tell(check, why),)
    spread = 0.05 + _noise(source) / (float(found.acting_s[-1]) * usual)
    limit = subject.limits["slide.response_share_min"]
    measured = Value(share, share - spread, share + spread, "1", "slide.response_share_min", above=False)
    words = (
        f"Over the last {found.acting_s[-1]:.0f} s of {word} command the capacity moved "
        f"{found.rates[-1]:+.2f} % a second as commanded; {said}."
    )
    readings = len(source.point.between(*found.span_ns))
    samples = max(int(found.bins[-1]), min(readings, 10 * int(found.bins[-1])))
    if share < limit and samples < _FEWEST_BINS:
        return (cannot_tell(check, words + " One step only."),)
    interval_s = _command_interval_s(subject, sign)
    if limit * _sure_share(subject, interval_s) <= share < limit:
        why = f"pulses in step with samples every {interval_s:g} s look like a command that was held"
        return (cannot_tell(check, words + f" That is little, but {why}."),)
    outcome = Outcome.PRESENT if share < limit else Outcome.ABSENT
    cites = rows_of(source.point, *found.span_ns)
    seen = Seen(found.span_ns, cites, source.point.interval_s, samples, rests_on_commands=True)
    return (answered(subject, check, outcome, words, measured, seen),)


def _command_interval_s(subject: Subject, sign: float) -> float:
    return read_commands(subject.record, subject.profile)[_role(sign)].interval_s


def _role(sign: float) -> Role:
    return Role.LOAD_SOLENOID if sign > 0 else Role.UNLOAD_SOLENOID


def _sure_share(subject: Subject, interval_s: float) -> float:
    """Share of the seconds of command that surely acted: of each sample that shows it, a short pulse at least."""
    return min(1.0, subject.limits["slide.pulse_least_s"] / interval_s)


def _other_reason(subject: Subject, bins: Bins, source: Capacity, sign: float) -> str:
    """Why a missing movement need not mean that the command found no response; empty where nothing else explains it."""
    other = Role.UNLOAD_SOLENOID if sign > 0 else Role.LOAD_SOLENOID
    if not np.isfinite(bins.unload_s if sign > 0 else bins.load_s).any():
        return f"the capacity hardly moved, but without {other.value} a counter-command is not excluded"
    if moves_by_itself(subject, source, -sign) is not None:
        return "the capacity also moves by itself against the command: both look alike"
    if sign > 0 and response(subject, bins, source, sign, at_lift=True) is None:
        return "the capacity hardly moved, but the lift that drives the oil was low or is not logged"
    return ""


def _noise(source: Capacity) -> float:
    """Noise of the capacity reading, %: from the median step between neighbours."""
    step = np.abs(np.diff(source.point.v[:5000])) * source.percent
    return float(np.median(step)) + 0.2 if len(step) else 0.5


def no_response_to_unload(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether the slide, standing loaded, fails to move when unload is commanded."""
    return _no_response(subject, "slide.no_response_to_unload", -1.0)


def no_response_to_load(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether the slide, standing below full, fails to move when load is commanded."""
    return _no_response(subject, "slide.no_response_to_load", 1.0)


def responds_slowly(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether the slide moves, but at well under its own usual rate, in either direction."""
    check = "slide.responds_slowly"
    looked = _looked(subject, check)
    if isinstance(looked, Finding):
        return (looked,)
    source, bins = looked
    if not source.by_slide:
        return (cannot_tell(check, "amps move with lift too: a rate is compared by slide_position only"),)
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
        return (cannot_tell(check, "too few commands with room to move to compare with its own earlier rate"),)
    share, word, found = min(shares, key=lambda x: x[0])
    outcome = Outcome.PRESENT if low <= share < slow else Outcome.ABSENT
    words = f"On {word} the capacity moves at {100 * share:.0f} % of its own usual rate."
    interval_s = _command_interval_s(subject, 1.0 if word == "load" else -1.0)
    if outcome is Outcome.PRESENT and interval_s > subject.limits["slide.pulse_interval_s"]:
        return (cannot_tell(check, words + f" Samples every {interval_s:g} s do not time pulses."),)
    if share < low:
        words += " That is no response rather than a slow one."
    measured = Value(share, share - 0.1, share + 0.1, "1", "slide.response_share_slow", above=False)
    cites = rows_of(source.point, *found.span_ns)
    count = int(np.sum(found.bins[-_FEWEST_BLOCKS:]))
    seen = Seen(found.span_ns, cites, source.point.interval_s, count, rests_on_commands=True)
    if outcome is Outcome.ABSENT and share >= low and share < slow + 0.1:
        return (cannot_tell(check, words + " Too near the limit to tell."),)
    return (answered(subject, check, outcome, words, measured, seen),)


def polarity_contradicted(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether the capacity moves against the profile's sense of the commands."""
    check = "slide.polarity_contradicted"
    looked = _looked(subject, check)
    if isinstance(looked, Finding):
        return (looked,)
    source, bins = looked
    shares = []
    for sign in (1.0, -1.0):
        found = response(subject, bins, source, sign)
        if found is not None:
            shares.append((float(np.median(found.rates)) / _expected(subject, sign, source), found))
    if not shares:
        return (cannot_tell(check, "no command acted alone long enough with room to move"),)
    share = float(np.mean([s for s, _ in shares]))
    limit = subject.limits["slide.response_share_min"]
    words = "; ".join(f"{100 * s:+.0f} % of the expected rate" for s, _ in shares) + " in the profile's sense."
    span = shares[0][1].span_ns
    seen = Seen(span, rows_of(source.point, *span), source.point.interval_s, sum(int(f.bins.sum()) for _, f in shares))
    measured = Value(share, share - 0.1, share + 0.1, "1")
    if all(s < -limit for s, _ in shares):
        return (answered(subject, check, Outcome.PRESENT, words, measured, seen),)
    if any(s > limit for s, _ in shares) and not any(s < -limit for s, _ in shares):
        return (answered(subject, check, Outcome.ABSENT, words, measured, seen),)
    return (cannot_tell(check, "the capacity hardly follows the commands either way: " + words),)


def _drift(subject: Subject, check: str, sign: float) -> tuple[Finding, ...]:
    looked = _looked(subject, check)
    if isinstance(looked, Finding):
        return (looked,)
    source, _ = looked
    worn = moves_by_itself(subject, source, sign)
    if worn is not None:
        return (_balanced(subject, check, sign, source, worn),)
    near = subject.limits["slide.near_end"]
    gaps = holding_gaps(subject, source)
    room = gaps.level < source.high_end - near if sign > 0 else gaps.level > source.low_end + near
    recent = _recent(subject, gaps, room)
    total_s, count = float(np.sum(gaps.seconds[recent])), int(np.sum(recent))
    if total_s < subject.limits["slide.drift_hold_s"] or count < _FEWEST_BLOCKS:
        return (cannot_tell(check, f"{total_s:.0f} s of holding in {count} stretches: too little"),)
    rate, low, high = _slope(sign * gaps.moved[recent], gaps.seconds[recent])
    outcome = three_way(low, high, subject.limits["slide.drift_per_min"], above=True)
    measured = Value(rate, low, high, "%/min", "slide.drift_per_min", above=True)
    words = (
        f"With no command the capacity moved {sign * rate:+.2f} % a minute over {count} stretches, "
        f"{total_s / 60:.0f} min in all."
    )
    other = Role.UNLOAD_SOLENOID if sign > 0 else Role.LOAD_SOLENOID
    if outcome is Outcome.ABSENT and subject.record.switch(other) is None:
        return (cannot_tell(check, f"without {other.value} a drift that it makes good is not seen"),)
    if outcome is Outcome.CANNOT_TELL:
        open_ = cannot_tell(check, words + f" Its interval {low:.2f} to {high:.2f} holds the limit.")
        limit = subject.limits["slide.drift_per_min"]
        return (replace(open_, value=rate, low=low, high=high, unit="%/min", limit=limit, above=True),)
    span = (int(gaps.begin[recent][0]), int(gaps.begin[recent][-1] + gaps.seconds[recent][-1] * NS))
    if outcome is Outcome.PRESENT:
        looked_at = Balance(0.0, total_s / 60.0, 0.0, 0.0, span)
        hidden = _UNSEEN_MARGIN * _expected(subject, sign, source) * unseen_seconds(subject, sign, looked_at)
        if sign * float(np.sum(gaps.moved[recent])) <= hidden or _pulses_can_hide(subject, sign):
            return (cannot_tell(check, words + " Pulses that fall between two samples can have made it."),)
    seen = Seen(span, rows_of(source.point, *span), source.point.interval_s, count, rests_on_commands=True)
    return (answered(subject, check, outcome, words, measured, seen),)


def _pulses_can_hide(subject: Subject, sign: float) -> bool:
    """Whether pulses of a command are shorter than its samples are apart, so that a train in step is never seen."""
    command = read_commands(subject.record, subject.profile)[_role(sign)]
    if command.switch.origin.recorded is Recorded.CHANGE or command.interval_s <= subject.limits["slide.pulse_least_s"]:
        return False
    starts, ends = command.acting
    return bool(np.any((ends - starts) / NS <= 1.5 * command.interval_s))


def moves_by_itself(subject: Subject, source: Capacity, sign: float) -> Balance | None:
    """The balance of commands and movement where capacity moved towards ``sign`` by itself beyond doubt, else None."""
    found = balance(subject, source, sign)
    if found is None:
        return None
    unseen = _expected(subject, sign, source) * unseen_seconds(subject, sign, found)
    return found if found.against > subject.limits["slide.fell_by_itself"] + unseen else None


def _balanced(subject: Subject, check: str, sign: float, source: Capacity, found: Balance) -> Finding:
    """Drift from what the opposite command had to make good: between half and all of the travel it is worth."""
    worth = _expected(subject, -sign, source)
    low = (found.net + 0.5 * worth * found.helped_s) / found.minutes
    high = (found.net + worth * found.helped_s) / found.minutes
    limit = subject.limits["slide.drift_per_min"]
    measured = Value((low + high) / 2, low, high, "%/min", "slide.drift_per_min", above=True)
    word, other = ("rose", "unload") if sign > 0 else ("fell", "load")
    words = (
        f"Without its command the capacity {word} by {found.against:.0f} % in all, while {other} was commanded for "
        f"{found.helped_s:.0f} s in {found.minutes:.0f} min."
    )
    if low <= limit:
        return cannot_tell(check, words + " That is no clear drift.")
    cites = rows_of(source.point, *found.span_ns)
    count = max(2, round(found.minutes / 10))
    seen = Seen(found.span_ns, cites, source.point.interval_s, count, rests_on_commands=True)
    return answered(subject, check, Outcome.PRESENT, words, measured, seen)


def _recent(subject: Subject, gaps: Gaps, room: Mask) -> Mask:
    """The stretches of the last hour of holding."""
    held = np.where(room, gaps.seconds, 0.0)
    left = np.cumsum(held[::-1])[::-1]
    return np.asarray(room & (left <= 60.0 * subject.limits["slide.drift_recent_min"]))


def _slope(moved: Floats, seconds: Floats) -> tuple[float, float, float]:
    """Drift in % a minute with its interval: Theil-Sen through the summed movement, spread from the stretches."""
    minutes, total = np.cumsum(seconds) / 60.0, np.cumsum(moved)
    step = max(1, len(minutes) // 400)
    slope = (
        median_slope(minutes[::step], total[::step])[0]
        if len(minutes) > _FEWEST_BLOCKS
        else (float(total[-1] / minutes[-1]))
    )
    each = moved / (seconds / 60.0)
    share = seconds / np.sum(seconds)
    mean = float(np.sum(each * share))
    spread = float(np.sqrt(np.sum(share**2 * (each - mean) ** 2)))
    # the two estimates of one slope must agree: the interval holds both
    return slope, min(slope, mean) - 2.0 * spread, max(slope, mean) + 2.0 * spread


def drifts_to_unload(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether capacity falls by itself while holding."""
    return _drift(subject, "slide.drifts_to_unload", -1.0)


def drifts_to_load(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether capacity rises by itself while holding."""
    return _drift(subject, "slide.drifts_to_load", 1.0)


def loaded_at_stop(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether the slide stood loaded when the motor stopped at the last normal stops."""
    check = "slide.loaded_at_stop"
    _, missing = points_for(subject, read_checks()[check])
    stops = [s for s in stops_before(subject) if s.kind is StopKind.NORMAL and s.in_window]
    if missing or not stops:
        return (cannot_tell(check, missing or "no normal stop in the window before the failure"),)
    judged = [(s, stood) for s in stops[-5:] if (stood := _loaded(subject, s)) is not None]
    if not judged:
        return (cannot_tell(check, "neither slide nor amps were sampled close enough to a normal stop"),)
    loaded = [s for s, is_loaded in judged if is_loaded]
    last, last_loaded = judged[-1]
    present = last_loaded or len(loaded) * 2 >= len(judged)
    if not present and last is not stops[-1]:
        return (cannot_tell(check, "neither slide nor amps tell it of the last normal stop"),)
    slide = last.slide_percent
    value = (
        Value() if slide is None else Value(slide, slide - 2, slide + 2, "%", "starts.slide_unloaded_max", above=True)
    )
    words = f"At {len(loaded)} of the last {len(judged)} normal stops the slide stood loaded."
    if present != last_loaded:
        value = Value()
    outcome = Outcome.PRESENT if present else Outcome.ABSENT
    chosen = loaded if present else [s for s, _ in judged]
    seen = Seen((chosen[0].earliest_ns, chosen[-1].latest_ns), chosen[-1].cites, None, 2 * len(chosen))
    return (answered(subject, check, outcome, words, value, seen),)


def _loaded(subject: Subject, stop: Stop) -> bool | None:
    """Whether the slide stood loaded at a stop: its reading close before, or at rest after; else the amps."""
    record, limits = subject.record, subject.limits
    slide = record.point(Role.SLIDE_POSITION)
    if slide is not None:
        before = slide.before(stop.earliest_ns, 5.0 if slide.origin.recorded is not Recorded.CHANGE else None)
        reading = before or slide.after(stop.latest_ns, 120.0)
        if reading is not None:
            if reading.value >= limits["starts.slide_loaded_min"]:
                return True
            return False if reading.value <= limits["starts.slide_unloaded_max"] else None
    rated = subject.machine.rated_load_amps
    amps = record.point(Role.MOTOR_AMPS)
    if amps is None or rated is None or stop.amps_before is None or amps.interval_s > 5:  # noqa: PLR2004 - as above
        return None
    share = stop.amps_before / rated
    if share > 1.2 * limits["starts.unloaded_ratio_max"]:
        return True
    return False if share <= limits["starts.unloaded_ratio_max"] else None


def cannot_reach_full_load(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether capacity stays well below full in spite of a whole travel of load commands."""
    check = "slide.cannot_reach_full_load"
    looked = _looked(subject, check)
    if isinstance(looked, Finding):
        return (looked,)
    source, _ = looked
    record, limits = subject.record, subject.limits
    command = read_commands(record, subject.profile)[Role.LOAD_SOLENOID]
    begin, end = max(record.window.start_ns, record.failure_ns - 6 * 3600 * NS), record.failure_ns
    good = source.point.between(begin, end)
    if not len(good):
        return (cannot_tell(check, "no capacity reading in the hours before the failure"),)
    percent = good.v * source.percent
    most = float(np.quantile(percent, 0.98))
    step = np.arange(begin, end, 60 * NS, dtype=np.int64)
    acting = np.nan_to_num(acting_seconds(command, step, step + 60 * NS))
    ten = np.convolve(acting, np.ones(min(10, len(acting))), mode="valid") if len(acting) else np.array([0.0])
    asked = float(np.max(ten)) if len(ten) else 0.0
    need = limits["slide.asked_travels"] * subject.profile.times.travel_load_s
    if command.switch.origin.recorded is not Recorded.CHANGE:
        # acting time from samples is a count: three of its standard deviations on top
        need += 3.0 * command.interval_s * float(np.sqrt(max(asked, 1.0) / command.interval_s))
        if command.interval_s > limits["slide.pulse_interval_s"]:
            need /= _sure_share(subject, command.interval_s)
    words = f"Capacity reached {most:.0f} %; load was commanded for up to {asked:.0f} s within ten minutes."
    measured = Value(most, most - 2, most + 2, "%", "slide.short_of_full", above=False)
    span = (int(good.t[0]), int(good.t[-1]))
    seen = Seen(span, rows_of(source.point, *span), source.point.interval_s, len(good), rests_on_commands=True)
    if most >= limits["slide.full_load"]:
        return (answered(subject, check, Outcome.ABSENT, words, measured, seen),)
    if most < limits["slide.short_of_full"] and asked >= need:
        return (answered(subject, check, Outcome.PRESENT, words, measured, seen),)
    return (cannot_tell(check, words + " Full load was not asked for clearly enough."),)


DETECTORS: dict[str, Detector] = {
    "slide.no_response_to_unload": no_response_to_unload,
    "slide.no_response_to_load": no_response_to_load,
    "slide.responds_slowly": responds_slowly,
    "slide.drifts_to_unload": drifts_to_unload,
    "slide.drifts_to_load": drifts_to_load,
    "slide.loaded_at_stop": loaded_at_stop,
    "slide.polarity_contradicted": polarity_contradicted,
    "slide.cannot_reach_full_load": cannot_reach_full_load,
}
