"""What the circuit of the running machine says: superheat, subcooling, lift; its duty; both over blocks of time.

A block is a minute or so of running: its median is what expectations are fitted to and judged by. It holds samples of
one run that are all settled, or all not, so that it never mixes the minutes after a start with those that follow.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forensics.machine.duty.frame import (
    AlignedSamples,
    Episode,
    Floats,
    Mask,
    Times,
    cite,
    episodes,
    frame_of,
    rests_of,
    run_span,
    runs_of,
)
from forensics.machine.duty.reading_age import max_age_s
from forensics.machine.subject import Subject
from forensics.model.memo import kept_with_owner
from forensics.model.points import NS
from forensics.model.vocabulary import Role
from forensics.refrigerants.saturation import SaturationCurve

__all__ = [
    "DISCHARGE",
    "HIGH_SIDE",
    "AlignedSamples",
    "Blocks",
    "Derived",
    "Duties",
    "Episode",
    "Floats",
    "Mask",
    "Times",
    "cite",
    "cut_blocks",
    "derived_of",
    "duty_of",
    "episodes",
    "frame_of",
    "heat_of_compression",
    "max_age_s",
    "rests_of",
    "run_span",
    "runs_of",
]

_BLOCK_S = 60.0
_MOST_BLOCKS = 3000
_FINE_BEFORE_FAILURE_S = 7200.0
_FEWEST_SHARE = 0.5
_LEAST_LIFT_K = 5.0
# share of the glide at the inlet: a quarter is vapour, and the pressure there is higher by the drop of the tubes
_INLET_SHARE = 0.4
Duties = tuple[tuple[Floats | None, float], ...]
HIGH_SIDE = (Role.CONDENSER_PRESSURE, Role.DISCHARGE_PRESSURE, Role.HIGH_SIDE_PRESSURE)
DISCHARGE = (Role.DISCHARGE_PRESSURE, Role.CONDENSER_PRESSURE, Role.HIGH_SIDE_PRESSURE)


@dataclass(frozen=True)
class Derived:
    """Quantities of the refrigerant circuit over a frame, each shape (n,), NaN where a part is missing.

    Superheat stands on the dew line, subcooling on the bubble line, approaches on the mean of the two; refrigerant
    enters the evaporator part vapour and at a higher pressure: a blend is there colder than its dew point, by most of
    its glide but not all.
    """

    suction_dew_c: Floats
    suction_mean_c: Floats
    suction_inlet_c: Floats
    condensing_dew_c: Floats
    condensing_mean_c: Floats
    lift_k: Floats
    superheat_k: Floats
    discharge_superheat_k: Floats
    subcooling_k: Floats


@kept_with_owner
def derived_of(subject: Subject, frame: AlignedSamples) -> Derived:
    """Superheat (dew), subcooling (bubble) and lift over the subject's frame, made once."""
    blank = np.full(len(frame.t), np.nan)
    curve = subject.saturation
    if curve is None:
        return Derived(*([blank] * 9))

    def get(*roles: Role) -> Floats:
        found = frame.of(*roles)
        return blank if found is None else found

    dew_s, dew_h = curve.dew_c(get(Role.SUCTION_PRESSURE)), curve.dew_c(get(*HIGH_SIDE))
    inlet = curve.bubble_c(get(Role.SUCTION_PRESSURE))
    inlet = inlet + _INLET_SHARE * (dew_s - inlet)
    bubble_h = curve.bubble_c(get(*HIGH_SIDE))
    return Derived(
        suction_dew_c=dew_s,
        suction_mean_c=(dew_s + inlet) / 2.0,
        suction_inlet_c=inlet,
        condensing_dew_c=dew_h,
        condensing_mean_c=(dew_h + bubble_h) / 2.0,
        lift_k=dew_h - dew_s,
        superheat_k=get(Role.SUCTION_TEMPERATURE) - dew_s,
        discharge_superheat_k=get(Role.DISCHARGE_TEMPERATURE) - curve.dew_c(get(*DISCHARGE)),
        subcooling_k=bubble_h - get(Role.LIQUID_TEMPERATURE),
    )


