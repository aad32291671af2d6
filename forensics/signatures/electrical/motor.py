"""What the motor current did: spikes, growth at equal duty."""

from __future__ import annotations

import numpy as np

from forensics.machine.citations import rows_of
from forensics.machine.duty.baseline import AlignedSamples, duty_of
from forensics.machine.phases import AMPS, Bools, Floats, read_phases, trip_at_failure
from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.points import NS, Samples
from forensics.model.vocabulary import Outcome, Role
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.core.like_duty import against_own, expect
from forensics.signatures.core.limits_and_baseline import ThresholdTest, ready, running


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


def currents_of(subject: Subject) -> list[tuple[np.ndarray, Floats, tuple[Samples, ...]]]:
    """The currents that are logged, average and phases: times (ns), A, and the points behind them."""
    out: list[tuple[np.ndarray, Floats, tuple[Samples, ...]]] = []
    average = subject.record.point(Role.MOTOR_AMPS)
    if average is not None and len(average.trusted):
        good = average.trusted
        out.append((good.t, good.v, (good,)))
    phases, _ = read_phases(subject, AMPS)
    if phases is not None and len(phases.t):
        out.append((phases.t, phases.v.max(axis=0), phases.points))
    return out


def past_start(subject: Subject, t: np.ndarray, share: Floats, points: tuple[Samples, ...]) -> Bools:
    """Stamps at which the motor runs and its start is over: counted from where its own current begins."""
    on = share > subject.limits["electrical.running_share"]
    edge = np.flatnonzero(np.diff(np.concatenate(([0], on.astype(np.int8)))) == 1)
    if not len(edge):
        return on
    last = np.searchsorted(edge, np.arange(len(t)), side="right") - 1
    since_s = (t - t[edge[np.maximum(last, 0)]]) / NS
    interval_s = max(p.interval_s for p in points)
    return np.asarray(on & (last >= 0) & (since_s >= max(subject.limits["electrical.start_s"], 2 * interval_s)))


@detector("electrical.current_spikes_before_trip", ready)
def spikes_before_trip(subject: Subject, check: str) -> Finding:
    """Decide whether the current spiked in the last minutes before the stop: contact, rubbing, an arcing joint.

    A spike stands above what the current comes back to within a few samples, by six robust deviations and a share of
    rated. Needs 2 s or faster: slower logs see the trip only.
    """
    point, why = motor_current(subject)
    trip = trip_at_failure(subject)
    if point is None or trip is None:
        return cannot_tell(check, why or "the record shows no stop of the motor at the failure")
    limits = subject.limits
    end_ns = trip.earliest_ns
    watch_ns = round(limits["electrical.spike_watch_s"] * NS)
    part = point.between(end_ns - round(limits["electrical.spike_quiet_s"] * NS), end_ns + 1)
    rated = subject.machine.rated_load_amps or (float(np.max(part.v)) if len(part) else 1.0)
    running = past_start(subject, part.t, part.v / rated, (part,)) if len(part) > 1 else np.zeros(len(part), bool)
    t, residual = part.t[running], _over_base(part.v[running], round(limits["electrical.spike_returns"]))
    last = t >= end_ns - watch_ns
    if last.sum() < limits["electrical.spike_samples"]:
        return cannot_tell(check, "too little running at 2 s or faster before the stop")
    quiet = residual[~last] if (~last).sum() >= limits["electrical.spike_samples"] else residual
    usual = float(np.median(quiet))
    spread = 1.4826 * float(np.median(np.abs(quiet - usual)))
    limit = usual + max(limits["electrical.spike_deviations"] * spread, limits["electrical.spike_share"] * rated)
    chosen, t = np.flatnonzero(last), t[last]
    spikes = np.flatnonzero(residual[last] > limit)
    name = "electrical.spikes_min"
    outcome = Outcome.PRESENT if len(spikes) > limits[name] else Outcome.ABSENT
    wide_s = (trip.latest_ns - trip.earliest_ns) / NS
    if outcome is Outcome.ABSENT and wide_s > limits["electrical.spike_stop_known"]:
        return cannot_tell(check, f"the stop is known to {wide_s:.0f} s only: the seconds before it may be left out")
    span = (int(t[spikes[0]]), int(t[spikes[-1]])) if len(spikes) else (int(t[0]), int(t[-1]))
    text = (
        f"{len(spikes)} of the last {len(chosen)} samples stood over {limit:.3g} A above what the current came back to"
    )
    return make_finding(
        subject,
        check,
        outcome,
        text,
        Value.exact(float(len(spikes)), "1", name, above=True),
        Seen(
            span,
            rows_of(part, *span),
            part.interval_s,
            max(len(spikes), 1) if outcome is Outcome.PRESENT else len(chosen),
        ),
    )


def _over_base(values: Floats, within: int) -> Floats:
    """Readings less what they come back to: a peak of fewer samples than given stands out, a step does not.

    How many of the samples are peaks does not matter, as it would to a running median.
    """
    from scipy.ndimage import grey_opening

    return np.asarray(values - grey_opening(values, size=(min(within, len(values)),), mode="nearest"), np.float64)


@detector("electrical.amps_high_at_equal_duty", running)
def amps_high_at_equal_duty(subject: Subject, check: str, frame: AlignedSamples) -> Finding:
    """Decide whether the motor draws more than its own earlier running at equal slide and lift.

    Power is preferred to amps (amps also follow the voltage). What is expected is fitted over slide, lift and
    drive speed to earlier settled running.
    """
    duties = tuple(d for d in duty_of(subject, frame, lift=True) if d[0] is not frame.of(Role.MOTOR_AMPS))
    if frame.of(Role.SLIDE_POSITION) is None:
        return cannot_tell(check, "the slide position is not logged: equal duty is not known")
    role = Role.MOTOR_POWER if frame.of(Role.MOTOR_POWER) is not None else Role.MOTOR_AMPS
    reading = frame.of(role)
    if reading is None:
        return cannot_tell(check, "no motor current or power while running")
    known = reading[frame.settled & np.isfinite(reading)]
    scale = float(np.median(known)) if len(known) else float("nan")
    if not scale > 0:
        return cannot_tell(check, "no settled running with it")
    words = f"{'power' if role is Role.MOTOR_POWER else 'current'} (% of its median)"
    look = ThresholdTest(
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
    return against_own(subject, frame, look, expect(subject, frame, look, duties))
