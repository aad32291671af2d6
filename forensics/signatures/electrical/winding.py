"""The winding at the trip: current at fault level, and current to ground."""

from __future__ import annotations

import numpy as np

from forensics.electrics.phasors import cycle_phasors
from forensics.electrics.record_helpers import cycle_width, longest_stretch
from forensics.machine.citations import rows_of_each
from forensics.machine.duty.baseline import runs_of
from forensics.machine.phases import AMPS, Floats, Times, Trip, widened
from forensics.machine.subject import Subject
from forensics.machine.trip_words import trip_lines
from forensics.machine.waveforms import in_window
from forensics.model.findings import Cite, Finding
from forensics.model.points import NS, Samples
from forensics.model.record import LogLine
from forensics.model.vocabulary import Outcome, Recorded
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.core.needs import nothing, stopped
from forensics.signatures.electrical.motor import currents_of

_ONE_TRIP_S = 60


@detector("electrical.instant_trip", stopped)
def instant_trip(subject: Subject, check: str, trip: Trip) -> Finding:
    """Decide whether the current went to a fault's level within a sample and then to nothing.

    The fault lasts some tens of ms: one sample may catch it by luck, a recorded maximum or a waveform surely does.
    The text of an instantaneous element is a measurement of its own; with a sample of another source they are two.
    """
    lines = trip_lines(subject, "instantaneous")
    rated = subject.machine.rated_load_amps
    if rated is None and lines:
        return _told_only(subject, check, lines)
    if rated is None:
        return cannot_tell(check, "the rated-load amps are not given", unlocked_by="give machine.rated_load_amps")
    if not lines and _started_within(subject, trip.earliest_ns, subject.limits["electrical.start_s"]):
        return cannot_tell(check, "the stop falls into the start, whose inrush hides a fault")
    best: tuple[float, Times, int, tuple[Samples, ...]] | None = None
    for t, values, points in currents_of(subject):
        caught = _fault_sample(subject, trip, t, values, points)
        if isinstance(caught, str) and not lines:
            return cannot_tell(check, caught)
        if isinstance(caught, str):
            continue
        if caught is not None and (best is None or values[caught] > best[0]):
            best = (float(values[caught]), t, caught, points)
    if best is not None:
        value, t, top, points = best
        span = (int(t[top]), int(t[top]))
        return make_finding(
            subject,
            check,
            Outcome.PRESENT,
            f"{value:.0f} A, {value / rated:.1f} times rated, in the last sample before the current ended"
            + (f"; the protection reported '{lines[0].text or lines[0].point}'" if lines else ""),
            Value.exact(value / rated, "1", "electrical.fault_over_rated", above=True),
            Seen(
                span,
                rows_of_each(points, *span) + _cites(lines),
                points[0].interval_s,
                1 + _others(lines, {p.origin.clock for p in points}),
            ),
        )
    recorded = [p for _, _, points in currents_of(subject) for p in points if p.origin.recorded is Recorded.MAXIMUM]
    if recorded and lines:
        return cannot_tell(check, "the protection reported a fault, the recorded maximum of the current shows none")
    if lines:
        return _told_only(subject, check, lines)
    if recorded:
        span = (trip.earliest_ns, trip.latest_ns)
        text = f"the recorded maximum stayed below {subject.limits['electrical.fault_over_rated']:g} times rated"
        return make_finding(subject, check, Outcome.ABSENT, text, seen=Seen(span, (), recorded[0].interval_s, 1))
    why = "a fault of some tens of ms falls between samples; only a waveform or recorded maximum can exclude it"
    return cannot_tell(check, why, unlocked_by="export the waveform record of the trip")


def _told_only(subject: Subject, check: str, lines: tuple[LogLine, ...]) -> Finding:
    """The text of the protection alone: a measurement without its value, one more for each time it acted again."""
    text = f"the protection reported '{lines[0].text or lines[0].point}'"
    seen = Seen((lines[0].time_ns, lines[0].time_ns), _cites(lines), None, _acted(lines))
    return make_finding(subject, check, Outcome.PRESENT, text, seen=seen)


def _cites(lines: tuple[LogLine, ...]) -> tuple[Cite, ...]:
    return tuple(Cite(line.source, line.point, (line.row, line.row)) for line in lines)