def duty_of(subject: Subject, frame: AlignedSamples, *, lift: bool, at_lift: bool = True) -> Duties:
    """The duties over which expectations are fitted: capacity (slide, else command, else amps), speed and maybe lift.

    Amps are taken at equal lift, unless told otherwise: they go with mass flow times the work of each kilogram.
    Lift is that of the saturation temperatures: NaN throughout where a pressure or the refrigerant's data is missing.
    """
    limits = subject.limits
    amps = frame.of(Role.MOTOR_AMPS)
    rated = subject.machine.rated_load_amps or (
        float(np.nanmax(amps)) if amps is not None and np.isfinite(amps).any() else 1.0
    )
    slide = frame.of(Role.SLIDE_POSITION)
    found: list[tuple[Floats | None, float]] = [(frame.of(Role.DRIVE_HERTZ), limits["duty.room_drive"])]
    command = frame.of(Role.CAPACITY_COMMAND)
    if slide is not None:
        found.append((slide, limits["duty.room_slide"]))
    elif command is not None and np.isfinite(command[frame.settled]).all() and frame.settled.any():
        # current follows lift as well as capacity: a command that is known throughout comes first
        found.append((command, limits["duty.room_slide"]))
    elif amps is not None:
        found.append((_like_flow(subject, frame, amps) if at_lift else amps, limits["duty.room_amps"] * rated))
    if lift:
        found.append((derived_of(subject, frame).lift_k, limits["duty.room_lift"]))
    return tuple(found)


def _like_flow(subject: Subject, frame: AlignedSamples, amps: Floats) -> Floats:
    """Amps at the machine's usual lift, shape (n,): the work of a kilogram of gas goes about with lift."""
    lift_k = derived_of(subject, frame).lift_k
    known = lift_k[frame.settled & np.isfinite(lift_k)]
    if not len(known) or not np.median(known) > _LEAST_LIFT_K:
        return amps
    usual = float(np.median(known))
    return np.asarray(amps * usual / np.maximum(np.where(np.isfinite(lift_k), lift_k, usual), _LEAST_LIFT_K))


def heat_of_compression(subject: Subject, frame: AlignedSamples) -> tuple[Floats | None, Duties]:
    """Discharge temperature less what the pressures make of it at the machine's own efficiency, and its duties.

    The isentropic rise from dry saturated suction, times the machine's own ratio to it, explains what lift does; what
    is left over goes with capacity, and with the rise where that ratio is not constant. Where the refrigerant has no
    entropy data, discharge superheat over lift stands for it.

    Returns
    -------
    reading, duties
        The reading in K, shape (n,), None where discharge temperature is not logged.
    """
    hot = frame.of(Role.DISCHARGE_TEMPERATURE)
    rise_k, suction = _isentropic_rise(subject, frame), derived_of(subject, frame).suction_dew_c
    if hot is None or rise_k is None:
        found = hot if hot is None else derived_of(subject, frame).discharge_superheat_k
        return found, duty_of(subject, frame, lift=True)
    early = frame.settled & np.isfinite(hot + rise_k) & (rise_k > _LEAST_LIFT_K)
    early &= ~np.asarray(frame.in_failing_run) if (early & ~np.asarray(frame.in_failing_run)).any() else early
    own = float(np.median((hot - suction)[early] / rise_k[early])) if early.any() else 1.0
    room = subject.limits["duty.room_compression"]
    return hot - suction - own * rise_k, (*duty_of(subject, frame, lift=False), (rise_k, room))


@kept_with_owner
def _isentropic_rise(subject: Subject, frame: AlignedSamples) -> Floats | None:
    """Rise of temperature from dry saturated suction to the discharge pressure without loss, K, shape (n,)."""
    curve, low, high = subject.saturation, frame.of(Role.SUCTION_PRESSURE), frame.of(*DISCHARGE)
    if not isinstance(curve, SaturationCurve) or low is None or high is None:
        return None
    suction = curve.dew_c(low)
    rise_k = curve.isentropic_discharge_c(low, suction, high) - suction
    return np.asarray(rise_k) if np.isfinite(rise_k).any() else None


