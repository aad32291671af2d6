"""Failure modes: what each does, at three severities, and which builds can have it.

The three levels of a mode are one physical amount each: barely at the limit of common practice, clear, and gross.
They are estimates without a published source where no other basis is named.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from .builds import BUILDS, Build
from .effects import Effects

SEVERITIES = ("barely", "clear", "gross")
ONSETS = ("sudden", "hours", "weeks")
Act = Callable[[Effects, float, int, Build], None]


@dataclass(frozen=True, slots=True)
class Fault:
    """One mode.

    Attributes
    ----------
    levels
        Amount at each severity, in `unit`; `neutral` is the healthy machine's.
    act
        Sets the effects for an amount; `variant` 0 or 1 chooses between the ways a mode can show.
    event
        What strikes at an instant, or empty.
    """

    id: str
    neutral: float
    levels: tuple[float, float, float]
    unit: str
    act: Act
    event: str = ""

    def amount(self, severity: str, share: float) -> float:
        """Amount at a share (0 to 1) of the growth to a severity."""
        return self.neutral + (self.levels[SEVERITIES.index(severity)] - self.neutral) * share


def _nothing(fx: Effects, amount: float, variant: int, build: Build) -> None:
    """It acts through an event alone."""


def _unload(fx: Effects, amount: float, variant: int, build: Build) -> None:
    fx.unload_factor = amount
    fx.leak_down_s = 420.0 / amount if amount > 0.01 else 0.0


def _trapped(fx: Effects, amount: float, variant: int, build: Build) -> None:
    fx.leak_down_s = amount


def _stuck(fx: Effects, amount: float, variant: int, build: Build) -> None:
    if amount > 0.0:
        fx.stuck_pc = amount


def _load(fx: Effects, amount: float, variant: int, build: Build) -> None:
    fx.load_factor = amount


def _drift(fx: Effects, amount: float, variant: int, build: Build) -> None:
    fx.drift_pc_min = amount


def _held(fx: Effects, amount: float, variant: int, build: Build) -> None:
    fx.bypass_late_s = amount


def _recirculates(fx: Effects, amount: float, variant: int, build: Build) -> None:
    fx.bypass_leak = amount


def _check(fx: Effects, amount: float, variant: int, build: Build) -> None:
    fx.check_leak_mm2 = amount * build.shaft_kw / 100.0


def _oil_lost(fx: Effects, amount: float, variant: int, build: Build) -> None:
    fx.oil_factor = amount
    if variant == 0:  # the vessel runs empty; otherwise a feed is blocked and the level stays
        fx.level_pc = 70.0 * amount
    fx.discharge_extra_k = 12.0 * max(0.0, 0.7 - amount)


def _filter(fx: Effects, amount: float, variant: int, build: Build) -> None:
    fx.plug_kpa = amount


def _flooded(fx: Effects, amount: float, variant: int, build: Build) -> None:
    fx.heater_works = amount <= 0.0
    fx.dissolves = amount


def _floodback(fx: Effects, amount: float, variant: int, build: Build) -> None:
    fx.liquid, fx.torque_factor, fx.ripple_pu = amount, 1.0 + 0.08 * amount, 0.02 * amount
    if amount > 0.05:
        fx.exv_stuck_pc = 55.0 + 40.0 * amount


def _hot(fx: Effects, amount: float, variant: int, build: Build) -> None:
    fx.discharge_extra_k, fx.injection = amount, amount > 8.0


def _head(fx: Effects, amount: float, variant: int, build: Build) -> None:
    if variant and build.condenser == "water":
        fx.water_factor = max(0.12, amount)
    else:
        fx.condenser_factor = amount


def _suction(fx: Effects, amount: float, variant: int, build: Build) -> None:
    fx.charge = amount


def _valve(fx: Effects, amount: float, variant: int, build: Build) -> None:
    if variant:
        fx.exv_bleed_mm2 = 5.0 * amount
    else:
        fx.hunt_k = amount


def _unbalance(fx: Effects, amount: float, variant: int, build: Build) -> None:
    # NEMA MG 1 14.36.5: current unbalance six to ten times that of the voltage (7 is taken); highest phase first
    volts, amps = amount / 100.0, 0.07 * amount
    fx.phase_volts = (1.0 + 0.5 * volts, 1.0 + 0.5 * volts, 1.0 - volts)
    fx.phase_amps = (1.0 + amps, 1.0 - 0.35 * amps, 1.0 - 0.65 * amps)
    fx.winding_k = 0.02 * amount * amount * 65.0  # NEMA MG 1 14.36.4: added heating about 2 u^2 percent


def _turns(fx: Effects, amount: float, variant: int, build: Build) -> None:
    fx.phase_amps = (1.0 + amount, 1.0 - 0.2 * amount, 1.0 + 0.2 * amount)
    fx.winding_k = 60.0 * amount


def _overload(fx: Effects, amount: float, variant: int, build: Build) -> None:
    fx.torque_factor, fx.winding_k = amount, 60.0 * (amount - 1.0)


def _cycling(fx: Effects, amount: float, variant: int, build: Build) -> None:
    fx.cycle_minutes = (amount, 0.65 * amount) if amount < 29.0 else None


def _bearing(fx: Effects, amount: float, variant: int, build: Build) -> None:
    fx.drag_factor, fx.vibration_mm_s = amount, 2.2 + 2.6 * (amount - 1.0)
    fx.ripple_pu, fx.discharge_extra_k = 0.012 * (amount - 1.0), 2.2 * (amount - 1.0)


def _sensor(fx: Effects, amount: float, variant: int, build: Build) -> None:
    role, per = (("discharge_temperature", 1.0), ("suction_pressure", -3.0))[variant]
    fx.sensor_offsets[role] = amount * per


def _sequence(fx: Effects, amount: float, variant: int, build: Build) -> None:
    if amount <= 0.0:
        return
    fx.bypass_at_rest = build.has_bypass
    fx.load_in_start = (amount >= 2.0 or not build.has_bypass) and "load_solenoid" in build.solenoids
    fx.no_unload_dwell = amount >= 3.0


def _economiser(fx: Effects, amount: float, variant: int, build: Build) -> None:
    if variant:
        fx.economiser_stuck = "open" if amount > 0.0 else ""
    fx.economiser_share = 1.0 - amount if not variant else 1.0


def _drive(fx: Effects, amount: float, variant: int, build: Build) -> None:
    fx.speed_most, fx.ripple_pu = 1.0 - amount, 0.06 * amount
    fx.hertz_factor = 1.0 - 0.1 * amount


_ALL = (
    Fault("unload-path-failed", 1.0, (0.35, 0.08, 0.0), "share of the unload rate", _unload),
    Fault("trapped-loaded", 420.0, (1800.0, 7200.0, 90000.0), "s, oil seeping at rest", _trapped, "power"),
    Fault("slide-stuck", 0.0, (45.0, 70.0, 95.0), "% position", _stuck),
    Fault("load-solenoid-failed", 1.0, (0.3, 0.06, 0.0), "share of the load rate", _load),
    Fault("unload-solenoid-leaking", 0.0, (-1.5, -4.0, -10.0), "%/min", _drift),
    Fault("load-solenoid-leaking", 0.0, (1.5, 4.0, 10.0), "%/min", _drift),
    Fault("bypass-not-released", 0.2, (2.0, 6.0, 90.0), "s late", _held),
    Fault("bypass-open-while-running", 0.0, (0.06, 0.2, 0.8), "share of its area", _recirculates),
    Fault("discharge-check-leaking", 0.0, (60.0, 250.0, 2500.0), "mm2 per 100 kW", _check),
    Fault("wrong-phase-sequence", 0.0, (1.0, 1.0, 1.0), "-", _nothing, "reversal"),
    Fault("oil-supply-lost", 1.0, (0.55, 0.3, 0.04), "share of the feed", _oil_lost),
    Fault("oil-filter-plugged", 0.0, (90.0, 170.0, 300.0), "kPa at rated flow", _filter),
    Fault("flooded-start", 0.0, (0.35, 0.65, 0.95), "share dissolved", _flooded),
    Fault("liquid-floodback", 0.0, (0.3, 0.6, 0.92), "share of superheat lost", _floodback),
    Fault("discharge-overheating", 0.0, (14.0, 28.0, 60.0), "K", _hot),
    Fault("high-head", 1.0, (0.6, 0.38, 0.14), "share of conductance or flow", _head),
    Fault("low-suction", 1.0, (0.8, 0.6, 0.35), "share of charge", _suction),
    Fault("expansion-valve-fault", 0.0, (3.0, 6.0, 12.0), "K of swing, or 5 mm2 of bleed", _valve),
    Fault("single-phasing", 0.0, (0.6, 0.9, 1.0), "share of one phase lost", _nothing, "phase"),
    Fault("supply-unbalance", 0.0, (1.6, 3.2, 5.5), "% of voltage", _unbalance),
    Fault("supply-disturbance", 0.0, (0.22, 0.45, 0.85), "depth of the dip", _nothing, "dip"),
    Fault("insulation-failure", 0.0, (0.06, 0.14, 0.3), "excess amps of a phase before it fails", _turns, "earth"),
    Fault("motor-overload", 1.0, (1.15, 1.3, 1.5), "share of torque", _overload),
    Fault("short-cycling", 30.0, (8.0, 5.5, 3.5), "min of run", _cycling),
    Fault("bearing-or-rotor-damage", 1.0, (1.8, 3.2, 5.0), "times the drag", _bearing, "seizure"),
    Fault("contactor-fault", 0.0, (2.0, 4.0, 8.0), "drop-outs, or 8 s of run-on each", _nothing, "contactor"),
    Fault("sensor-fault", 0.0, (9.0, 25.0, 160.0), "K high, or 3 kPa low each", _sensor),
    Fault("sequence-error", 0.0, (1.0, 2.0, 3.0), "errors", _sequence),
    Fault("economiser-fault", 0.0, (0.45, 0.8, 1.0), "share of its effect lost", _economiser),
    Fault("drive-fault", 0.0, (0.12, 0.3, 0.5), "share of speed lost", _drive, "drive"),
)
FAULTS: dict[str, Fault] = {fault.id: fault for fault in _ALL}

_SLIDE = frozenset(
    {"unload-path-failed", "slide-stuck", "load-solenoid-failed", "unload-solenoid-leaking", "load-solenoid-leaking"}
)


def possible(build: Build, fault: str) -> bool:
    """Whether a build can have a mode at all."""
    if fault in _SLIDE:
        return build.has_slide
    if fault == "trapped-loaded":
        return build.has_slide and build.unload_energised_unloads and build.capacity != "three-way"
    if fault.startswith("bypass-"):
        return build.has_bypass
    if fault == "wrong-phase-sequence":
        return not build.has_drive
    if fault == "contactor-fault":
        return not build.has_drive
    if fault == "sequence-error":
        return build.has_bypass or build.has_slide
    if fault == "economiser-fault":
        return build.economiser
    if fault == "drive-fault":
        return build.has_drive
    return fault == "none" or fault in FAULTS


def combinations() -> Iterator[tuple[str, str, str, str]]:
    """Every build, fault, severity and onset that goes together, in a fixed order; the healthy machines stand first."""
    for build in BUILDS:
        yield build, "none", "clear", "sudden"
    for build, machine in BUILDS.items():
        for fault in FAULTS:
            if possible(machine, fault):
                for severity in SEVERITIES:
                    for onset in ONSETS:
                        yield build, fault, severity, onset


def variant_of(fault: str, seed: int) -> int:
    """Which of the two ways of a mode a seed has."""
    return (seed * 2654435761 >> 7) & 1 if fault in FAULTS else 0
