"""Stops: what the pressures and the rotors did after the current ended, against the machine's own stops."""

from __future__ import annotations

import numpy as np

from forensics.machine.citations import rows_of
from forensics.machine.duty.reading_age import max_age_s
from forensics.machine.history import stops_before
from forensics.machine.rotation import NEITHER
from forensics.machine.stops.bypass_release import NO_BYPASS, NO_LIFT
from forensics.machine.stops.equalisation import ALREADY_EQUAL, STOOD
from forensics.machine.stops.rotor_pressure import across_rotors
from forensics.machine.stops.stop_table import list_stops
from forensics.machine.subject import Subject
from forensics.model.findings import Cite, Finding, Stop
from forensics.model.points import NS
from forensics.model.vocabulary import Answer, Outcome, Role
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding, three_way
from forensics.signatures.core.needs import NO_STOP, nothing, stops_of_window

__all__ = ["list_stops"]

_RECENT = 5
_OWN_STOPS = 50


def _window_stops(subject: Subject) -> list[Stop]:
    return [stop for stop in stops_before(subject) if stop.in_window]


def _with_bypass(subject: Subject, check: str) -> tuple[list[Stop]] | Finding:
    if not subject.profile.polarity.has_bypass:
        return cannot_tell(check, NO_BYPASS)
    return stops_of_window(subject, check)


def _following(subject: Subject, stop: Stop) -> int:
    later = [run.first_ns for run in subject.runs if run.first_ns > stop.time_ns]
    return later[0] if later else subject.record.window.end_ns


def _pressure_rows(subject: Subject, stop: Stop, roles: tuple[Role, ...], until_s: float) -> tuple[Cite, ...]:
    end = min(stop.latest_ns + round(until_s * NS), _following(subject, stop))
    return tuple(c for role in roles for c in rows_of(subject.record.fastest(role), stop.earliest_ns - 5 * NS, end))


@detector("coastdown.bypass_held", _with_bypass)
def bypass_held(subject: Subject, check: str, stops: list[Stop]) -> Finding:
    """Decide whether the internal unloading valve stayed shut at stops of the window."""
    # a stop without lift holds nothing that could be let go
    stops = [s for s in stops if NO_LIFT not in s.why_not.get("bypass_released", "")] or stops
    held = [s for s in stops if s.bypass_released is Answer.NO]
    freed = [s for s in stops if s.bypass_released is Answer.YES]
    if not held and (not freed or stops[-1].bypass_released is Answer.CANNOT_TELL):
        return cannot_tell(check, stops[-1].why_not.get("bypass_released", "no stop could be judged"))
    shown = (held or freed)[-1]
    measured = Value()
    if shown.share_released is not None:
        share = shown.share_released
        measured = Value(share.value, share.low, share.high, "1", "coastdown.held_share", above=True)
    words = f"Held at {len(held)} and released at {len(freed)} of {len(stops)} stops of the window."
    if not held and shown.bypass_opened_s is not None and shown.bypass_opened_s.high is not None:
        words += (
            f" At the last of them the valve had opened {shown.bypass_opened_s.high:+.1f} s from the end of current."
        )
    cites = _pressure_rows(subject, shown, (Role.DISCHARGE_PRESSURE, Role.SUCTION_PRESSURE), 30.0)
    outcome = Outcome.PRESENT if held else Outcome.ABSENT
    count = max(len(held or freed), 2 if shown.share_released is not None else 1)
    rotors = across_rotors(subject)
    seen = Seen((shown.earliest_ns, shown.latest_ns), cites, rotors.interval_s if rotors else None, count)
    return make_finding(subject, check, outcome, words, measured, seen)