@dataclass(frozen=True)
class Blocks:
    """Blocks of a frame, in time order.

    Attributes
    ----------
    of
        Block of each sample of the frame, shape (n,).
    first, last
        First and last sample of each block, shape (m,).
    t
        Middle of each block, ns UTC, shape (m,).
    """

    frame: AlignedSamples
    of: NDArray[np.int64]
    first: NDArray[np.int64]
    last: NDArray[np.int64]
    t: Times
    width_s: float

    def middle(self, reading: Floats) -> Floats:
        """Median of each block, shape (m,), which no knock or slug moves; NaN where less than half of it is there."""
        m = len(self.t)
        there = np.flatnonzero(np.isfinite(reading))
        order = there[np.lexsort((reading[there], self.of[there]))]
        count = np.bincount(self.of[there], minlength=m)
        first = np.concatenate(([0], np.cumsum(count)[:-1])) if m else count
        enough = (count > 0) & (count >= _FEWEST_SHARE * (self.last - self.first + 1))
        out = np.full(m, np.nan)
        low, high = first + (count - 1) // 2, first + count // 2
        out[enough] = (reading[order[low[enough]]] + reading[order[high[enough]]]) / 2.0
        return out

    def all_of(self, mask: Mask) -> Mask:
        """Blocks whose samples are all within a mask, shape (m,)."""
        return np.asarray(np.bincount(self.of[~mask], minlength=len(self.t)) == 0)

    def samples_of(self, chosen: Mask) -> NDArray[np.int64]:
        """Samples of the frame within chosen blocks."""
        return np.flatnonzero(chosen[self.of])

    @property
    def seconds(self) -> Floats:
        """How long each block stands for, s, shape (m,): each sample from the one before it, or to the one behind it.

        History is looked at less often than the window: a block of it may hold one sample and stand for a minute.
        """
        f = self.frame
        if not len(f.t):
            return np.zeros(0)
        same = np.diff(f.run) == 0
        apart_s = np.where(same, np.diff(f.t) / NS, np.nan)
        before, after = np.append(np.nan, apart_s), np.append(apart_s, np.nan)
        each = np.where(np.isfinite(before), before, np.where(np.isfinite(after), after, f.step_s))
        return np.asarray(np.bincount(self.of, weights=each, minlength=len(self.t)), dtype=np.float64)


def cut_blocks(frame: AlignedSamples, interval_s: float) -> Blocks:
    """Cut a frame into blocks, counted back from each run's end; no shorter than the slowest point's ``interval_s``."""
    n = len(frame.t)
    if not n:
        none = np.empty(0, dtype=np.int64)
        return Blocks(frame, none, none, none, none, _BLOCK_S)
    least_s = max(_BLOCK_S, interval_s if np.isfinite(interval_s) else 0.0)
    ends = np.concatenate((np.flatnonzero(np.diff(frame.run) != 0), [n - 1]))
    end_of = ends[np.searchsorted(ends, np.arange(n))]
    left_s = (frame.t[end_of] - frame.t) / NS
    ran_s = float(np.sum((frame.t[ends] - frame.t[np.concatenate(([0], ends[:-1] + 1))]) / NS))
    wide_s = max(least_s, ran_s / _MOST_BLOCKS)
    fine = np.asarray(frame.in_failing_run) & (left_s < _FINE_BEFORE_FAILURE_S)
    slot = np.where(fine, left_s // least_s, 1_000_000 + left_s // wide_s).astype(np.int64)
    begins = np.diff(frame.run, prepend=-1) != 0
    begins |= np.diff(slot, prepend=-1) != 0
    begins |= np.diff(frame.settled.astype(np.int8), prepend=-1) != 0
    of = np.cumsum(begins) - 1
    first = np.flatnonzero(begins)
    last = np.concatenate((first[1:] - 1, [n - 1]))
    middle = frame.t[first] + (frame.t[last] - frame.t[first]) // 2
    return Blocks(frame, of, first, last, middle, least_s)
