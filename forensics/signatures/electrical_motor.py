"""What the motor current did: overload, spikes, an instant trip, growth at equal duty, current to ground."""

from __future__ import annotations

import numpy as np

from forensics.findings import Cite, Finding
from forensics.points import NS, Samples
from forensics.signatures.base import Subject, cannot_tell
from forensics.signatures.duty import duty_of, frame_of, own_usual, runs_of
from forensics.signatures.judge import Look, against_own, unready
from forensics.signatures.phases import (
    AMPS,
    Bools,
    Floats,
    Measured,
    Times,
    Trip,
    answer,
    before_failure,
    cite_between,
    read_phases,
    trip_at_failure,
    widened,
)
from forensics.signatures.phasors import cycle_phasors
from forensics.signatures.trip_words import trip_lines
from forensics.signatures.waveform import in_window
from forensics.signatures.waveform_answer import cycle_width, longest_stretch
from forensics.vocabulary import Outcome, Recorded, Role

_FEW = 3
_ONE_TRIP_S = 60


def motor_current(subject: Subject) -> tuple[Samples | None, str]:
    """The motor's current to judge: the average of the phases, else the largest phase; or why there is none."""
    point = subject.record.point(Role.MOTOR_AMPS)
    if point is not None and len(point.trusted):
        return point.trusted, ""
    for role in AMPS:
        point = subject.record.point(role)
        if point is not None and len(point.trusted):
            return point.trusted, ""
    return None, "no motor current with usable readings"


