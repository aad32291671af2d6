"""Current that a contactor passed without a command: run-on after a stop order, and a return of current."""

from __future__ import annotations

import numpy as np

from forensics.machine.citations import rows_of
from forensics.machine.phases import before_failure, widened
from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.points import NS, OFF, ON, UNKNOWN, Edge, Samples
from forensics.model.role_words import in_words
from forensics.model.switches import Switch
from forensics.model.vocabulary import Outcome, Quality, Recorded, Role
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.core.needs import nothing
from forensics.signatures.electrical.motor import motor_current

_CONTACT_WORDS = ("contact", "schutz", "schuetz", "starter", "auxiliary", "feedback", "status", "teleruttore")
_ON_WORDS = frozenset({"on", "closed", "1", "true", "active", "running"})
_OFF_WORDS = frozenset({"off", "open", "0", "false", "inactive", "stopped"})
_UNBROKEN = 3  # intervals: readings further apart than that are no unbroken course
_REFERENCES = (Role.RUN_STATUS, Role.TRIP, Role.RUN_COMMAND)


@detector("electrical.current_without_command", nothing)
def current_without_command(subject: Subject, check: str) -> Finding:
    """Decide whether current flowed after the machine was told to stop: welded or held contacts.

    References in turn: the run status off, a trip on, the run command off (a stop sequence may run the motor on for a
    while after that one). A current sensor that keeps its reading while the pressures equalise is not current.
    """
    point, why = motor_current(subject)
    if point is None:
        return cannot_tell(check, why)
    rated = subject.machine.rated_load_amps or float(np.percentile(point.v, 99))
    level = subject.limits["electrical.off_share"] * rated
    found: list[Finding] = []
    watched = doubted = 0
    for role in _REFERENCES:
        switch = subject.record.switch(role)
        if switch is None:
            continue
        hit, seen, open_orders = _after(subject, check, point, switch, level, rated)
        watched, doubted = watched + seen, doubted + open_orders
        if hit is not None:
            found.append(hit)
    returned = _returned(subject, check, point, level)
    found += [] if returned is None else [returned]
    if found:
        return next((f for f in found if f.outcome is Outcome.PRESENT), found[0])
    if doubted:
        return cannot_tell(
            check, f"{doubted} stop orders contradict another log, or stood for a time that is not known"
        )
    if not watched:
        why = "no stop of a run status, trip or run command with current logged after it"
        return cannot_tell(check, why, lacking=[Role.RUN_STATUS])
    span = before_failure(subject)
    text = f"the current ended after each of {watched} stop orders"
    return make_finding(
        subject,
        check,
        Outcome.ABSENT,
        text,
        Value.exact(0.0, "s", "electrical.run_on_s", above=True),
        Seen((span.start_ns, span.end_ns), rows_of(point, span.start_ns, span.end_ns), point.interval_s, watched),
    )


