"""The table of starts: inrush, settled amps, ratio with its interval, unloaded or not, direction, the stop before."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from forensics.commands import Command, read_commands
from forensics.findings import Cite, Share, Start
from forensics.points import NS, Samples, middle
from forensics.record import Record
from forensics.rules import Limits
from forensics.signatures.across import Difference, across_rotors
from forensics.signatures.base import Subject
from forensics.signatures.rotation import at_start
from forensics.signatures.stop_kind import classify_stop
from forensics.states import Run, start_ends
from forensics.vocabulary import Answer, Outcome, PreviousStop, Recorded, Role, Starter

Floats = NDArray[np.float64]
_PHASES = (Role.AMPS_A, Role.AMPS_B, Role.AMPS_C)
_SLIDE_RISE = 1.5


def list_starts(subject: Subject) -> tuple[Start, ...]:
    """Tabulate every start of the record, history included.

    Settled amps are the mean from the end of inrush and transition (by starter type) to the first of unloading valve
    shut, unload released, load pulse or rise of the slide, 60 s at most; 15 to 30 s after current begins where none of
    these is logged. A sample counts only where it lies in that window for every possible time of the start. The
    ratio's interval adds sensor accuracy, spread of the samples, their resolution and a change log's deadband.

    Returns
    -------
    tuple of Start
        In time order.
    """
    amps, why_no_amps = _amps(subject.record)
    commands = read_commands(subject.record, subject.profile)
    rotors = across_rotors(subject)
    table = []
    for index, run in enumerate(subject.runs):
        if run.begin is None:
            continue
        before = subject.runs[index - 1] if index else None
        table.append(_start(subject, run, before, (amps, why_no_amps), commands, rotors))
    return _judged(subject, tuple(table))


def unloaded_share(starts: tuple[Start, ...]) -> Share:
    """Share of unloaded starts among those that could be judged, with its 95 % interval.

    Method: score interval of E. B. Wilson (1927), J. Am. Stat. Assoc. 22, 209-212.
    """
    yes = sum(1 for s in starts if s.unloaded is Answer.YES)
    no = sum(1 for s in starts if s.unloaded is Answer.NO)
    unknown = len(starts) - yes - no
    if not yes + no:
        return Share(0, 0, unknown, None, None, None)
    low, high = wilson(yes, yes + no)
    return Share(yes, yes + no, unknown, yes / (yes + no), low, high)


_Z95 = 1.959963984540054


def wilson(count: int, of: int) -> tuple[float, float]:
    """95 % score interval of a share (Wilson 1927); ``of`` must be positive."""
    share, z2 = count / of, _Z95**2
    middle = (share + z2 / (2 * of)) / (1 + z2 / of)
    half = _Z95 / (1 + z2 / of) * np.sqrt(share * (1 - share) / of + z2 / (4 * of * of))
    return max(0.0, float(middle - half)), min(1.0, float(middle + half))


def _amps(record: Record) -> tuple[Samples | None, str]:
    """The point that the settled amps are read from: the fastest motor_amps, else the mean of the phases."""
    single = record.point(Role.MOTOR_AMPS)
    phases = [p for p in (record.point(role) for role in _PHASES) if p is not None]
    if phases and (single is None or phases[0].interval_s < single.interval_s / 2):
        first = phases[0]
        values = np.mean([p.at(first.t, 2 * p.interval_s) for p in phases], axis=0)
        return replace(first, role=Role.MOTOR_AMPS, v=values), ""
    return single, "" if single is not None else "no motor_amps"


@dataclass(frozen=True, slots=True)
class Settled:
    """Samples of the settled window: mean, half width of its interval (without the sensor's ratio error), count."""

    amps: float | None
    half_width: float
    count: int
    from_ns: int
    to_ns: int
    ended_by: str
    rows: tuple[int, int] | None
    why_not: str = ""


def _start(
    subject: Subject,
    run: Run,
    before: Run | None,
    amps: tuple[Samples | None, str],
    commands: Mapping[Role, Command],
    rotors: Difference | None,
) -> Start:
    assert run.begin is not None
    record = subject.record
    settled = _settled(subject, run, amps, commands)
    ratio, low, high, why = _ratio(subject, settled)
    ending = classify_stop(subject, before) if before is not None else None
    off_s = (run.first_ns - before.last_ns) / NS if before is not None and before.end is not None else None
    return Start(
        run.first_ns,
        run.begin.earliest_ns,
        run.begin.latest_ns,
        inrush_amps=_inrush(record, run, settle_s(subject.limits, subject.machine.starter or Starter.ACROSS_THE_LINE)),
        settled_amps=settled.amps,
        ratio=ratio,
        low=low,
        high=high,
        why_not=why,
        reverse_rotation=_direction(subject, run, rotors),
        previous_stop=ending.as_previous if ending is not None else PreviousStop.UNKNOWN,
        off_s=off_s,
        ran_s=(run.last_ns - run.first_ns) / NS if run.end is not None else None,
        slide_percent=_slide(record, run, settled),
        settled_from_ns=settled.from_ns,
        settled_to_ns=settled.to_ns,
        settled_ended_by=settled.ended_by,
        settled_samples=settled.count,
        in_window=record.window.start_ns <= run.first_ns < record.window.end_ns,
        cites=_cites(amps[0], settled, run),
    )


def settle_s(limits: Limits, starter: Starter | None) -> float:
    """End of inrush and transition after the begin of current, s, by starter type."""
    name = "unknown" if starter is None else starter.value.replace("-", "_")
    return limits[f"starts.settle_{name}_s"]


def _window(subject: Subject, run: Run, commands: Mapping[Role, Command]) -> tuple[int, int, str]:
    """Settled window of a start, ns UTC, and what ended it."""
    assert run.begin is not None
    limits = subject.limits
    begin = run.begin.latest_ns + round(settle_s(limits, subject.machine.starter) * NS)
    longest = run.begin.earliest_ns + round(limits["starts.settled_longest_s"] * NS)
    stopped = run.end.earliest_ns if run.end is not None else run.last_ns
    ends: list[tuple[int, str]] = [(longest, "60 s"), (stopped, "end of current")]
    _, told, by = start_ends(run, commands, limits)
    if told:
        ends.append((_earliest_edge(run, commands, by, limits), by))
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
            return begin, min(longest, stopped), "60 s (loaded from the first)"
        fixed = run.begin.earliest_ns + round(limits["starts.settled_to_s"] * NS)
        return begin, fixed, "30 s (no command logged)"
    return begin, end, by


def _earliest_edge(run: Run, commands: Mapping[Role, Command], by: str, limits: Limits) -> int:
    command = commands[Role(by)]
    end, _, _ = start_ends(run, commands, limits)
    edge = next(e for e in command.edges(end, end + 1))
    return edge.earliest_ns


def _slide_rise(record: Record, run: Run, until_ns: int) -> int | None:
    slide = record.point(Role.SLIDE_POSITION)
    if slide is None:
        return None
    part = slide.usable.between(run.first_ns, until_ns)
    if len(part) < 2:  # noqa: PLR2004 - a rise needs two
        return None
    first = slide.before(run.first_ns)
    base = first.value if first is not None else float(part.v[0])
    risen = np.flatnonzero(part.v > base + _SLIDE_RISE)
    return int(part.t[max(risen[0] - 1, 0)]) if len(risen) else None


def _settled(subject: Subject, run: Run, amps: tuple[Samples | None, str], commands: Mapping[Role, Command]) -> Settled:
    point, why = amps
    begin, end, by = _window(subject, run, commands)
    if point is None:
        return Settled(None, 0.0, 0, begin, end, by, None, why)
    t, v, row = _samples(point, begin, end)
    if not len(v):
        reason = f"no sample between the end of inrush and the end of the unloaded start ({point.interval_s:g} s apart)"
        return Settled(None, 0.0, 0, begin, end, by, None, reason)
    if subject.machine.starter is Starter.VARIABLE_SPEED:
        t, v, row, reason = _steady_speed(subject, t, v, row)
        if reason:
            return Settled(None, 0.0, 0, begin, end, by, None, reason)
    # what is left of the inrush at the front of the window is dropped: it stands far off the later half
    later = middle(v[len(v) // 2 :])
    near = np.abs(v - later) <= 0.1 * later
    first = int(np.argmax(near)) if near.any() else 0
    t, v, row = t[first:], v[first:], row[first:]
    rated = subject.machine.rated_load_amps
    if rated is not None and later > subject.limits["starts.still_inrush"] * rated:
        reason = "the current did not settle: it stayed far above rated"
        return Settled(None, 0.0, 0, begin, end, by, None, reason)
    spread = 1.4826 * middle(np.abs(v - middle(v))) if len(v) > 1 else 0.02 * later
    half = 2.0 * spread / np.sqrt(len(v)) + _coarseness(point)
    return Settled(float(np.mean(v)), half, len(v), begin, end, by, (int(row[0]), int(row[-1])))


def _samples(point: Samples, begin: int, end: int) -> tuple[NDArray[np.int64], Floats, NDArray[np.int64]]:
    part = point.usable.between(begin, max(begin, end))
    if point.origin.recorded is not Recorded.CHANGE or end <= begin:
        return part.t, part.v, part.row
    # a change log holds its last value: read it every second
    held = point.usable
    grid = np.arange(begin, end, NS, dtype=np.int64)
    index = np.searchsorted(held.t, grid, side="right") - 1
    index = index[index >= 0]
    return grid[: len(index)], held.v[index], held.row[index]


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
    drive = subject.record.point(Role.DRIVE_HERTZ)
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


def _ratio(subject: Subject, settled: Settled) -> tuple[float | None, float | None, float | None, str]:
    rated = subject.machine.rated_load_amps
    if settled.amps is None:
        return None, None, None, settled.why_not
    if rated is None:
        return None, None, None, "no rated_load_amps on the nameplate given"
    given = subject.machine.current_sensor.ratio_error_percent
    percent = given if given is not None else subject.limits["starts.sensor_error_percent"]
    half = settled.amps * percent / 100 + settled.half_width
    return settled.amps / rated, (settled.amps - half) / rated, (settled.amps + half) / rated, ""


def _inrush(record: Record, run: Run, lasts_s: float) -> float | None:
    """Largest current of the start, A; None where no point is sampled fast enough to have a sample in the inrush.

    ``lasts_s`` is how long inrush and transition last at most; a sample in it is sure only at that interval or faster,
    and a maximum that a logger formed itself (recorded ``maximum``) holds at any interval.
    """
    found = []
    for role in (Role.MOTOR_AMPS, *_PHASES):
        for point in record.samples.get(role, ()):
            if point.interval_s > lasts_s / 2.0 and point.origin.recorded is not Recorded.MAXIMUM:
                continue
            part = point.usable.between(run.first_ns - NS, min(run.first_ns + 15 * NS, run.last_ns + NS))
            if len(part):
                found.append(float(np.max(part.v)))
    return max(found) if found else None


def _slide(record: Record, run: Run, settled: Settled) -> float | None:
    """Slide position over the unloaded start: its samples in the window, else the readings on both sides of it."""
    slide = record.point(Role.SLIDE_POSITION)
    if slide is None or run.begin is None:
        return None
    part = slide.usable.between(run.begin.earliest_ns, settled.to_ns)
    if len(part):
        return middle(part.v)
    change = slide.origin.recorded is Recorded.CHANGE
    before = slide.before(run.begin.earliest_ns, None if change else 120.0)
    if change:
        return None if before is None else before.value
    after = slide.after(run.begin.earliest_ns, 120.0)
    if before is None or after is None:
        return None
    # the slide does not move at rest: both sides alike bound it
    return max(before.value, after.value) if abs(before.value - after.value) < 2 * _SLIDE_RISE else None


def _direction(subject: Subject, run: Run, rotors: Difference | None) -> Outcome:
    """Whether the motor started backwards: measured, else by the pressures in its first seconds."""
    until = min(run.last_ns, run.first_ns + 60 * NS)
    measured = at_start(subject, run.first_ns + 3 * NS, until)
    if measured.outcome is not Outcome.CANNOT_TELL:
        return measured.outcome
    return by_pressures(subject, run, rotors)


def by_pressures(subject: Subject, run: Run, rotors: Difference | None) -> Outcome:
    """Direction of a start by pressures: discharge below suction and falling is backwards, above and rising forward.

    Crossed pressure lines look alike but for the size of both movements and the oil: then it is cannot-tell.
    """
    limits = subject.limits
    if rotors is None or rotors.interval_s > limits["coastdown.fast_interval_s"] * 5:
        return Outcome.CANNOT_TELL
    until = min(run.last_ns, run.first_ns + 60 * NS)
    before = rotors.last_before(run.first_ns - 2 * NS, max(20.0, 2 * rotors.interval_s))
    _, values = rotors.between(run.first_ns + 2 * NS, until)
    if before is None or len(values) < 3:  # noqa: PLR2004 - three samples make a course
        return Outcome.CANNOT_TELL
    tail = middle(values[-max(3, len(values) // 3) :])
    margin = limits["starts.backwards_kpa"] + rotors.offset_error_kpa / 2
    if tail - before > limits["starts.lift_kpa"] and tail > limits["starts.lift_kpa"]:
        return Outcome.ABSENT
    if before < margin and tail < -margin and _falls_not_crossed(run, rotors, until):
        return Outcome.PRESENT
    return Outcome.CANNOT_TELL


def _falls_not_crossed(run: Run, rotors: Difference, until: int) -> bool:
    """Discharge fell, suction hardly rose, and no oil difference came: not two pressure lines crossed."""
    first = [p.before(run.first_ns - 2 * NS) for p in (rotors.upper, rotors.lower)]
    last = [p.before(until) for p in (rotors.upper, rotors.lower)]
    if first[0] is None or first[1] is None or last[0] is None or last[1] is None:
        return False
    fell, rose = first[0].value - last[0].value, last[1].value - first[1].value
    return fell > 0 and rose < max(0.5 * fell, 10.0) and rose > -10.0  # noqa: PLR2004 - about the error of a sensor


def _cites(point: Samples | None, settled: Settled, run: Run) -> tuple[Cite, ...]:
    if point is None:
        return ()
    if settled.rows is not None:
        return (Cite(point.origin.source, point.origin.column, settled.rows),)
    if run.begin is not None and run.seen_in.partition("+")[0] == Role.MOTOR_AMPS.value:
        return (Cite(point.origin.source, point.origin.column, (run.begin.row, run.begin.row)),)
    return ()


def _judged(subject: Subject, starts: tuple[Start, ...]) -> tuple[Start, ...]:
    """Say of each start whether it was unloaded: by slide, then the machine's own starts, then the limit."""
    limits = subject.limits
    limit = limits["starts.unloaded_ratio_max"]
    below = [s.ratio for s in starts if s.ratio is not None and s.high is not None and s.high <= limit]
    own = float(np.quantile(below, 0.25)) if len(below) >= limits["starts.own_least"] else None
    out = []
    for start in starts:
        answer, by, why = judge_unloaded(start, own, limits)
        out.append(replace(start, unloaded=answer, judged_by=by, why_not=why))
    return tuple(out)


def judge_unloaded(start: Start, own: float | None, limits: Limits) -> tuple[Answer, str, str]:
    """Whether one start was unloaded, what judged it, and why it can't be told.

    ``own`` is the usual ratio of the machine's own unloaded starts, None where it has too few.
    """
    by_slide = _by_slide(start, limits)
    by_ratio, ratio_by, why = _by_ratio(start, own, limits)
    if by_slide is Answer.CANNOT_TELL:
        return by_ratio, ratio_by, why
    if by_ratio not in (Answer.CANNOT_TELL, by_slide) and not _near_limit(start, limits):
        return Answer.CANNOT_TELL, "", "slide position and settled amps contradict each other"
    return by_slide, "slide position", ""


def _by_slide(start: Start, limits: Limits) -> Answer:
    if start.slide_percent is None:
        return Answer.CANNOT_TELL
    if start.slide_percent <= limits["starts.slide_unloaded_max"]:
        return Answer.YES
    return Answer.NO if start.slide_percent >= limits["starts.slide_loaded_min"] else Answer.CANNOT_TELL


def _near_limit(start: Start, limits: Limits) -> bool:
    """Whether the ratio lies within a tenth of the limit, where smaller machines differ."""
    return start.ratio is not None and abs(start.ratio / limits["starts.unloaded_ratio_max"] - 1) <= (
        limits["starts.own_alike"] - 1
    )


def _by_ratio(start: Start, own: float | None, limits: Limits) -> tuple[Answer, str, str]:
    if start.ratio is None or start.low is None or start.high is None:
        return Answer.CANNOT_TELL, "", start.why_not
    limit = limits["starts.unloaded_ratio_max"]
    if own is not None:
        if start.low > limits["starts.own_above"] * own:
            if start.ratio > limit:
                return Answer.NO, "own starts", ""
            return Answer.CANNOT_TELL, "", "above the machine's own unloaded starts, yet below the limit of the ratio"
        if start.high <= limits["starts.own_alike"] * own:
            return Answer.YES, "own starts", ""
    if start.high <= limit:
        return Answer.YES, "ratio", ""
    if start.low > limit:
        return Answer.NO, "ratio", ""
    return Answer.CANNOT_TELL, "", f"the ratio's interval {start.low:.2f} to {start.high:.2f} straddles {limit:g}"