@detector("coastdown.reverse_rotation", nothing)
def reverse_rotation(subject: Subject, check: str) -> Finding:
    """Decide whether the rotors turned backwards after stops of the window."""
    stops = _window_stops(subject)
    if not stops:
        return cannot_tell(check, NO_STOP)
    turned = [s for s in stops if s.reverse_rotation is Outcome.PRESENT]
    quiet = [s for s in stops if s.reverse_rotation is Outcome.ABSENT]
    if not turned and (not quiet or stops[-1].reverse_rotation is Outcome.CANNOT_TELL):
        why = stops[-1].why_not.get("reverse_rotation", "") or NEITHER
        return cannot_tell(check, why, unlocked_by="log discharge and suction pressure every 1 s around stops")
    shown = (turned or quiet)[-1]
    basis = sorted({s.reverse_basis for s in (turned or quiet) if s.reverse_basis})
    words = (
        f"After {len(turned)} of {len(stops)} stops of the window the rotors turned backwards ({' and '.join(basis)}); "
        f"after {len(quiet)} they did not."
    )
    cites = _pressure_rows(subject, shown, (Role.SHAFT_SPEED, Role.DISCHARGE_PRESSURE, Role.SUCTION_PRESSURE), 60.0)
    outcome = Outcome.PRESENT if turned else Outcome.ABSENT
    measured = Value.exact(float(len(turned)), "stops")
    seen = Seen((shown.earliest_ns, shown.latest_ns), cites, None, max(2, len(turned or quiet)))
    return make_finding(subject, check, outcome, words, measured, seen)


def _residual(subject: Subject) -> tuple[float, float, list[Stop]] | None:
    """Median residual of the last stops of the window, its half width, and those stops."""
    stops = [s for s in _window_stops(subject) if s.residual_difference_kpa is not None][-_RECENT:]
    if not stops:
        return None
    values = np.array([s.residual_difference_kpa for s in stops], dtype=np.float64)
    error = max(s.residual_error_kpa or 0.0 for s in stops)
    return float(np.median(values)), error, stops


@detector("coastdown.residual_difference", stops_of_window)
def residual_difference(subject: Subject, check: str, stops: list[Stop]) -> Finding:
    """Decide whether discharge stays above suction 50 to 90 s after the stops of the window."""
    found = _residual(subject)
    if found is None:
        return cannot_tell(check, stops[-1].why_not.get("residual_difference_kpa", "no stop could be read"))
    value, error, stops = found
    outcome = three_way(value - error, value + error, subject.limits["coastdown.residual_kpa"], above=True)
    measured = Value.within(value, error, "kPa", "coastdown.residual_kpa", above=True)
    words = f"Median over {len(stops)} stops {value:+.1f} kPa, offset at rest taken off, known to {error:.1f} kPa."
    if outcome is Outcome.CANNOT_TELL:
        return cannot_tell(check, words + " That is within the sensors' error of the limit.")
    cites = _pressure_rows(subject, stops[-1], (Role.DISCHARGE_PRESSURE, Role.SUCTION_PRESSURE), 90.0)
    seen = Seen((stops[0].earliest_ns, stops[-1].latest_ns), cites, None, max(2, len(stops)))
    return make_finding(subject, check, outcome, words, measured, seen)


def _decay(subject: Subject) -> tuple[Outcome, str, Value, Stop] | str:
    """Whether the high side fell fast at the last stop that shows it; or why it can't be told.

    What a stop does not show, an earlier one does not show for it: only a fast fall is told from before the last stop.
    """
    if subject.machine.shared_circuit:
        return "other compressors share the condenser: its fall tells nothing of this one"
    stops = [
        s for s in stops_before(subject)
        if s.high_side_decay_s is not None or s.why_not.get("high_side_decay_s", "") in (STOOD, ALREADY_EQUAL)
    ]  # fmt: skip
    shown = _window_stops(subject)
    last = next((s for s in reversed(stops) if s.in_window), None)
    if last is None:
        return shown[-1].why_not.get("high_side_decay_s", "no stop shows it") if shown else "no stop"
    answer = _fall_of(subject, stops, last)
    if isinstance(answer, tuple) and answer[0] is not Outcome.PRESENT and last is not shown[-1]:
        why = shown[-1].why_not.get("high_side_decay_s", "it was not read")
        return f"the last stop does not show it ({why}), and one before it tells nothing of it"
    return answer