def _acted(lines: tuple[LogLine, ...]) -> int:
    """How often a protection acted: lines within a minute of one source are one."""
    return len({(line.source, line.time_ns // (_ONE_TRIP_S * NS)) for line in lines})


def _others(lines: tuple[LogLine, ...], clocks: set[str]) -> int:
    """Reports that are a witness of their own: a panel that repeats the reading of its own sensor is none."""
    return _acted(tuple(line for line in lines if line.clock not in clocks))


def _fault_sample(
    subject: Subject, trip: Trip, t: Times, values: Floats, points: tuple[Samples, ...]
) -> int | str | None:
    """Index of a sample at a fault's level at the stop, None where there is none, or why a high one is no fault."""
    limits = subject.limits
    rated = subject.machine.rated_load_amps or 0.0
    unsure_s = widened(subject, points[0].origin.clock)
    if not np.isfinite(unsure_s):
        return None
    room = round((unsure_s + 3 * points[0].interval_s + 2.0) * NS)
    a, b = np.searchsorted(t, [trip.earliest_ns - room, trip.latest_ns + room])
    high = np.flatnonzero(values[a:b] > limits["electrical.fault_over_rated"] * rated) + a
    if not len(high) or high[0] < 2:  # noqa: PLR2004 - what came before must be seen
        return None
    top = int(high[0])
    earlier = values[max(top - 10, 0) : top]
    lasted_s = (int(t[high[-1]]) - int(t[top])) / NS
    stall_amps = subject.limits["electrical.above_stall"] * (subject.machine.locked_rotor_amps or np.inf)
    slow = points[0].interval_s > limits["electrical.fault_lasting_s"]
    if slow and float(values[high].max()) <= stall_amps:
        return f"samples {points[0].interval_s:g} s apart do not tell a fault cut off at once from a stall of seconds"
    if lasted_s > limits["electrical.fault_lasting_s"]:
        return f"the high current lasted {lasted_s:.0f} s: a stall or a start, not a fault cut off"
    if float(earlier.min()) < limits["electrical.off_share"] * rated:
        return "the current had dropped out just before: what followed may be inrush"
    return top if float(np.median(earlier)) < limits["electrical.fault_over_rated"] * rated / 2 else None


def _started_within(subject: Subject, time_ns: int, seconds: float) -> bool:
    return any(0 <= (time_ns - span.start_ns) / NS < seconds for span in runs_of(subject))


@detector("electrical.ground_fault", nothing)
def ground_fault(subject: Subject, check: str) -> Finding:
    """Decide whether current went to ground: the three currents of a waveform do not add up, or a relay says so.

    A trip text of ground or earth fault is a relay's measurement without its value: one sample of evidence, and one
    more for each time it acted again.
    """
    if lines := trip_lines(subject, "ground_fault"):
        return _told_only(subject, check, lines)
    limits = subject.limits
    for waveform in in_window(subject):
        width = cycle_width(waveform, limits)
        if width is None or any(role not in waveform.analog for role in AMPS):
            continue
        phases = [
            cycle_phasors(np.nan_to_num(waveform.analog[r]), waveform.time_s, waveform.line_hertz, width) for r in AMPS
        ]
        residual = np.abs(np.sum(phases, axis=0))
        largest = np.abs(phases).max(axis=0)
        name = "electrical.residual_share"
        share = np.where(largest > limits["waveform.current_share_off"] * largest.max(), residual / largest, 0.0)
        rest = np.abs(phases).min(axis=0) > limits["waveform.current_share_off"] * largest.max()
        spell = longest_stretch((share > limits[name]) & rest, waveform, 2 / waveform.line_hertz)
        a, b = spell if spell else (0, len(share) - 1)
        stamps = [waveform.start_ns + round(float(waveform.time_s[i + width - 1]) * NS) for i in (a, b)]
        value = (
            float(np.percentile(share[rest], 99))
            if rest.any() and spell is None
            else float(np.median(share[a : b + 1]))
        )
        return make_finding(
            subject,
            check,
            Outcome.PRESENT if spell else Outcome.ABSENT,
            f"the three currents add up to {100 * value:.0f} % of the largest",
            Value.exact(value, "1", name, above=True),
            Seen(
                (stamps[0], stamps[1]),
                tuple(Cite(waveform.source, waveform.columns.get(r, r.value), (a + width, b + width)) for r in AMPS),
                waveform.interval_s,
                b - a + 1,
            ),
        )
    return cannot_tell(
        check,
        "no waveform of three currents in the window and no ground-fault message",
        unlocked_by="export the waveform record of the trip; measure insulation resistance",
    )