def _after(
    subject: Subject, check: str, point: Samples, switch: Switch, level: float, rated: float
) -> tuple[Finding | None, int, int]:
    """The worst run-on after the stop orders of one switch, how many could be watched, and how many are in doubt."""
    limits = subject.limits
    unsure_s = widened(subject, point.origin.clock, switch.origin.clock)
    if not np.isfinite(unsure_s):
        return None, 0, 0
    name = "electrical.run_on_command_s" if switch.role is Role.RUN_COMMAND else "electrical.run_on_s"
    allowed_s = max(limits[name], 3 * point.interval_s, 3 * switch.interval_s) + unsure_s
    to = ON if switch.role is Role.TRIP else OFF
    window = subject.record.window
    worst: tuple[float, int, int] | None = None
    seen = doubted = 0
    for edge in switch.edges:
        if edge.to != to or not window.holds(edge.latest_ns):
            continue
        until = _next_order(switch, edge.latest_ns, to, window.end_ns)
        begin = edge.latest_ns + round(allowed_s * NS)
        flows_to = _flows_from(point, begin, until - round(unsure_s * NS), level)
        if flows_to is None:
            # a current that flows where it is read next is neither shown nor excluded
            later = point.between(begin, _taken_back(switch, edge.latest_ns, to, window.end_ns) - round(unsure_s * NS))
            doubted += bool(len(later) and later.v[0] > level)
            continue
        if flows_to > begin and _order_in_doubt(subject, switch, edge, begin):
            doubted += 1
            continue
        seen += 1
        if flows_to > begin and (worst is None or flows_to - edge.latest_ns > worst[2] - worst[1]):
            worst = ((flows_to - edge.latest_ns) / NS, edge.latest_ns, flows_to)
    if worst is None:
        return None, seen, doubted
    seconds, begin, end = worst
    part = point.between(begin, end + 1)
    if _dead_sensor(subject, point, begin, end, rated):
        why = "a current is shown after the stop, but the pressures equalise: the sensor may hold its reading"
        return cannot_tell(check, why), seen, doubted
    value = float(np.median(part.v)) if len(part) else level
    text = f"{value:.3g} A for {seconds:.0f} s after {in_words(switch.role)} said stop"
    count = int((part.v > level).sum())
    finding = make_finding(
        subject,
        check,
        Outcome.PRESENT,
        text,
        Value.exact(seconds, "s", name, above=True, limit=allowed_s),
        Seen(
            (begin, end),
            rows_of(part, begin, end),
            point.interval_s,
            max(count, 1),
            clocks=(point.origin.clock, switch.origin.clock),
        ),
    )
    return finding, seen, doubted


def _returned(subject: Subject, check: str, point: Samples, level: float) -> Finding | None:
    """Current that comes back after it had ended, or a contactor that closes again, while the run command stays off."""
    record, limits = subject.record, subject.limits
    command, status = record.switch(Role.RUN_COMMAND), record.switch(Role.RUN_STATUS)
    if command is None:
        return None
    unsure_s = widened(subject, point.origin.clock, command.origin.clock)
    if not np.isfinite(unsure_s):
        return None
    allowed_s = max(limits["electrical.run_on_s"], 3 * point.interval_s, 3 * command.interval_s) + unsure_s
    # a little of what came before the window tells whether current flowed as it opened
    judged = point.between(record.window.start_ns - round(allowed_s * NS), record.window.end_ns)
    closings = [e for e in judged.crossings(0.5 * level, level, 0.0) if e.to == ON]
    closings += [e for e in status.edges if e.to == ON] if status is not None else []
    best: tuple[int, int] | None = None
    for edge in closings:
        begin = edge.latest_ns
        if not record.window.holds(begin):
            continue
        if any(command.at(t) != OFF for t in (edge.earliest_ns, begin, begin + round(allowed_s * NS))):
            continue
        until = _next_order(command, begin, OFF, record.window.end_ns)
        flows_to = _flows_from(point, begin, until - round(unsure_s * NS), level)
        if flows_to is None or (flows_to - begin) / NS <= allowed_s:
            continue
        if command.origin.recorded is Recorded.CHANGE and not _wrote(subject, command, edge.earliest_ns, flows_to):
            continue
        if best is None or flows_to - begin > best[1] - best[0]:
            best = (begin, flows_to)
    if best is None:
        return None
    part = point.between(best[0], best[1] + 1)
    seconds = (best[1] - best[0]) / NS
    amps = float(np.median(part.v)) if len(part) else level
    return make_finding(
        subject,
        check,
        Outcome.PRESENT,
        f"{amps:.3g} A came back for {seconds:.0f} s while the command was off",
        Value.exact(seconds, "s", "electrical.run_on_s", above=True, limit=allowed_s),
        Seen(
            best,
            rows_of(part, *best),
            point.interval_s,
            max(int((part.v > level).sum()), 1),
            clocks=(point.origin.clock, command.origin.clock),
        ),
    )