def overload(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether the motor drew more than rated for long: the largest mean over some minutes against rated.

    Starts are left out. The largest phase counts where the phases are logged. Whether the heating was enough to trip
    is another check (thermal model).
    """
    check = "electrical.overload"
    rated = subject.machine.rated_load_amps
    if rated is None:
        return (cannot_tell(check, "the rated-load amps are not given", unlocked_by="give machine.rated_load_amps"),)
    best: Finding | None = None
    span = before_failure(subject)
    why = "no motor current in the window"
    for t, values, points in _currents(subject):
        inside = (t >= span.start_ns) & (t < span.end_ns)
        if inside.sum() < 2:  # noqa: PLR2004 - a mean over time needs two stamps
            continue
        found = _overload_of(subject, check, t[inside], values[inside] / rated, points)
        if best is None or (found.value or 0) > (best.value or 0):
            best = found
    return (best if best is not None else cannot_tell(check, why),)


def _currents(subject: Subject) -> list[tuple[np.ndarray, Floats, tuple[Samples, ...]]]:
    out: list[tuple[np.ndarray, Floats, tuple[Samples, ...]]] = []
    average = subject.record.point(Role.MOTOR_AMPS)
    if average is not None and len(average.trusted):
        good = average.trusted
        out.append((good.t, good.v, (good,)))
    phases, _ = read_phases(subject, AMPS)
    if phases is not None and len(phases.t):
        out.append((phases.t, phases.v.max(axis=0), phases.points))
    return out


def _overload_of(subject: Subject, check: str, t: np.ndarray, share: Floats, points: tuple[Samples, ...]) -> Finding:
    limits = subject.limits
    name = "electrical.overload_share"
    interval_s = max(p.interval_s for p in points)
    running = _past_start(subject, t, share, points)
    values = np.where(running, share, 0.0)
    brief = limits["electrical.overload_heavy_share"]
    mean, at = _largest_mean(t, values, max(limits["electrical.overload_over_s"], 3 * interval_s))
    heavy, heavy_at = _largest_mean(t, values, max(limits["electrical.overload_heavy_over_s"], 3 * interval_s))
    scaled = heavy / brief * limits[name]
    value, place = (mean, at) if mean >= scaled else (scaled, heavy_at)
    over_s = limits["electrical.overload_over_s" if mean >= scaled else "electrical.overload_heavy_over_s"]
    outcome = Outcome.PRESENT if value > limits[name] else Outcome.ABSENT
    drawn = mean if mean >= scaled else heavy
    text = f"{100 * drawn:.0f} % of rated was the largest mean over {max(over_s, 3 * interval_s):.0f} s outside starts"
    error = (subject.machine.current_sensor.ratio_error_percent or limits["electrical.sensor_percent"]) / 100
    end_ns = int(t[place])
    begin_ns = end_ns - round(max(over_s, 3 * interval_s) * NS)
    return answer(
        subject,
        check,
        outcome,
        text,
        Measured(
            span_ns=(begin_ns, end_ns),
            samples=max(int(((t > begin_ns) & (t <= end_ns)).sum()), 1),
            cites=tuple(c for p in points for c in cite_between(p, begin_ns, end_ns)),
            interval_s=interval_s,
            value=value,
            low=value * (1 - error),
            high=value * (1 + error),
            unit="1",
            limit_name=name,
            above=True,
        ),
    )


def _past_start(subject: Subject, t: np.ndarray, share: Floats, points: tuple[Samples, ...]) -> Bools:
    """Stamps at which the motor runs and its start is over: counted from where its own current begins."""
    on = share > subject.limits["electrical.running_share"]
    edge = np.flatnonzero(np.diff(np.concatenate(([0], on.astype(np.int8)))) == 1)
    if not len(edge):
        return on
    last = np.searchsorted(edge, np.arange(len(t)), side="right") - 1
    since_s = (t - t[edge[np.maximum(last, 0)]]) / NS
    interval_s = max(p.interval_s for p in points)
    return np.asarray(on & (last >= 0) & (since_s >= max(subject.limits["electrical.start_s"], 2 * interval_s)))


def _largest_mean(t: np.ndarray, values: Floats, over_s: float) -> tuple[float, int]:
    """Largest time-weighted mean over ``over_s`` (each value holds until the next), and where it ends."""
    length_s = (t - t[0]) / NS
    total = np.concatenate(([0.0], np.cumsum(values[:-1] * np.minimum(np.diff(length_s), over_s))))
    begin = length_s - over_s
    mean = (total - np.interp(begin, length_s, total, left=0.0)) / over_s
    at = int(np.argmax(mean))
    return float(mean[at]), at


def spikes_before_trip(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether the current spiked in the last minutes before the stop: contact, rubbing, an arcing joint.

    A spike is a sample above the running median by six robust deviations and a share of rated. Needs 2 s or faster:
    slower logs see the trip only.
    """
    check = "electrical.current_spikes_before_trip"
    failed = unready(subject, check, saturation=False)
    if failed is not None:
        return (failed,)
    point, why = motor_current(subject)
    trip = trip_at_failure(subject)
    if point is None or trip is None:
        return (cannot_tell(check, why or "the record shows no stop of the motor at the failure"),)
    limits = subject.limits
    end_ns = trip.earliest_ns
    watch_ns = round(limits["electrical.spike_watch_s"] * NS)
    part = point.between(end_ns - round(limits["electrical.spike_quiet_s"] * NS), end_ns + 1)
    rated = subject.machine.rated_load_amps or (float(np.max(part.v)) if len(part) else 1.0)
    running = _past_start(subject, part.t, part.v / rated, (part,)) if len(part) > 1 else np.zeros(len(part), bool)
    t, residual = part.t[running], _over_median(part.v[running])
    last = t >= end_ns - watch_ns
    if last.sum() < limits["electrical.spike_samples"]:
        return (cannot_tell(check, "too little running at 2 s or faster before the stop"),)
    quiet = residual[~last] if (~last).sum() >= limits["electrical.spike_samples"] else residual
    spread = 1.4826 * float(np.median(np.abs(quiet - np.median(quiet))))
    limit = max(limits["electrical.spike_deviations"] * spread, limits["electrical.spike_share"] * rated)
    chosen, t = np.flatnonzero(last), t[last]
    spikes = np.flatnonzero(residual[last] > limit)
    name = "electrical.spikes_min"
    outcome = Outcome.PRESENT if len(spikes) > limits[name] else Outcome.ABSENT
    span = (int(t[spikes[0]]), int(t[spikes[-1]])) if len(spikes) else (int(t[0]), int(t[-1]))
    text = f"{len(spikes)} samples more than {limit:.3g} A above the running median in the last {len(chosen)} samples"
    return (
        answer(
            subject,
            check,
            outcome,
            text,
            Measured(
                span_ns=span,
                samples=max(len(spikes), 1) if outcome is Outcome.PRESENT else len(chosen),
                cites=cite_between(part, *span),
                interval_s=part.interval_s,
                value=float(len(spikes)),
                unit="1",
                limit_name=name,
                above=True,
            ),
        ),
    )


def _over_median(values: Floats) -> Floats:
    """Readings less their running median over fifteen."""
    from scipy.ndimage import median_filter

    if len(values) < _FEW:
        return np.zeros(len(values))
    return np.asarray(values - median_filter(values, size=15, mode="nearest"), np.float64)


def instant_trip(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether the current went to a fault's level within a sample and then to nothing.

    The fault lasts some tens of ms: one sample may catch it by luck, a recorded maximum or a waveform surely does.
    """
    check = "electrical.instant_trip"
    trip = trip_at_failure(subject)
    if trip is None:
        return (cannot_tell(check, "the record shows no stop of the motor at the failure"),)
    rated = subject.machine.rated_load_amps
    if rated is None:
        return (cannot_tell(check, "the rated-load amps are not given", unlocked_by="give machine.rated_load_amps"),)
    if _started_within(subject, trip.earliest_ns, subject.limits["electrical.start_s"]):
        return (cannot_tell(check, "the stop falls into the start, whose inrush hides a fault"),)
    best: tuple[float, Times, int, tuple[Samples, ...]] | None = None
    for t, values, points in _currents(subject):
        caught = _fault_sample(subject, trip, t, values, points)
        if isinstance(caught, str):
            return (cannot_tell(check, caught),)
        if caught is not None and (best is None or values[caught] > best[0]):
            best = (float(values[caught]), t, caught, points)
    if best is not None:
        value, t, top, points = best
        span = (int(t[top]), int(t[top]))
        return (
            answer(
                subject,
                check,
                Outcome.PRESENT,
                f"{value:.0f} A, {value / rated:.1f} times rated, in the last sample before the current ended",
                Measured(
                    span_ns=span,
                    samples=1,
                    cites=tuple(c for p in points for c in cite_between(p, *span)),
                    interval_s=points[0].interval_s,
                    value=value / rated,
                    unit="1",
                    limit_name="electrical.fault_over_rated",
                    above=True,
                ),
            ),
        )
    recorded = [p for _, _, points in _currents(subject) for p in points if p.origin.recorded is Recorded.MAXIMUM]
    if recorded:
        span = (trip.earliest_ns, trip.latest_ns)
        text = f"the recorded maximum stayed below {subject.limits['electrical.fault_over_rated']:g} times rated"
        return (
            answer(
                subject,
                check,
                Outcome.ABSENT,
                text,
                Measured(span_ns=span, samples=1, cites=(), interval_s=recorded[0].interval_s),
            ),
        )
    why = "a fault of some tens of ms falls between samples; only a waveform or recorded maximum can exclude it"
    return (cannot_tell(check, why, unlocked_by="export the waveform record of the trip"),)


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


def ground_fault(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether current went to ground: the three currents of a waveform do not add up, or a relay says so.

    A trip text of ground or earth fault is a relay's measurement without its value: one sample of evidence, and one
    more for each time it acted again.
    """
    check = "electrical.ground_fault"
    lines = trip_lines(subject, "ground_fault")
    if lines:
        line = lines[0]
        return (
            answer(
                subject,
                check,
                Outcome.PRESENT,
                f"the protection reported '{line.text or line.value}'",
                Measured(
                    span_ns=(line.time_ns, line.time_ns),
                    samples=len({(one.source, one.time_ns // (_ONE_TRIP_S * NS)) for one in lines}),
                    cites=tuple(Cite(one.source, one.point, (one.row, one.row)) for one in lines),
                    interval_s=float("nan"),
                ),
            ),
        )
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
        return (
            answer(
                subject,
                check,
                Outcome.PRESENT if spell else Outcome.ABSENT,
                f"the three currents add up to {100 * value:.0f} % of the largest",
                Measured(
                    span_ns=(stamps[0], stamps[1]),
                    samples=b - a + 1,
                    cites=tuple(
                        Cite(waveform.source, waveform.columns.get(r, r.value), (a + width, b + width)) for r in AMPS
                    ),
                    interval_s=waveform.interval_s,
                    value=value,
                    unit="1",
                    limit_name=name,
                    above=True,
                ),
            ),
        )
    return (
        cannot_tell(
            check,
            "no waveform of three currents in the window and no ground-fault message",
            unlocked_by="export the waveform record of the trip; measure insulation resistance",
        ),
    )


def amps_high_at_equal_duty(subject: Subject) -> tuple[Finding, ...]:
    """Decide whether the motor draws more than its own earlier running at equal slide and lift.

    Power is preferred to amps (amps also follow the voltage). The usual is a plane over slide, lift and drive speed
    fitted to earlier settled running.
    """
    check = "electrical.amps_high_at_equal_duty"
    failed = unready(subject, check, saturation=False)
    if failed is not None:
        return (failed,)
    frame = frame_of(subject)
    duties = tuple(d for d in duty_of(subject, frame, lift=True) if d[0] is not frame.of(Role.MOTOR_AMPS))
    if frame.of(Role.SLIDE_POSITION) is None:
        return (cannot_tell(check, "the slide position is not logged: equal duty is not known"),)
    role = Role.MOTOR_POWER if frame.of(Role.MOTOR_POWER) is not None else Role.MOTOR_AMPS
    reading = frame.of(role)
    if reading is None:
        return (cannot_tell(check, "no motor current or power while running"),)
    found = own_usual(subject, frame, reading, *duties)
    scale = float(np.nanmedian(reading[found.baseline])) if found.baseline.any() else float("nan")
    if not scale > 0:
        return (cannot_tell(check, found.why_not or "no earlier running to compare with"),)
    percent = own_usual(subject, frame, 100 * reading / scale, *duties)
    words = f"{'power' if role is Role.MOTOR_POWER else 'current'} (% of its earlier median)"
    look = Look(
        check,
        100 * reading / scale,
        "%",
        words,
        "electrical.amps_growth_max",
        above=True,
        lasting="electrical.amps_growth_lasting_s",
        groups=((role,), (Role.SLIDE_POSITION,)),
        sudden=False,
    )
    return (against_own(subject, frame, look, percent),)
