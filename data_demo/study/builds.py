"""Builds: machines as they are made, by what moves their capacity, their valves, their circuit and their motor.

A build is data; its dimensions are invented but of the usual order.
"""

from __future__ import annotations

from dataclasses import dataclass

from ..rated_motor import RatedMotor

SOLENOIDS = ("load_solenoid", "unload_solenoid", "bypass_solenoid")
STATES = ("rest", "start", "load", "hold", "unload", "stop", "coast-down")


@dataclass(frozen=True, slots=True)
class Build(RatedMotor):
    """One machine as built.

    Attributes
    ----------
    capacity
        `pulses`, `three-way`, `steps`, `speed`, `speed-and-slide`.
    steps
        Capacity of each step, %, where capacity is by steps.
    hold
        `both-off`, or `load-on`: the coil of the load valve stays energised; it gives one metered shot each time its
        circuit closes.
    bypass
        `after-run-up`, `at-start` or `none`: when the valve shuts.
    bypass_early_s
        The valve opens so long before the motor is switched off.
    force
        `spring-unloads` or `spring-loads` (oil pressure unloads, and without it the slide stays or creeps to load).
    check_valve
        `after-discharge-sensor` or `before-discharge-sensor`.
    plenum_m3
        Gas volume between rotors and check valve.
    transformers
        Place of the current transformers: `line`, or `in-delta`.
    minimum_share
        Share of the swept volume that is left with the slide at its minimum.
    clearance_mm2
        Leak through the rotors at rest, mm2 per 100 kW of shaft power.
    """

    id: str
    title: str
    capacity: str = "pulses"
    steps: tuple[float, ...] = ()
    hold: str = "both-off"
    load_energised_loads: bool = True
    unload_energised_unloads: bool = True
    bypass_energised_shuts: bool = True
    bypass: str = "after-run-up"
    bypass_early_s: float = 0.0
    pump_down: bool = True
    force: str = "spring-unloads"
    oil_pump: bool = False
    check_valve: str = "after-discharge-sensor"
    plenum_m3: float = 0.06
    bypass_mm2: float = 800.0
    condenser: str = "water"
    evaporator: str = "flooded"
    economiser: bool = False
    refrigerant: str = "R134a"
    starter: str = "star-delta"
    transformers: str = "line"
    shared_circuit: bool = False
    rated_amps: float = 180.0
    volts: float = 400.0
    hertz: float = 50.0
    no_load_ratio: float = 0.33
    locked_rotor_ratio: float = 6.2
    inertia_kg_m2: float = 1.1
    pulse_period_s: float = 10.0
    travel_load_s: float = 60.0
    travel_unload_s: float = 40.0
    minimum_share: float = 0.25
    clearance_mm2: float = 22.0

    @property
    def has_bypass(self) -> bool:
        """Whether there is an internal unloading valve."""
        return self.bypass != "none"

    @property
    def has_slide(self) -> bool:
        """Whether a slide (or its steps) moves; a drive with a fixed slide has none."""
        return self.capacity != "speed"

    @property
    def has_drive(self) -> bool:
        """Whether a drive changes the speed."""
        return self.capacity in ("speed", "speed-and-slide")

    @property
    def solenoids(self) -> tuple[str, ...]:
        """Solenoids that the machine has, by role."""
        has = {
            "load_solenoid": self.has_slide,
            "unload_solenoid": self.has_slide and self.capacity != "three-way",
            "bypass_solenoid": self.has_bypass,
        }
        return tuple(role for role in SOLENOIDS if has[role])


