"""How far the check valve lets gas back after a stop: what stands before it against what stands behind it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forensics.machine.stops.bypass_release import Collapse
from forensics.machine.stops.coastdown_model import area_ratio
from forensics.machine.stops.rotor_pressure import Difference
from forensics.machine.stops.stop_pressures import Pressures
from forensics.model.points import NS, middle
from forensics.rules import Limits


@dataclass(frozen=True, slots=True)
class BackFlow:
    """Where discharge settled between suction and the high side, some time after a stop.

    Attributes
    ----------
    share, error
        Discharge over high side, both less suction, 0 to 1; half width of what is known of it.
    residual_kpa, residual_error_kpa
        Discharge less suction.
    area_low, area_high
        Leak area of the check valve over the area by which the discharge side empties.
    samples
        Readings that it rests on.
    gone
        The high side itself had come down to suction: gas ran back freely.
    """

    share: float
    error: float
    residual_kpa: float
    residual_error_kpa: float
    area_low: float
    area_high: float
    samples: int
    gone: bool = False


def back_flow(pressures: Pressures, off_ns: int, until_ns: int, limits: Limits) -> BackFlow | None:
    """Read the state that holds some seconds after a stop; None where it is not sampled.

    Discharge then stands where two orifices pass the same gas, the check valve and what empties the discharge side.
    """
    rotors, high = pressures.rotors, pressures.high
    begin = off_ns + round(limits["coastdown.follow_from_s"] * NS)
    end = min(off_ns + round(limits["coastdown.follow_to_s"] * NS), until_ns)
    if rotors is None or high is None:
        return None
    before, behind = _level(rotors, begin, end), _level(high, begin, end)
    if before is None or behind is None:
        return None
    error = rotors.offset_error_kpa
    at = np.array([begin + (end - begin) // 2], np.int64)
    suction = float(rotors.lower.at(at)[0])
    if behind[0] < limits["coastdown.spent_difference_kpa"] or not np.isfinite(suction):
        return (
            BackFlow(
                share=1.0,
                error=1.0,
                residual_kpa=before[0],
                residual_error_kpa=error,
                area_low=0.0,
                area_high=np.inf,
                samples=behind[1],
                gone=True,
            )
            if np.isfinite(suction)
            else None
        )
    level = suction + np.clip(np.array([before[0] - error, before[0] + error]), 0.0, behind[0])
    areas = area_ratio(level, np.full(2, suction + behind[0]), np.full(2, suction))
    share, wide = before[0] / behind[0], error / behind[0]
    return BackFlow(
        share=share,
        error=wide,
        residual_kpa=before[0],
        residual_error_kpa=error,
        area_low=float(areas[0]),
        area_high=float(areas[1]),
        samples=min(before[1], behind[1]),
    )


def _level(found: Difference, begin: int, end: int) -> tuple[float, int] | None:
    _, values = found.between(begin, max(begin, end))
    return (middle(values), len(values)) if len(values) else None


def looks_tight(flow: BackFlow | None, limits: Limits) -> bool:
    """Whether what stands before the valve shows no gas through it, the sensors' error allowed for."""
    return flow is not None and not flow.gone and flow.share - flow.error < limits["coastdown.follow_not_share"]


def trapped_first(flow: BackFlow, course: Collapse | None, limits: Limits) -> bool:
    """Whether much more was held at first than later: gas that a leak feeds through an open valve stands at once.

    Held first and fed later, the discharge side had no way out but the rotors: the unloading valve was shut beside the
    leak.
    """
    if course is None or flow.gone or not flow.share + flow.error < limits["coastdown.late_share_most"]:
        return False
    held = course.least_released * course.lift_kpa - flow.residual_error_kpa
    return held > limits["coastdown.held_over_late"] * (flow.residual_kpa + flow.residual_error_kpa)
