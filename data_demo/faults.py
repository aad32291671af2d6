"""How each failure mode acts on the machine: one function a mode, from its share of full strength to its effects."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from .effects import Effects

Window = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Moment:
    """What a fault may know of the instant it acts on.

    Attributes
    ----------
    time_s
        Seconds of the run.
    share
        Strength of the fault now, 0 before it begins, up to the scenario's severity.
    since_event_s
        Seconds since the fault's sudden event (negative before it, -1e9 where there is none).
    motor_age_s
        Seconds since the motor was last switched on (or off, when `motor` is False).
    """

    time_s: float
    share: float
    since_event_s: float
    motor: bool
    motor_age_s: float
    false_sensor: str
    dip_depth: float


Act = Callable[[Effects, Moment], None]


def _unload_path(fx: Effects, at: Moment) -> None:
    fx.unload_factor = max(0.0, 1.0 - at.share) ** 2  # a port that clogs: flow goes with the square of its bore


def _trapped(fx: Effects, at: Moment) -> None:
    fx.power_lost = 0.0 <= at.since_event_s < 3.0
    fx.volts_pu = 0.0 if 0.0 <= at.since_event_s < 90.0 else 1.0


def _stuck(fx: Effects, at: Moment) -> None:
    if at.share > 0.0:
        fx.slide_stuck_at, fx.slide_settles = 78.0, True


def _load_solenoid(fx: Effects, at: Moment) -> None:
    fx.load_factor = max(0.0, 1.0 - at.share)


def _unload_leak(fx: Effects, at: Moment) -> None:
    fx.slide_drift_pc_min = -9.0 * at.share


def _load_leak(fx: Effects, at: Moment) -> None:
    fx.slide_drift_pc_min = 7.0 * at.share


def _bypass_held(fx: Effects, at: Moment) -> None:
    fx.bypass_late_s = 0.2 + 90.0 * at.share


def _bypass_open(fx: Effects, at: Moment) -> None:
    if at.since_event_s >= 0.0:
        fx.bypass_leak = min(1.0, at.share)


def _check_leak(fx: Effects, at: Moment) -> None:
    fx.check_leak_mm2 += 160.0 * at.share


def _wrong_phase(fx: Effects, at: Moment) -> None:
    fx.reversed_phases = at.share > 0.0


def _oil_lost(fx: Effects, at: Moment) -> None:
    fx.oil_level_pc = 72.0 - 68.0 * min(1.0, at.share)
    fx.discharge_extra_k = 14.0 * max(0.0, at.share - 0.7)


def _filter(fx: Effects, at: Moment) -> None:
    fx.filter_plugging = 24.0 * at.share**1.5


def _heater_off(fx: Effects, at: Moment) -> None:
    fx.heater_works = at.share <= 0.0


def _floodback(fx: Effects, at: Moment) -> None:
    fx.liquid = min(0.97, at.share)
    fx.torque_factor = 1.0 + 0.07 * at.share
    if at.share > 0.1:
        fx.exv_fixed = 88.0


def _overheating(fx: Effects, at: Moment) -> None:
    fx.discharge_extra_k = 62.0 * at.share
    fx.injection = at.share > 0.15


def _high_head(fx: Effects, at: Moment) -> None:
    fx.condenser_factor = max(0.05, 1.0 - 0.84 * at.share)


def _low_suction(fx: Effects, at: Moment) -> None:
    fx.charge = max(0.25, 1.0 - 0.62 * at.share)
    fx.evaporator_factor = 1.0 - 0.25 * at.share


def _hunting(fx: Effects, at: Moment) -> None:
    fx.hunt_k = 7.0 * at.share


def _single_phasing(fx: Effects, at: Moment) -> None:
    if at.since_event_s >= 0.0 and at.motor:
        fx.phase_amps, fx.phase_volts = (1.55, 0.0, 1.49), (0.96, 0.93, 1.0)
        fx.torque_factor, fx.winding_factor = 1.15, 2.0


def _unbalance(fx: Effects, at: Moment) -> None:
    k = at.share
    fx.phase_volts = (1.0 + 0.012 * k, 1.0, 1.0 - 0.034 * k)
    fx.phase_amps = (1.0 + 0.16 * k, 1.0 - 0.03 * k, 1.0 - 0.15 * k)
    fx.winding_factor = 1.0 + 0.55 * k


def _dip(fx: Effects, at: Moment) -> None:
    if 0.0 <= at.since_event_s < 1.4:
        fx.volts_pu = 1.0 - at.dip_depth
    fx.contactor_open = 0.3 <= at.since_event_s < 1.9


def _insulation(fx: Effects, at: Moment) -> None:
    if at.since_event_s >= 0.0 and at.motor:
        fx.earth_fault, fx.phase_amps = True, (6.2, 5.4, 1.4)


def _overload(fx: Effects, at: Moment) -> None:
    fx.torque_factor = 1.0 + 0.24 * at.share
    fx.winding_factor = 1.0 + 0.25 * at.share


def _nothing(fx: Effects, at: Moment) -> None:
    """Healthy, or a fault that acts through the schedule or the settings of the controls."""


def _rotor(fx: Effects, at: Moment) -> None:
    k = at.share
    fx.drag_factor, fx.vibration_mm_s = 1.0 + 2.4 * k, 1.6 + 5.0 * k * k
    fx.discharge_extra_k = 9.0 * k
    if at.since_event_s >= -40.0:
        rough = 1.0 + (at.since_event_s + 40.0) / 12.0
        fx.drag_factor += 1.2 * rough if int(at.time_s) % 3 else 0.4 * rough
        fx.vibration_mm_s += 3.0 * rough
    fx.seized = at.since_event_s >= 0.0


def _chatter(fx: Effects, at: Moment) -> None:
    fx.contactor_open = 0.0 <= at.since_event_s < 8.0 and (at.since_event_s % 1.6) < 0.7


def _weld(fx: Effects, at: Moment) -> None:
    fx.contactor_welded = at.share > 0.0 and not at.motor and at.motor_age_s < 75.0


def _false_sensor(fx: Effects, at: Moment) -> None:
    if 0.0 <= at.since_event_s < 900.0:
        rail = 0.0 if at.false_sensor in ("oil_pressure", "oil_pressure_difference", "suction_pressure") else 199.0
        fx.sensor_values[at.false_sensor] = rail


ACTS: dict[str, Act] = {
    "none": _nothing,
    "unload-path-failed": _unload_path,
    "trapped-loaded": _trapped,
    "slide-stuck": _stuck,
    "load-solenoid-failed": _load_solenoid,
    "unload-solenoid-leaking": _unload_leak,
    "load-solenoid-leaking": _load_leak,
    "bypass-not-released": _bypass_held,
    "bypass-open-while-running": _bypass_open,
    "discharge-check-leaking": _check_leak,
    "wrong-phase-sequence": _wrong_phase,
    "oil-supply-lost": _oil_lost,
    "oil-filter-plugged": _filter,
    "flooded-start": _heater_off,
    "liquid-floodback": _floodback,
    "discharge-overheating": _overheating,
    "high-head": _high_head,
    "low-suction": _low_suction,
    "expansion-valve-fault": _hunting,
    "single-phasing": _single_phasing,
    "supply-unbalance": _unbalance,
    "supply-disturbance": _dip,
    "insulation-failure": _insulation,
    "motor-overload": _overload,
    "short-cycling": _nothing,
    "bearing-or-rotor-damage": _rotor,
    "contactor-fault": _chatter,
    "sensor-fault": _false_sensor,
    "sequence-error": _nothing,
}
SUDDEN = frozenset(
    {
        "trapped-loaded",
        "bypass-open-while-running",
        "single-phasing",
        "supply-disturbance",
        "insulation-failure",
        "bearing-or-rotor-damage",
        "contactor-fault",
        "sensor-fault",
    }
)


def weld(fx: Effects, at: Moment) -> None:
    """Contacts that stay closed after the command falls, until the breaker upstream opens."""
    _weld(fx, at)