_MADE = (
    Build("pulsed-bypass", "Pulsed slide with bypass"),
    Build(
        "unload-normally-open",
        "Pulsed slide, unload valve normally open",
        unload_energised_unloads=False,
        condenser="air",
        evaporator="dry-expansion",
        starter="soft-start",
        pulse_period_s=6.0,
        rated_amps=240.0,
    ),
    Build(
        "bypass-at-start",
        "Bypass shut at once at start",
        bypass="at-start",
        starter="star-delta-closed",
        condenser="evaporative",
        pulse_period_s=15.0,
        volts=460.0,
        hertz=60.0,
    ),
    Build(
        "bypass-early",
        "Bypass released before the motor is switched off",
        bypass_early_s=12.0,
        evaporator="falling-film",
        refrigerant="R1234ze(E)",
        rated_amps=150.0,
    ),
    Build(
        "no-bypass",
        "No bypass: slide and check valve only",
        bypass="none",
        starter="across-the-line",
        plenum_m3=0.004,
        clearance_mm2=60.0,
        rated_amps=95.0,
        inertia_kg_m2=0.8,
        pulse_period_s=3.0,
    ),
    Build(
        "no-pump-down",
        "No pump-down before the stop",
        pump_down=False,
        evaporator="dry-expansion",
        refrigerant="R22",
        pulse_period_s=30.0,
        starter="part-winding",
        volts=460.0,
        hertz=60.0,
    ),
    Build("three-way", "One three-way valve", capacity="three-way", pulse_period_s=5.0, starter="soft-start"),
    Build(
        "steps-four",
        "Step valves 25-50-75-100",
        capacity="steps",
        steps=(25.0, 50.0, 75.0, 100.0),
        condenser="air",
        evaporator="dry-expansion",
        rated_amps=130.0,
        starter="part-winding",
    ),
    Build(
        "steps-three",
        "Step valves 33-66-100",
        capacity="steps",
        steps=(33.0, 66.0, 100.0),
        minimum_share=0.33,
        refrigerant="R410A",
        starter="star-delta",
        transformers="in-delta",
        rated_amps=210.0,
    ),
    Build(
        "spring-loads",
        "Spring loads and oil unloads",
        force="spring-loads",
        starter="autotransformer",
        oil_pump=True,
        rated_amps=260.0,
        plenum_m3=0.09,
        pulse_period_s=8.0,
    ),
    Build("latched-hold", "Latched hold: load coil stays energised", hold="load-on", pulse_period_s=12.0),
    Build(
        "drive-fixed-slide",
        "Speed drive, no slide",
        capacity="speed",
        starter="variable-speed",
        evaporator="falling-film",
        rated_amps=220.0,
    ),
    Build(
        "drive-and-slide",
        "Speed drive with slide",
        capacity="speed-and-slide",
        starter="variable-speed",
        pulse_period_s=10.0,
        rated_amps=300.0,
        volts=460.0,
        hertz=60.0,
    ),
    Build(
        "sensor-after-check",
        "Check valve before the discharge sensor",
        check_valve="before-discharge-sensor",
        plenum_m3=0.008,
        starter="star-delta-closed",
    ),
    Build(
        "check-at-condenser",
        "No check valve of its own: separator and discharge line lie before it",
        plenum_m3=0.22,
        bypass_mm2=1500.0,
        inertia_kg_m2=1.8,
        rated_amps=280.0,
    ),
    Build(
        "ammonia-pumped",
        "Ammonia with an oil pump",
        refrigerant="R717",
        oil_pump=True,
        condenser="evaporative",
        starter="across-the-line",
        plenum_m3=0.2,
        inertia_kg_m2=2.4,
        rated_amps=320.0,
        volts=460.0,
        hertz=60.0,
        pulse_period_s=8.0,
    ),
    Build(
        "blend-economised",
        "Zeotropic blend, economiser, air-cooled",
        refrigerant="R407C",
        economiser=True,
        condenser="air",
        evaporator="dry-expansion",
        pulse_period_s=6.0,
    ),
    Build(
        "economised",
        "Economiser port, falling film",
        economiser=True,
        evaporator="falling-film",
        rated_amps=250.0,
        starter="soft-start",
    ),
    Build("shared-circuit", "Two compressors on one circuit", shared_circuit=True, plenum_m3=0.07),
    Build(
        "transformers-in-delta",
        "Star-delta with the current transformers inside the delta",
        transformers="in-delta",
        rated_amps=200.0,
        volts=460.0,
        hertz=60.0,
    ),
)
BUILDS: dict[str, Build] = {build.id: build for build in _MADE}