def _fall_of(subject: Subject, stops: list[Stop], last: Stop) -> tuple[Outcome, str, Value, Stop] | str:
    limits = subject.limits
    if last.high_side_gone:
        return Outcome.PRESENT, "The high side was down to suction within two minutes.", Value(), last
    if last.high_side_decay_s is None:
        reason = last.why_not.get("high_side_decay_s", "")
        if reason != STOOD:
            return reason + ", and there was little above it when the motor stopped"
        return Outcome.ABSENT, STOOD.capitalize() + ".", Value(), last
    short, ratio = limits["coastdown.decay_short_s"], limits["coastdown.decay_ratio"]
    decay, error = last.high_side_decay_s, last.high_side_decay_error_s or 0.0
    alike = _at_like_lift([s for s in stops if s is not last][-_OWN_STOPS:], last, limits["coastdown.like_lift"])
    own = [s.high_side_decay_s for s in alike if s.high_side_decay_s is not None]
    usual = float(np.median(own)) if len(own) >= limits["coastdown.own_least"] else None
    measured = Value.within(decay, 2 * error, "s", "coastdown.decay_short_s", above=False)
    against = "" if usual is None else f"; {usual:.0f} s is usual over {len(own)} own stops"
    words = f"Time constant {decay:.0f} s{against}."
    if decay + 2 * error < short:
        plain = decay + 2 * error < limits["coastdown.decay_plain"] * short
        if usual is not None and not plain and decay > limits["coastdown.decay_alike"] * usual:
            return words + " That is short, but as it was before: a small high side, or a fault as old as the record."
        if (usual is None or decay > ratio * usual) and _warmer_than_water(subject, last):
            return words + " A hot condenser falls as fast to the temperature of its water, and it was no lower yet."
        return Outcome.PRESENT, words, measured, last
    if usual is not None and decay + 2 * error < ratio * usual and decay < 2 * short:
        return Outcome.PRESENT, words, Value.within(decay, 2 * error, "s"), last
    if decay - 2 * error > short:
        return Outcome.ABSENT, words, measured, last
    return words + " That is too near the limit."


def _warmer_than_water(subject: Subject, stop: Stop) -> bool:
    """Whether the condenser was still no colder than the water in it when its fall had been read."""
    record, end = subject.record, stop.time_ns + round(subject.limits["coastdown.decay_to_s"] * NS)
    water, high = record.fastest(Role.CONDENSER_WATER_ENTERING), record.fastest(Role.CONDENSER_PRESSURE)
    if water is None or high is None or subject.saturation is None:
        return False
    celsius, level = water.before(end, 600.0), high.before(min(end, _following(subject, stop)), 60.0)
    if celsius is None or level is None:
        return False
    return bool(subject.saturation.dew_c(np.array([level.value]))[0] > celsius.value)


def _at_like_lift(stops: list[Stop], last: Stop, share: float) -> list[Stop]:
    """Own stops whose difference at the stop was near that of the last one; all of them where it was not read."""
    lift = last.difference_at_stop_kpa
    if lift is None:
        return stops
    return [
        s for s in stops
        if s.difference_at_stop_kpa is None or abs(s.difference_at_stop_kpa - lift) <= share * abs(lift)
    ]  # fmt: skip


def _way_on(subject: Subject, stop: Stop) -> bool:
    """Whether gas that ran back would have left the high side: the valve opened, or none stood before the rotors."""
    if stop.bypass_released is Answer.YES:
        return True
    residual, error = stop.residual_difference_kpa, stop.residual_error_kpa or 0.0
    return residual is not None and residual - error <= subject.limits["coastdown.residual_kpa"]


@detector("coastdown.high_side_falls_fast", stops_of_window)
def high_side_falls_fast(subject: Subject, check: str, _: list[Stop]) -> Finding:
    """Decide whether the high side falls fast after the stop."""
    found = _decay(subject)
    if isinstance(found, str):
        return cannot_tell(check, found)
    outcome, words, measured, stop = found
    if outcome is Outcome.ABSENT and not _way_on(subject, stop):
        return cannot_tell(check, words + " But it is not shown that gas which ran back had a way on to the low side.")
    cites = _pressure_rows(subject, stop, (Role.CONDENSER_PRESSURE, Role.SUCTION_PRESSURE), 120.0)
    seen = Seen((stop.earliest_ns, stop.latest_ns), cites, None, 4)
    return make_finding(subject, check, outcome, words, measured, seen)


