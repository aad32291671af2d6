"""The settled window of a start and the mean of a point in it: amps or power, with the interval of that mean."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from forensics.machine.commands import Command
from forensics.machine.states import Run, start_ends
from forensics.machine.subject import Subject
from forensics.model.findings import Cite
from forensics.model.points import NS, Samples, middle
from forensics.model.record import Record
from forensics.model.vocabulary import Recorded, Role, Starter
from forensics.rules import Limits

Floats = NDArray[np.float64]
PHASES = (Role.AMPS_A, Role.AMPS_B, Role.AMPS_C)
SLIDE_RISE = 1.5
_WIDE_SAMPLE = 0.02


@dataclass(frozen=True, slots=True)
class Window:
    """Settled window of a start, ns UTC, and what ended it."""

    from_ns: int
    to_ns: int
    ended_by: str


@dataclass(frozen=True, slots=True)
class SettledCurrent:
    """Mean of a point in the settled window, half width of its interval (without the sensor's own error), samples.

    ``mean`` and ``half_width`` are in the unit of the point (A, kW); ``why_not`` says why there is no mean.
    ``unseen`` is True where only the sampling is at fault, not what the samples show.
    """

    mean: float | None
    half_width: float = 0.0
    count: int = 0
    rows: tuple[int, int] | None = None
    why_not: str = ""
    unseen: bool = False

    def cites(self, point: Samples | None) -> tuple[Cite, ...]:
        """The rows that the mean rests on."""
        if point is None or self.rows is None:
            return ()
        return (Cite(point.origin.source, point.origin.column, self.rows),)


def amps_point(record: Record) -> Samples | None:
    """The point that the settled amps are read from: the fastest motor_amps, else the mean of the phases."""
    single = record.fastest(Role.MOTOR_AMPS)
    phases = [p for p in (record.fastest(role) for role in PHASES) if p is not None]
    if phases and (single is None or phases[0].interval_s < single.interval_s / 2):
        first = phases[0]
        values = np.mean([p.at(first.t, 2 * p.interval_s) for p in phases], axis=0)
        return replace(first, role=Role.MOTOR_AMPS, v=values)
    return single


def settle_s(limits: Limits, starter: Starter | None) -> float:
    """End of inrush and transition after the begin of current, s, by starter type."""
    name = "unknown" if starter is None else starter.value.replace("-", "_")
    return limits[f"starts.settle_{name}_s"]


def settled_window(subject: Subject, run: Run, commands: Mapping[Role, Command]) -> Window:
    """From the end of inrush and transition to what ends the unloaded start, for every possible time of the start."""
    assert run.begin is not None
    limits = subject.limits
    begin = run.begin.latest_ns + round(settle_s(limits, subject.machine.starter) * NS)
    longest = run.begin.earliest_ns + round(limits["starts.settled_longest_s"] * NS)
    stopped = run.end.earliest_ns if run.end is not None else run.last_ns
    ends: list[tuple[int, str]] = [(longest, "60 s"), (stopped, "end of current")]
    ended, told, by = start_ends(run, commands, limits, subject.profile)
    if told:
        edge = next(e for e in commands[Role(by)].edges(ended, ended + 1))
        ends.append((edge.earliest_ns, by))
    else:
        rise = _slide_rise(subject.record, run, longest)
        if rise is not None:
            ends.append((rise, Role.SLIDE_POSITION.value))
    end, by = min(ends)
    never_unloaded = by == Role.LOAD_SOLENOID.value and end <= run.begin.latest_ns
    if (not told and by == "60 s") or never_unloaded:
        # nothing tells when loading became possible, or the load command was there from the first: the fixed window
        begin = max(begin, run.begin.latest_ns + round(limits["starts.settled_from_s"] * NS))
        if never_unloaded:
            return Window(begin, min(longest, stopped), "60 s (loaded from the first)")
        fixed = run.begin.earliest_ns + round(limits["starts.settled_to_s"] * NS)
        return Window(begin, fixed, "30 s (no command logged)")
    return Window(begin, end, by)


def _slide_rise(record: Record, run: Run, until_ns: int) -> int | None:
    slide = record.fastest(Role.SLIDE_POSITION)
    if slide is None:
        return None
    part = slide.usable.between(run.first_ns, until_ns)
    if len(part) < 2:  # noqa: PLR2004 - a rise needs two
        return None
    first = slide.before(run.first_ns)
    base = first.value if first is not None else float(part.v[0])
    risen = np.flatnonzero(part.v > base + SLIDE_RISE)
    return int(part.t[max(risen[0] - 1, 0)]) if len(risen) else None


def settled_in(subject: Subject, window: Window, point: Samples, rated: float | None) -> SettledCurrent:
    """Mean of a point in the settled window; ``rated`` is its value at rated load, None where that is not known."""
    t, v, row = _samples(point, window.from_ns, window.to_ns)
    if not len(v):
        reason = f"no sample between the end of inrush and the end of the unloaded start ({point.interval_s:g} s apart)"
        return SettledCurrent(None, why_not=reason, unseen=True)
    if subject.machine.starter is Starter.VARIABLE_SPEED:
        t, v, row, reason = _steady_speed(subject, t, v, row)
        if reason:
            return SettledCurrent(None, why_not=reason)
    # what is left of the inrush at the front of the window is dropped: it stands far off the later half
    later = middle(v[len(v) // 2 :])
    near = np.abs(v - later) <= 0.1 * later
    first = int(np.argmax(near)) if near.any() else 0
    v, row = v[first:], row[first:]
    if rated is not None and later > subject.limits["starts.still_inrush"] * rated:
        return SettledCurrent(None, why_not="the current did not settle: it stayed far above rated")
    spread = 1.4826 * middle(np.abs(v - middle(v))) if len(v) > 1 else _WIDE_SAMPLE * later
    half = 2.0 * spread / float(np.sqrt(len(v))) + _coarseness(point)
    return SettledCurrent(float(np.mean(v)), half, len(v), (int(row[0]), int(row[-1])))


def _samples(point: Samples, begin: int, end: int) -> tuple[NDArray[np.int64], Floats, NDArray[np.int64]]:
    part = point.usable.between(begin, max(begin, end))
    if point.origin.recorded is not Recorded.CHANGE or end <= begin:
        return part.t, part.v, part.row
    # a change log holds its last value: read it every second
    held = point.usable
    grid = np.arange(begin, end, NS, dtype=np.int64)
    known = np.isfinite(held.at(grid))
    grid = grid[known]
    index = np.searchsorted(held.t, grid, side="right") - 1
    return grid, held.v[index], held.row[index]


def _coarseness(point: Samples) -> float:
    """Half a step of the reading, and for change logs the deadband: the smallest changes that were written."""
    half = point.resolution / 2
    if point.origin.recorded is Recorded.CHANGE and len(point.usable) > 10:  # noqa: PLR2004 - a few changes tell nothing
        step = np.abs(np.diff(point.usable.v))
        step = step[step > 0]
        half += float(np.quantile(step, 0.1)) if len(step) else 0.0
    return half


def _steady_speed(
    subject: Subject, t: NDArray[np.int64], v: Floats, row: NDArray[np.int64]
) -> tuple[NDArray[np.int64], Floats, NDArray[np.int64], str]:
    drive = subject.record.fastest(Role.DRIVE_HERTZ)
    if drive is None:
        return t, v, row, "with a variable-speed starter the ratio needs drive_hertz"
    hertz = drive.at(t, 3 * drive.interval_s)
    if not np.isfinite(hertz).any():
        return t, v, row, "no drive_hertz while the amps settled"
    last = float(hertz[np.isfinite(hertz)][-1])
    steady = np.abs(hertz - last) <= subject.limits["starts.speed_steady"] * last
    at_line = subject.machine.current_sensor.measured_at in ("line", "drive")
    rated = subject.machine.supply_hertz
    if at_line and rated is not None and last < (1 - subject.limits["starts.speed_steady"]) * rated:
        return t, v, row, "amps taken on the supply side of a drive below rated frequency do not tell the load"
    return t[steady], v[steady], row[steady], "" if steady.any() else "the drive was still ramping"