def _flows_from(point: Samples, begin_ns: int, end_ns: int, level: float) -> int | None:
    """Until when current flows without a break from ``begin_ns``; that time itself for none, None where not seen."""
    part = point.between(begin_ns, end_ns)
    if point.origin.recorded is Recorded.CHANGE:
        held = point.before(begin_ns)
        if held is None or end_ns <= begin_ns:
            return None
        if point.lost is not None:
            # what the log wrote last is believed to its silence and no longer
            end_ns = min([end_ns, *point.lost[(point.lost > begin_ns) & (point.lost < end_ns)].tolist()])
        if held.value <= level:
            return begin_ns
        below = np.flatnonzero(part.v <= level)
        return int(part.t[below[0]]) if len(below) else end_ns
    # a log that was silent at the order tells nothing of it, and one that falls silent nothing of what comes after
    apart_ns = round(_UNBROKEN * point.interval_s * NS)
    stamps = np.concatenate(([begin_ns], part.t))
    gaps = np.flatnonzero(np.diff(stamps) > apart_ns)
    part = part.between(begin_ns, int(stamps[gaps[0]]) + 1) if len(gaps) else part
    if not len(part):
        return None
    flows = part.v > level
    if not flows[0]:
        return begin_ns
    return int(part.t[-1]) if flows.all() else int(part.t[int(np.argmin(flows)) - 1])


def _taken_back(switch: Switch, time_ns: int, to: int, end_ns: int) -> int:
    return next((e.earliest_ns for e in switch.edges if e.latest_ns > time_ns and e.to != to), end_ns)


def _next_order(switch: Switch, time_ns: int, to: int, end_ns: int) -> int:
    """When an order to stop was taken back at the earliest.

    A log of changes that writes the same state twice has lost the row between: how long the first stood is not known.
    """
    taken_back = _taken_back(switch, time_ns, to, end_ns)
    if switch.origin.recorded is not Recorded.CHANGE:
        return taken_back
    said = switch.state != UNKNOWN
    t, state = switch.t[said], switch.state[said]
    again = state[1:] == state[:-1]
    lost = t[1:][again & (state[1:] == to)]
    after = lost[(lost > time_ns) & (lost < taken_back)]
    return time_ns if len(after) else taken_back


def _wrote(subject: Subject, switch: Switch, start_ns: int, end_ns: int) -> bool:
    """Whether the source of a log of changes wrote anything in a span: a silent one has no word on what was ordered."""
    points = [p for found in (subject.record.samples, subject.record.switches) for role in found.values() for p in role]
    slack_ns = round(max(switch.interval_s, 1.0) * NS)
    stamps = [p.t for p in points if p.origin.source == switch.origin.source]
    return any(bool(((t >= start_ns - slack_ns) & (t <= end_ns + slack_ns)).any()) for t in stamps)


def _order_in_doubt(subject: Subject, switch: Switch, edge: Edge, begin_ns: int) -> bool:
    """Whether another log says that the motor was told to run, or ran, when this one says that it was told to stop.

    Current with a command is not current without one: a row may be lost, or have a wrong stamp.
    """
    roles = (Role.RUN_COMMAND,) if switch.role is not Role.RUN_STATUS else (Role.RUN_STATUS, Role.RUN_COMMAND)
    for role in roles:
        for other in subject.record.switches.get(role, ()):
            if other is switch:
                continue
            apart_s = widened(subject, switch.origin.clock, other.origin.clock)
            if not np.isfinite(apart_s):
                continue
            times = (edge.latest_ns, begin_ns, begin_ns + round(apart_s * NS))
            if all(other.at(time) == ON for time in times):
                return True
    return False


def _dead_sensor(subject: Subject, point: Samples, begin_ns: int, end_ns: int, rated: float) -> bool:
    """Whether the current reading is held or flat while discharge and suction come together."""
    part = point.between(begin_ns, end_ns + 1)
    if len(part) and bool(((part.q & int(Quality.STUCK | Quality.HELD)) != 0).all()):
        return True
    high = subject.record.point(Role.DISCHARGE_PRESSURE)
    low = subject.record.point(Role.SUCTION_PRESSURE)
    if high is None or low is None:
        return len(part) > 5 and float(np.ptp(part.v)) == 0.0  # noqa: PLR2004 - some flat samples
    times = np.array([begin_ns - 10 * NS, end_ns], dtype=np.int64)
    difference = high.at(times) - low.at(times)
    equal = bool(np.isfinite(difference).all() and difference[0] > 0 and difference[1] < 0.2 * difference[0])
    return equal and bool(len(part)) and float(np.median(part.v)) < rated
