"""What comes and goes in the refrigerant circuit: valve hunting and ends, slugs, gas that recirculates."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from forensics.machine.commanded import acting_seconds
from forensics.machine.commands import read_commands
from forensics.machine.duty.baseline import DISCHARGE, AlignedSamples, Floats, Mask, cite, max_age_s
from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.points import NS
from forensics.model.vocabulary import Outcome, Role
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.core.limits_and_baseline import running
from forensics.signatures.refrigerant.goes_round import gas_goes_round

Index = NDArray[np.int64]
_LONGEST_LOOK_S = 43_200.0


@detector("refrigerant.liquid_slug", running)
def liquid_slug(subject: Subject, check: str, frame: AlignedSamples) -> Finding:
    """Decide whether amps spiked within seconds and discharge temperature then fell, in settled running."""
    limits = subject.limits
    record = subject.record
    end_ns = record.failure_ns + NS
    amps = record.samples[Role.MOTOR_AMPS][0].trusted.between(
        max(record.window.start_ns, end_ns - round(_LONGEST_LOOK_S * NS)), end_ns
    )
    discharge = frame.points.get(Role.DISCHARGE_TEMPERATURE)
    if discharge is None or not frame.settled.any() or len(amps) < _SLUG_BACK:
        return cannot_tell(check, "no settled running with amps and discharge temperature")
    steady = _settled_at(frame, amps.t, limits["duty.settle_after_start"])
    before = np.fmax.reduce([amps.at(amps.t - k * NS, max_age_s(amps)) for k in range(3, _SLUG_BACK)])
    before = np.maximum(before, _LEAST_AMPS)
    steady &= np.isfinite(before)
    spike = steady & (amps.v > limits["refrigerant.slug_amps"] * before)
    at = amps.t[spike]
    within_ns = round(limits["refrigerant.slug_within"] * NS)
    fall_k = discharge.at(at, max_age_s(discharge)) - discharge.at(at + within_ns, max_age_s(discharge))
    hits = np.flatnonzero(fall_k > limits["refrigerant.slug_discharge_fall"])
    ratio = amps.v[spike] / before[spike]
    value = float(ratio[hits].max()) if len(hits) else float(np.max((amps.v / before)[steady])) if steady.any() else 1.0
    first, last = (int(at[hits[0]]), int(at[hits[-1]]) + within_ns) if len(hits) else (int(amps.t[0]), int(amps.t[-1]))
    return make_finding(
        subject,
        check,
        Outcome.PRESENT if len(hits) else Outcome.ABSENT,
        f"amps rose to {value:.2g} of the seconds before"
        + (", then discharge temperature fell" if len(hits) else " at most with no fall of discharge temperature"),
        Value(value, unit="1", limit_name="refrigerant.slug_amps"),
        Seen(
            (first, last),
            cite(amps, first, last) + cite(discharge, first, last),
            amps.interval_s,
            len(hits) if len(hits) else int(steady.sum()),
        ),
    )


_SLUG_BACK = 11
_LEAST_AMPS = 1.0


def _settled_at(frame: AlignedSamples, times: np.ndarray[tuple[int], np.dtype[np.int64]], settle_s: float) -> Mask:
    inside = np.zeros(len(times), dtype=bool)
    for span in frame.spans:
        low, high = np.searchsorted(times, [span.start_ns + round(settle_s * NS), span.end_ns])
        inside[low:high] = True
    return inside


@detector("refrigerant.recirculation", running)
def recirculation(subject: Subject, check: str, frame: AlignedSamples) -> Finding:
    """Decide whether gas goes round: at one moment, or by what the machine does since at like duty.

    A valve that opened at rest, or opens a little more each day, shows no moment: what shows it is hotter gas with less
    cooling of what is swept. Absent only where neither is there.
    """
    moment = _at_one_moment(subject, check, frame)
    # where neither slide nor command is logged, a moment that unloading may explain stays open
    unknown = frame.of(Role.SLIDE_POSITION, Role.CAPACITY_COMMAND) is None
    if moment.outcome is Outcome.PRESENT or (moment.outcome is Outcome.CANNOT_TELL and unknown):
        return moment
    since = gas_goes_round(subject, check, frame)
    return moment if moment.outcome is Outcome.CANNOT_TELL and since.outcome is not Outcome.PRESENT else since


def _at_one_moment(subject: Subject, check: str, frame: AlignedSamples) -> Finding:
    """Decide whether, at one moment, amps fell, suction rose and discharge temperature then rose without unloading.

    An unloading slide does the first two as well; there discharge temperature falls. Where amps did not fall, since
    the controller loads what is left, less lift with hotter gas shows it alone: no compression does that.
    """
    limits = subject.limits
    groups = ((Role.MOTOR_AMPS,), (Role.SUCTION_PRESSURE,), (Role.DISCHARGE_TEMPERATURE,))
    series = [frame.of(*group) for group in groups]
    if any(s is None for s in series):
        return cannot_tell(check, "no trusted readings of amps, suction pressure and discharge temperature")
    amps, suction, discharge = (s for s in series if s is not None)
    interval_s = frame.interval_s(*groups)
    reach = max(1, int(np.ceil(interval_s / frame.step_s))) + 2
    n = len(frame.t)
    i = np.arange(n)
    ago, soon, late = np.maximum(i - reach, 0), np.minimum(i + reach, n - 1), np.minimum(i + _LATE * reach, n - 1)
    late = np.where(frame.run[late] == frame.run, late, _last_of_run(frame))
    same = (frame.run[ago] == frame.run) & (frame.run[soon] == frame.run) & (i >= reach)
    looked = same & frame.settled & frame.settled[ago] & frame.judged & np.isfinite(amps[ago] + amps[soon])
    looked &= np.isfinite(suction[ago] + suction[soon]) & np.isfinite(discharge[ago] + discharge[late]) & (late > soon)
    if not looked.any():
        return cannot_tell(check, "no settled running with amps, suction pressure and discharge temperature")
    fall = 1.0 - amps[soon] / np.where(amps[ago] > 0.0, amps[ago], np.nan)
    head = frame.of(*DISCHARGE)
    rise = suction[soon] / np.where(suction[ago] > 0.0, suction[ago], np.nan) - 1.0
    hotter = discharge[late] - discharge[ago]
    slide = frame.of(Role.SLIDE_POSITION)
    limit_name = "refrigerant.recirculation_amps" + ("" if slide is None else "_slide")
    hit = looked & (fall > limits[limit_name]) & (rise > limits["refrigerant.recirculation_suction"])
    if slide is not None:
        hit &= ~(slide[ago] - slide[soon] > limits["refrigerant.recirculation_slide"])
    if head is not None:
        hit &= ~(head[soon] > (1.0 - limits["refrigerant.recirculation_pressure"]) * head[ago])
    if slide is None:
        # less than an unloading slide takes off the amps is no proof without the slide, and no disproof either
        small = looked & (fall > limits[f"{limit_name}_slide"]) & (rise > limits["refrigerant.recirculation_suction"])
        much = hotter > limits["refrigerant.recirculation_discharge"]
        unclear = small & (much | ((hotter > 0.0) & ~_unloaded(subject, frame, ago, soon)))
        why = "amps fell, suction rose and discharge got hotter, but the slide that may have unloaded is not logged"
    else:
        unclear = hit & (fall > limits["refrigerant.recirculation_amps"])
        why = "amps fell and suction rose with the slide still, but discharge did not get hotter"
    hit &= hotter > limits["refrigerant.recirculation_discharge"]
    round_again = (
        looked & _less_lift(subject, suction, head, (ago, soon)) & ~_less_load(subject, amps, slide, ago, late)
    )
    round_again &= hotter > limits["refrigerant.recirculation_discharge"]
    if round_again.any() and not hit.any():
        there = np.flatnonzero(round_again)
        best = int(there[np.argmax(hotter[there])])
        return _less_lift_hotter_gas(subject, check, frame, (int(ago[best]), int(late[best])), float(rise[best]))
    where = np.flatnonzero(hit)
    if slide is None and len(where) and all(_came_back(subject, frame, amps, int(ago[i]), int(soon[i])) for i in where):
        return cannot_tell(check, "amps fell and came back, as where capacity or the expansion valve swings")
    slow = interval_s > limits["refrigerant.recirculation_slowest"]
    if (unclear.any() and not len(where)) or (len(where) and slide is None and slow):
        return cannot_tell(check, why)
    if not len(where) and slow:
        why = f"samples every {interval_s:g} s: an opening just before a run ended fits between them"
        return cannot_tell(check, why)
    if (
        not len(where)
        and (tail_s := _unlooked_s(frame, looked)) > limits["refrigerant.recirculation_tail"] + 3.0 * interval_s
    ):
        return cannot_tell(check, f"the last {tail_s:.0f} s before the failure hold no settled running to look at")
    best = int(where[np.argmax(fall[where])]) if len(where) else int(np.flatnonzero(looked)[-1])
    value = float(fall[best] if len(where) else np.nanpercentile(fall[looked], 99.0))
    first, last = int(frame.t[ago[best]]), int(frame.t[late[best]])
    text = (
        f"amps fell by {value:.0%}, suction pressure rose by {rise[best]:.0%}, "
        f"discharge temperature by {hotter[best]:.2g} K"
        if len(where)
        else "no moment with falling amps, rising suction and rising discharge temperature"
    )
    return make_finding(
        subject,
        check,
        Outcome.PRESENT if len(where) else Outcome.ABSENT,
        text,
        Value(value, unit="1", limit_name=limit_name, above=True if len(where) else None),
        Seen(
            (first, last),
            frame.cites(groups, first, last),
            interval_s,
            max(2, int((last - first) / NS / interval_s)) if np.isfinite(interval_s) else 2,
        ),
    )


def _less_lift(subject: Subject, suction: Floats, head: Floats | None, ends: tuple[Index, Index]) -> Mask:
    """Moments at which suction rose and the high side fell, shape (n,)."""
    ago, soon = ends
    if head is None:
        return np.zeros(len(ago), dtype=bool)
    rose = suction[soon] > (1.0 + subject.limits["refrigerant.recirculation_suction"]) * suction[ago]
    return np.asarray(rose & (head[soon] < (1.0 - subject.limits["refrigerant.recirculation_pressure"]) * head[ago]))


def _less_load(subject: Subject, amps: Floats, slide: Floats | None, ago: Index, late: Index) -> Mask:
    """Moments from which amps, or the slide, went down: an unloading machine has less lift as well, shape (n,)."""
    limits = subject.limits
    down = ~(amps[late] >= (1.0 - limits["refrigerant.recirculation_amps_slide"]) * amps[ago])
    if slide is not None:
        down |= slide[ago] - slide[late] > limits["refrigerant.recirculation_slide"]
    return np.asarray(down)


def _less_lift_hotter_gas(
    subject: Subject, check: str, frame: AlignedSamples, ends: tuple[int, int], rise: float
) -> Finding:
    """The finding where suction rose and the high side fell at one moment, and the gas got hotter for all that."""
    discharge = frame.values[Role.DISCHARGE_TEMPERATURE]
    groups = ((Role.SUCTION_PRESSURE,), DISCHARGE, (Role.DISCHARGE_TEMPERATURE,))
    first, last = int(frame.t[ends[0]]), int(frame.t[ends[1]])
    hotter = float(discharge[ends[1]] - discharge[ends[0]])
    interval_s = frame.interval_s(*groups)
    return make_finding(
        subject,
        check,
        Outcome.PRESENT,
        f"suction pressure rose by {rise:.0%}, the high side fell, and discharge temperature rose by {hotter:.2g} K",
        Value.exact(hotter, "K", "refrigerant.recirculation_discharge", above=True),
        Seen(
            (first, last),
            frame.cites(groups, first, last),
            interval_s,
            max(2, int((last - first) / NS / interval_s)) if np.isfinite(interval_s) else 2,
        ),
    )


_LATE = 6


def _came_back(subject: Subject, frame: AlignedSamples, amps: NDArray[np.float64], ago: int, soon: int) -> bool:
    """Whether amps that fell rose again by half of it in the same run: a valve that opened stays open."""
    reach_ns = round(subject.limits["refrigerant.recirculation_tail"] * NS)
    after = (frame.run == frame.run[soon]) & (frame.t > frame.t[soon]) & (frame.t <= frame.t[soon] + reach_ns)
    later = amps[after & np.isfinite(amps)]
    return bool(len(later)) and float(np.max(later)) > (amps[ago] + amps[soon]) / 2.0


def _unloaded(subject: Subject, frame: AlignedSamples, ago: Index, soon: Index) -> Mask:
    """Moments in which the slide was commanded to unload."""
    command = read_commands(subject.record, subject.profile).get(Role.UNLOAD_SOLENOID)
    return np.asarray(acting_seconds(command, frame.t[ago], frame.t[soon]) > 0.0)


def _unlooked_s(frame: AlignedSamples, looked: Mask) -> float:
    """How long the run that failed went on after the last moment that could be looked at, s."""
    failing = np.flatnonzero(np.asarray(frame.in_failing_run))
    if frame.failing < 0 or not len(failing):
        return 0.0
    last = np.flatnonzero(looked)[-1]
    return float(frame.t[failing[-1]] - max(frame.t[last], frame.t[failing[0]])) / NS


def _last_of_run(frame: AlignedSamples) -> Index:
    """Index of the last frame sample of each sample's run."""
    return np.asarray(np.searchsorted(frame.run, frame.run, side="right") - 1)
