"""The words of the workbook, once: roles, states, outcomes, grades, modes, quality flags."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import IntFlag, StrEnum
from pathlib import Path

MODE_FILES = Path(__file__).resolve().parent.parent / "rules" / "modes"
_MODE_ID = re.compile(r"^[a-z][a-z0-9-]*$")


class Dimension(StrEnum):
    """What a number measures. Gauge and absolute pressure enter as one, a difference is another."""

    CURRENT = "current"
    VOLTAGE = "voltage"
    POWER = "power"
    ENERGY = "energy"
    FREQUENCY = "frequency"
    SPEED = "speed"
    PRESSURE = "pressure"
    PRESSURE_DIFFERENCE = "pressure difference"
    TEMPERATURE = "temperature"
    FRACTION = "fraction"
    VELOCITY = "velocity"
    DURATION = "duration"
    COUNT = "count"
    STATE = "state"


class Role(StrEnum):
    """What a point stands for on the machine."""

    RUN_COMMAND = "run_command"
    RUN_STATUS = "run_status"
    LOAD_SOLENOID = "load_solenoid"
    UNLOAD_SOLENOID = "unload_solenoid"
    BYPASS_SOLENOID = "bypass_solenoid"
    INJECTION_SOLENOID = "injection_solenoid"
    ECONOMISER_SOLENOID = "economiser_solenoid"
    OIL_PUMP_STATUS = "oil_pump_status"
    OIL_HEATER = "oil_heater"
    TRIP = "trip"
    SLIDE_POSITION = "slide_position"
    CAPACITY_COMMAND = "capacity_command"
    MOTOR_AMPS = "motor_amps"
    AMPS_A = "amps_a"
    AMPS_B = "amps_b"
    AMPS_C = "amps_c"
    VOLTS_AB = "volts_ab"
    VOLTS_BC = "volts_bc"
    VOLTS_CA = "volts_ca"
    MOTOR_POWER = "motor_power"
    ELECTRICAL_ENERGY = "electrical_energy"
    DRIVE_HERTZ = "drive_hertz"
    SHAFT_SPEED = "shaft_speed"
    SUCTION_PRESSURE = "suction_pressure"
    DISCHARGE_PRESSURE = "discharge_pressure"
    CONDENSER_PRESSURE = "condenser_pressure"
    HIGH_SIDE_PRESSURE = "high_side_pressure"
    OIL_PRESSURE = "oil_pressure"
    OIL_FILTER_IN_PRESSURE = "oil_filter_in_pressure"
    OIL_PRESSURE_DIFFERENCE = "oil_pressure_difference"
    ECONOMISER_PRESSURE = "economiser_pressure"
    SUCTION_TEMPERATURE = "suction_temperature"
    DISCHARGE_TEMPERATURE = "discharge_temperature"
    OIL_TEMPERATURE = "oil_temperature"
    WINDING_TEMPERATURE = "winding_temperature"
    LIQUID_TEMPERATURE = "liquid_temperature"
    CHILLED_WATER_ENTERING = "chilled_water_entering"
    CHILLED_WATER_LEAVING = "chilled_water_leaving"
    CONDENSER_WATER_ENTERING = "condenser_water_entering"
    CONDENSER_WATER_LEAVING = "condenser_water_leaving"
    AMBIENT_TEMPERATURE = "ambient_temperature"
    OIL_LEVEL = "oil_level"
    EXPANSION_VALVE_POSITION = "expansion_valve_position"
    CHILLED_WATER_SETPOINT = "chilled_water_setpoint"
    VIBRATION_VELOCITY = "vibration_velocity"
    START_COUNT = "start_count"
    RUN_HOURS = "run_hours"
    COMMUNICATION = "communication"


@dataclass(frozen=True, slots=True)
class RoleFacts:
    """Group, dimension and canonical unit of a role."""

    group: str
    dimension: Dimension
    unit: str


def _facts() -> dict[Role, RoleFacts]:
    state = Dimension.STATE
    table: dict[tuple[str, Dimension, str], str] = {
        ("commands and status", state, ""): (
            "run_command run_status load_solenoid unload_solenoid bypass_solenoid injection_solenoid "
            "economiser_solenoid oil_pump_status oil_heater trip"
        ),
        ("capacity", Dimension.FRACTION, "%"): "slide_position capacity_command",
        ("electrical", Dimension.CURRENT, "A"): "motor_amps amps_a amps_b amps_c",
        ("electrical", Dimension.VOLTAGE, "V"): "volts_ab volts_bc volts_ca",
        ("electrical", Dimension.POWER, "kW"): "motor_power",
        ("electrical", Dimension.ENERGY, "kWh"): "electrical_energy",
        ("electrical", Dimension.FREQUENCY, "Hz"): "drive_hertz",
        ("electrical", Dimension.SPEED, "rpm"): "shaft_speed",
        ("pressures", Dimension.PRESSURE, "kPa"): (
            "suction_pressure discharge_pressure condenser_pressure high_side_pressure "
            "oil_pressure oil_filter_in_pressure economiser_pressure"
        ),
        ("pressures", Dimension.PRESSURE_DIFFERENCE, "kPa"): "oil_pressure_difference",
        ("temperatures", Dimension.TEMPERATURE, "degC"): (
            "suction_temperature discharge_temperature oil_temperature winding_temperature liquid_temperature "
            "chilled_water_entering chilled_water_leaving condenser_water_entering condenser_water_leaving "
            "ambient_temperature"
        ),
        ("other", Dimension.FRACTION, "%"): "oil_level expansion_valve_position",
        ("other", Dimension.TEMPERATURE, "degC"): "chilled_water_setpoint",
        ("other", Dimension.VELOCITY, "mm/s"): "vibration_velocity",
        ("other", Dimension.COUNT, "1"): "start_count",
        ("other", Dimension.DURATION, "h"): "run_hours",
        ("other", state, ""): "communication",
    }
    return {Role(name): RoleFacts(*key) for key, names in table.items() for name in names.split()}


ROLE_FACTS: dict[Role, RoleFacts] = _facts()


def is_switch(role: Role) -> bool:
    """Whether a role is read as on, off or unknown (an oil level may be either: it is read as a number first)."""
    return ROLE_FACTS[role].dimension is Dimension.STATE


class State(StrEnum):
    """Operating states of the machine, in the order of a cycle."""

    REST = "rest"
    START = "start"
    LOAD = "load"
    HOLD = "hold"
    UNLOAD = "unload"
    STOP = "stop"
    COAST_DOWN = "coast-down"
    UNKNOWN = "unknown"


class Outcome(StrEnum):
    """What a detector answers: always one of three."""

    PRESENT = "present"
    ABSENT = "absent"
    CANNOT_TELL = "cannot-tell"


class Answer(StrEnum):
    """Yes, no, or cannot tell: for questions about one start or stop."""

    YES = "yes"
    NO = "no"
    CANNOT_TELL = "cannot-tell"


class Grade(StrEnum):
    """How sure a hypothesis is."""

    CONFIRMED = "confirmed"
    PROBABLE = "probable"
    POSSIBLE = "possible"
    EXCLUDED = "excluded"
    NOT_OBSERVABLE = "not-observable"


class VerdictStatus(StrEnum):
    """What the case came to."""

    DETERMINED = "determined"
    UNDETERMINED = "undetermined"
    NO_FAULT_FOUND = "no-fault-found"


class Mode(StrEnum):
    """Failure modes of the contract, and ``none``; a further file under ``rules/modes`` is a further mode."""

    UNLOAD_PATH_FAILED = "unload-path-failed"
    TRAPPED_LOADED = "trapped-loaded"
    SLIDE_STUCK = "slide-stuck"
    LOAD_SOLENOID_FAILED = "load-solenoid-failed"
    UNLOAD_SOLENOID_LEAKING = "unload-solenoid-leaking"
    LOAD_SOLENOID_LEAKING = "load-solenoid-leaking"
    BYPASS_NOT_RELEASED = "bypass-not-released"
    BYPASS_OPEN_WHILE_RUNNING = "bypass-open-while-running"
    DISCHARGE_CHECK_LEAKING = "discharge-check-leaking"
    WRONG_PHASE_SEQUENCE = "wrong-phase-sequence"
    OIL_SUPPLY_LOST = "oil-supply-lost"
    OIL_FILTER_PLUGGED = "oil-filter-plugged"
    FLOODED_START = "flooded-start"
    LIQUID_FLOODBACK = "liquid-floodback"
    DISCHARGE_OVERHEATING = "discharge-overheating"
    HIGH_HEAD = "high-head"
    LOW_SUCTION = "low-suction"
    EXPANSION_VALVE_FAULT = "expansion-valve-fault"
    SINGLE_PHASING = "single-phasing"
    SUPPLY_UNBALANCE = "supply-unbalance"
    SUPPLY_DISTURBANCE = "supply-disturbance"
    INSULATION_FAILURE = "insulation-failure"
    MOTOR_OVERLOAD = "motor-overload"
    SHORT_CYCLING = "short-cycling"
    BEARING_OR_ROTOR_DAMAGE = "bearing-or-rotor-damage"
    CONTACTOR_FAULT = "contactor-fault"
    SENSOR_FAULT = "sensor-fault"
    SEQUENCE_ERROR = "sequence-error"
    ECONOMISER_FAULT = "economiser-fault"
    DRIVE_FAULT = "drive-fault"
    NONE = "none"

    @classmethod
    def _missing_(cls, value: object) -> Mode | None:
        """A mode that has no name here but a file of its own; kept, so that it is one object."""
        if not isinstance(value, str) or not _MODE_ID.match(value) or not (MODE_FILES / f"{value}.toml").is_file():
            return None
        mode = str.__new__(cls, value)
        mode._name_ = value.upper().replace("-", "_")
        mode._value_ = value
        known = cls._value2member_map_.setdefault(value, mode)
        return known if isinstance(known, cls) else None


def known_modes() -> tuple[Mode, ...]:
    """Every mode: those of the contract, then those that are a file alone, by name."""
    files = sorted(path.stem for path in MODE_FILES.glob("*.toml") if _MODE_ID.match(path.stem))
    return tuple(dict.fromkeys((*Mode, *(Mode(name) for name in files))))


class Recorded(StrEnum):
    """How a logger makes one number of what it saw."""

    INSTANT = "instant"
    AVERAGE = "average"
    MINIMUM = "minimum"
    MAXIMUM = "maximum"
    CHANGE = "change"


class Starter(StrEnum):
    """Starter types that change what a start looks like."""

    ACROSS_THE_LINE = "across-the-line"
    STAR_DELTA = "star-delta"
    STAR_DELTA_CLOSED = "star-delta-closed"
    PART_WINDING = "part-winding"
    AUTOTRANSFORMER = "autotransformer"
    SOFT_START = "soft-start"
    VARIABLE_SPEED = "variable-speed"


class StopKind(StrEnum):
    """How a run ended."""

    NORMAL = "normal"
    TRIP = "trip"


class PreviousStop(StrEnum):
    """What the stop before a start was."""

    NORMAL = "normal"
    TRIP = "trip"
    POWER_LOSS = "power-loss"
    UNKNOWN = "unknown"


class Provable(StrEnum):
    """Order of two events, each an interval."""

    BEFORE = "before"
    AFTER = "after"
    NOT_PROVABLE = "not-provable"


class ClockMethod(StrEnum):
    """How the offset of a clock was had."""

    REFERENCE = "reference"
    ESTIMATED = "estimated"
    GIVEN = "given"
    NOT_POSSIBLE = "not-possible"


class Quality(IntFlag):
    """Marks on a sample. A mark never deletes."""

    GOOD = 0
    MISSING = 1
    HELD = 2
    STUCK = 4
    OUT_OF_RANGE = 8
    CLOCK_SUSPECT = 16
    UNIT_ASSUMED = 32
    DUPLICATE_DIFFERS = 64
    PASTED = 128
    UNCERTAIN = 256
