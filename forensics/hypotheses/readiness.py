"""What a case could show before it is judged: its clocks, and which modes its points and intervals let be seen.

Nothing is judged here: whether a mode could be seen follows from what its checks need and what was logged.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from forensics.clocks import ClockFit, fit_clocks
from forensics.errors import Problem
from forensics.hypotheses.evidence import Observability
from forensics.hypotheses.modes import FailureMode, read_modes
from forensics.intake import check_untouched
from forensics.intake.load_case import Case
from forensics.machine.duty.line_amps import IN_DELTA
from forensics.model.points import NS, Samples
from forensics.model.record import Record
from forensics.model.switches import Switch
from forensics.model.vocabulary import ClockMethod, Role
from forensics.rules import Check, Need, read_checks

Logged = Mapping[Role, tuple[float, str]]


@dataclass(frozen=True)
class Readiness:
    """A case as it stands before it is judged.

    Attributes
    ----------
    logged
        Interval in s and record type of the fastest point of each role.
    """

    case: Case
    clocks: tuple[ClockFit, ...]
    logged: Logged
    observability: tuple[Observability, ...]
    assumptions: tuple[str, ...]
    problems: tuple[Problem, ...]


def ready(case: Case) -> Readiness:
    """Say what a case could show; judges nothing."""
    logged = logged_points(case.record)
    clocks = fit_clocks(case.record, case.file, case.limits)
    return Readiness(
        case=case,
        clocks=clocks,
        logged=logged,
        observability=in_sight(logged),
        assumptions=taken_for_granted(case, clocks),
        problems=(*case.problems, *check_untouched([reading.exhibit for reading in case.readings])),
    )


def logged_points(record: Record) -> dict[Role, tuple[float, str]]:
    """Interval and record type of the fastest point of each role, channels of waveform records included."""
    fastest: dict[Role, Samples | Switch] = {role: found[0] for role, found in record.samples.items() if found}
    fastest |= {role: found[0] for role, found in record.switches.items() if found}
    points = {role: (point.interval_s, point.origin.recorded.value) for role, point in fastest.items()}
    for waveform in record.waveforms:
        for role in waveform.analog:
            points.setdefault(role, (waveform.interval_s, "instant"))
    return points


def in_sight(logged: Logged) -> tuple[Observability, ...]:
    """Which modes could be seen with these points and intervals, and what would let more of them be seen."""
    checks = read_checks()
    return tuple(_row(rule, checks, logged) for rule in read_modes(checks).causes)


def _row(rule: FailureMode, checks: Mapping[str, Check], logged: Logged) -> Observability:
    lacks = {
        check: [need for need in checks[check].needs if not _is_met(need, logged)]
        for need_of in rule.required
        for check in need_of.any_
    }
    seen = [[not lacks[check] for check in need.any_] for need in rule.required]
    if not rule.required:
        state = "partly"
    elif all(any(need) for need in seen) and any(all(need) for need in seen):
        state = "yes"
    else:
        state = "partly" if any(any(need) for need in seen) else "no"
    wanting = [need for needs in lacks.values() for need in needs]
    why = "; ".join(dict.fromkeys(_lack(need, logged) for need in wanting)) or "all that it needs is logged"
    unlock = "" if state == "yes" or not wanting else f"log {_wanted(wanting[0])}"
    return Observability(rule.id, state, why, unlock)


def _is_met(need: Need, logged: Logged) -> bool:
    slow = need.longest_interval_s
    return any(slow is None or logged[role][0] <= slow for role in need.roles if role in logged)


def _wanted(need: Need) -> str:
    rate = "" if need.longest_interval_s is None else f" every {need.longest_interval_s:g} s or faster"
    return f"{need.roles[0].value}{rate}"


def _lack(need: Need, logged: Logged) -> str:
    have = [(logged[role][0], role) for role in need.roles if role in logged]
    if not have:
        return f"no {' or '.join(role.value for role in need.roles)}"
    interval_s, role = min(have)
    return f"{role.value} every {interval_s:g} s, needed every {need.longest_interval_s:g} s"


def taken_for_granted(case: Case, clocks: tuple[ClockFit, ...], sensors: tuple[str, ...] = ()) -> tuple[str, ...]:
    """What was taken for granted, said in words.

    Parameters
    ----------
    sensors
        What the judgement found of the current sensors.
    """
    said = [case.failure_found] if case.failure_found else []
    reference = next(fit for fit in clocks if fit.method is ClockMethod.REFERENCE)
    if reference.utc_error_s is None:
        said.append(
            f"UTC is as the clock '{reference.clock}' tells it: no check of that clock against true time is noted."
        )
    for fit in clocks:
        if fit.method is ClockMethod.NOT_POSSIBLE:
            said.append(
                f"The offset of clock '{fit.clock}' can't be told; its stamps stand as written and prove no order."
            )
    said += _late_begins(case)
    machine = case.file.machine
    if not machine.sequence_confirmed:
        said.append("Valve polarity was not checked on this machine: what rests on commands alone is possible at most.")
    if machine.current_sensor.ratio_error_percent is None:
        said.append("The accuracy of the current sensor is not given: the default of the rules is used.")
    if machine.current_sensor.place == IN_DELTA:
        said.append("The current sensors sit inside the delta: their readings are taken times root 3, as line amps.")
    said += sensors
    if case.saturation_missing:
        said.append(case.saturation_missing)
    return tuple(said)


def _late_begins(case: Case) -> list[str]:
    """Trends that begin inside the window: a logger that was filled drops its oldest rows without a word."""
    # stamps of another clock may be off by as much as clocks are searched for; event lists begin with an event
    room_s = case.limits["clocks.search_s"]
    begins: dict[str, int] = {}
    for reading in case.readings:
        if reading.kind == "trend" and reading.first_ns is not None:
            name = reading.joined_as or reading.exhibit.path
            begins[name] = min(reading.first_ns, begins.get(name, reading.first_ns))
    late = [(name, (first_ns - case.record.window.start_ns) / NS) for name, first_ns in begins.items()]
    return [
        f"'{path}' begins {late_s / 3600:.3g} h after the window that is judged: what was before was not recorded, "
        "or was overwritten."
        for path, late_s in late
        if late_s > room_s
    ]