@detector("coastdown.discharge_follows_condenser", stops_of_window)
def discharge_follows_condenser(subject: Subject, check: str, stops: list[Stop]) -> Finding:
    """Decide whether discharge stays up with the condenser after the last stops: the check valve lets gas back.

    The share that it holds is set by the leak against what empties the discharge side; a tight valve leaves none. It is
    held against the machine's own lowest stops.
    """
    limits = subject.limits
    shown = [s for s in stops[-_RECENT:] if s.follow_share is not None]
    if not shown:
        return cannot_tell(check, "no samples 30 to 60 s after a stop with the high side still up")
    stop = shown[-1]
    share = stop.follow_share
    assert share is not None and share.value is not None and share.low is not None and share.high is not None  # noqa: PT018
    own = _own_share(subject, stop)
    limit = max(limits["coastdown.follow_share"], own + limits["coastdown.follow_own_more"] if own is not None else 0.0)
    measured = Value(share.value, share.low, share.high, "1", "coastdown.follow_share", above=True, limit=limit)
    words = f"30 to 60 s after the stop discharge held {100 * share.value:.0f} % of the condenser's own difference."
    words += _area_words(stop) + ("" if own is None else f" At this machine's lowest stops it holds {100 * own:.0f} %.")
    roles = (Role.DISCHARGE_PRESSURE, Role.CONDENSER_PRESSURE, Role.SUCTION_PRESSURE)
    rotors = across_rotors(subject)
    cites = _pressure_rows(subject, stop, roles, 60.0)
    seen = Seen((stop.earliest_ns, stop.latest_ns), cites, rotors.interval_s if rotors else None, max(2, len(shown)))
    if share.low > limit:
        return make_finding(subject, check, Outcome.PRESENT, words, measured, seen)
    if share.high < limits["coastdown.follow_not_share"] and stop is stops[-1]:
        return make_finding(subject, check, Outcome.ABSENT, words, measured, seen)
    return cannot_tell(check, words + " That is neither with it nor free of it.")


def _area_words(stop: Stop) -> str:
    area = stop.check_valve_area
    if area is None or area.low is None or area.low <= 0.0:
        return ""
    by = "the unloading valve's" if stop.bypass_released is Answer.YES else "that by which it empties"
    told = f"more than {area.low:.2g}" if area.high is None else f"{area.low:.2g} to {area.high:.2g}"
    return f" Leak area of the check valve over {by}: {told}."


def _own_share(subject: Subject, last: Stop) -> float | None:
    """The share at the machine's own lowest stops, None where it has too few, or where they hold as much themselves."""
    values = [
        s.follow_share.value for s in stops_before(subject)[-_OWN_STOPS:]
        if s is not last and s.follow_share is not None and s.follow_share.value is not None
    ]  # fmt: skip
    if len(values) < subject.limits["coastdown.own_least"]:
        return None
    own = float(np.quantile(values, 0.25))
    return own if own < subject.limits["coastdown.follow_share"] else None


def _spin_down_s(subject: Subject, stop: Stop) -> float | None:
    """Time until the rotors first stood after a stop, s."""
    speed = subject.record.fastest(Role.SHAFT_SPEED)
    if speed is None:
        return None
    part = speed.trusted.between(stop.time_ns, min(stop.time_ns + 120 * NS, _following(subject, stop)))
    stood = np.flatnonzero(part.v < subject.limits["coastdown.standing_rpm"])
    return (int(part.t[stood[0]]) - stop.time_ns) / NS if len(stood) else None


@detector("coastdown.spin_down_short", stops_of_window)
def spin_down_short(subject: Subject, check: str, _: list[Stop]) -> Finding:
    """Decide whether the rotors stood much sooner than in the machine's own stops of the same kind."""
    timed = [(s, t) for s in stops_before(subject)[-_OWN_STOPS:] if (t := _spin_down_s(subject, s)) is not None]
    limits = subject.limits
    shortest: tuple[float, float, Stop, int] | None = None
    for stop, seconds in timed:
        like = [t for s, t in timed if s is not stop and s.kind is stop.kind]
        if not stop.in_window or len(like) < limits["coastdown.own_least"]:
            continue
        usual = float(np.median(like))
        if usual > 0 and (shortest is None or seconds / usual < shortest[0]):
            shortest = (seconds / usual, usual, stop, len(like))
    if shortest is None:
        return cannot_tell(check, "too few own stops of the same kind with their speed sampled")
    share, usual, stop, count = shortest
    speed = subject.record.fastest(Role.SHAFT_SPEED)
    step = (speed.interval_s if speed is not None else 1.0) / usual
    measured = Value.within(share, step, "1", "coastdown.spin_down_share", above=False)
    words = (
        f"Shortest spin-down {share * usual:.1f} s, of a {stop.kind.value} stop; {usual:.1f} s is usual over {count} "
    )
    words += "own stops of that kind." + _spin_down_not_compared(subject, timed, limits["coastdown.own_least"])
    outcome = Outcome.PRESENT if share < limits["coastdown.spin_down_share"] else Outcome.ABSENT
    cites = _pressure_rows(subject, stop, (Role.SHAFT_SPEED,), 60.0)
    seen = Seen((stop.earliest_ns, stop.latest_ns), cites, speed.interval_s if speed else None, max(2, count))
    return make_finding(subject, check, outcome, words, measured, seen)


def _spin_down_not_compared(subject: Subject, timed: list[tuple[Stop, float]], least: float) -> str:
    """What the last stop of the window took, where the machine has too few of its kind to hold it against."""
    last, seconds = timed[-1]
    like = sum(1 for stop, _ in timed if stop is not last and stop.kind is last.kind)
    if not last.in_window or like >= least:
        return ""
    return f" The last stop, a {last.kind.value} one, took {seconds:.1f} s: too few own stops of its kind to compare."


@detector("coastdown.bleed_after_stop", stops_of_window)
def bleed_after_stop(subject: Subject, check: str, _: list[Stop]) -> Finding:
    """Decide whether the high side empties past the compressor: it falls fast while discharge and suction are equal."""
    decay = _decay(subject)
    if isinstance(decay, str):
        return cannot_tell(check, decay)
    fast, words, measured, stop = decay
    roles = (Role.CONDENSER_PRESSURE, Role.DISCHARGE_PRESSURE, Role.SUCTION_PRESSURE)
    seen = Seen((stop.earliest_ns, stop.latest_ns), _pressure_rows(subject, stop, roles, 120.0), None, 4)
    if fast is Outcome.ABSENT:
        return make_finding(subject, check, Outcome.ABSENT, words, measured, seen)
    if stop.high_side_gone:
        return cannot_tell(check, words + " A check valve that stands open does that.")
    residual = _residual(subject)
    if residual is None:
        return cannot_tell(check, "the residual difference can't be read: a leaking check valve looks alike")
    value, error, _ = residual
    limit = subject.limits["coastdown.residual_kpa"]
    words += f" Residual difference {value:+.1f} kPa."
    outcome = three_way(value - error, value + error, limit, above=True)
    if outcome is Outcome.CANNOT_TELL:
        return cannot_tell(check, words + " A leaking check valve looks alike.")
    turned = Outcome.ABSENT if outcome is Outcome.PRESENT else Outcome.PRESENT
    opened = _valve_before(subject, stop)
    if turned is Outcome.PRESENT and opened is not None and opened > subject.limits["coastdown.bleed_valve_open"]:
        why = f" The expansion valve stood {opened:.0f} % open when the machine stopped: it bleeds until it has shut."
        return cannot_tell(check, words + why)
    return make_finding(subject, check, turned, words, measured, seen)


def _valve_before(subject: Subject, stop: Stop) -> float | None:
    """Position of the expansion valve as the machine stopped, %; None where it is not logged."""
    point = subject.record.point(Role.EXPANSION_VALVE_POSITION)
    held = None if point is None else point.before(stop.earliest_ns + 1, max_age_s(point))
    return None if held is None else held.value
