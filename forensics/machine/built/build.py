"""How the machine is built: the keys of the case file over those of its sequence profile, each asked by name."""

from __future__ import annotations

from dataclasses import dataclass, fields

from forensics.case.schema import Machine
from forensics.errors import Problem, Severity
from forensics.model.build_words import CapacityKind, CheckValve, Condenser, Evaporator
from forensics.model.vocabulary import Role, Starter, State
from forensics.rules.profile_words import explain
from forensics.rules.profiles import Profile


@dataclass(frozen=True, slots=True)
class Build:
    """How one machine is built; None where nobody said.

    Attributes
    ----------
    has_slide, has_drive
        Whether commands move a slide or steps, and whether a drive changes the speed.
    three_way
        One valve feeds the slide and vents it while it does not.
    vents_without_power
        The unload valve stands open without current and the slide needs no oil to go to its minimum: a loss of power
        unloads.
    latched_hold
        The load coil stays energised while the machine holds.
    bypass_shut_at_start, bypass_released_early
        The internal unloading valve is shut with the motor; it is released before the motor stops.
    unloads_before_stop, unloads_after_stop
        Unload is commanded before the motor stops, and after it.
    """

    capacity: CapacityKind
    steps_percent: tuple[float, ...]
    has_slide: bool
    has_drive: bool
    three_way: bool
    spring_loads: bool
    vents_without_power: bool
    latched_hold: bool
    has_bypass: bool
    bypass_shut_at_start: bool
    bypass_released_early: bool
    has_pump_down: bool
    unloads_before_stop: bool
    unloads_after_stop: bool
    oil_pump: bool | None = None
    economiser: bool | None = None
    shared_circuit: bool | None = None
    check_valve: CheckValve | None = None
    evaporator: Evaporator | None = None
    condenser: Condenser | None = None
    starter: Starter | None = None

    def says(self, name: str) -> object:
        """The value of a property, words as plain text; None where it is not known."""
        value = getattr(self, name)
        return str(value) if isinstance(value, str) else value


PROPERTIES = frozenset(field.name for field in fields(Build)) - {"steps_percent"}
"""What a rule about builds may ask."""


def build_of(machine: Machine, profile: Profile) -> Build:
    """The build by the case file's machine keys, and by the profile where these say nothing."""
    told, polarity, times = profile.build, profile.polarity, profile.times
    starter = machine.starter
    capacity = machine.capacity or told.capacity
    unload_rests_open = polarity.unload_solenoid.startswith("de-energise")
    three_way = told.valves == "three-way"
    if three_way:
        unload_rests_open = polarity.load_solenoid.startswith("energise")
    bypass_stop = profile.expected(State.STOP, Role.BYPASS_SOLENOID)
    return Build(
        capacity=capacity,
        steps_percent=told.steps_percent,
        has_slide=capacity is not CapacityKind.SPEED,
        has_drive=capacity in (CapacityKind.SPEED, CapacityKind.SLIDE_AND_SPEED) or starter is Starter.VARIABLE_SPEED,
        three_way=three_way,
        spring_loads=told.force == "spring-loads",
        vents_without_power=unload_rests_open and told.force == "oil-loads" and capacity is not CapacityKind.SPEED,
        latched_hold=profile.expected(State.HOLD, Role.LOAD_SOLENOID).acts,
        has_bypass=polarity.has_bypass,
        bypass_shut_at_start=profile.expected(State.START, Role.BYPASS_SOLENOID).first is True,
        bypass_released_early=bypass_stop.last is False,
        has_pump_down=polarity.has_pump_down,
        unloads_before_stop=times.unload_before_stop_s > 0.0,
        unloads_after_stop=times.unload_after_stop_s > 0.0,
        oil_pump=machine.oil_pump if machine.oil_pump is not None else told.oil_pump,
        economiser=machine.economiser if machine.economiser is not None else told.economiser,
        shared_circuit=machine.shared_circuit,
        check_valve=machine.check_valve or told.check_valve,
        evaporator=machine.evaporator,
        condenser=machine.condenser,
        starter=starter,
    )


def contradicting_keys(machine: Machine, profile: Profile, file: str) -> list[Problem]:
    """Keys in which the case file and the profile differ, as notes: the case file stands."""
    told = profile.build
    pairs = [
        ("capacity", machine.capacity, told.capacity if "capacity" in told.model_fields_set else None),
        ("oil_pump", machine.oil_pump, told.oil_pump),
        ("economiser", machine.economiser, told.economiser),
        ("check_valve", machine.check_valve, told.check_valve),
    ]
    return [
        Problem(
            f"{key} is {_word(mine)}, the profile '{profile.id}' has {_word(theirs)}: that of the case file is taken",
            file=file,
            column=f"machine.{key}",
            remedy="Name a profile of this build, or correct the key.",
            severity=Severity.NOTE,
        )
        for key, mine, theirs in pairs
        if mine is not None and theirs is not None and mine != theirs
    ]


def machine_assumed(profile: Profile, build: Build) -> tuple[str, ...]:
    """The sequence profile and the build as they were taken, as the report prints them."""
    return f"Sequence profile: {' '.join(explain(profile))}", as_built(build)


def _word(value: object) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)


def as_built(build: Build) -> str:
    """What is known of the build, in one sentence; what nobody said is named as unknown."""
    known: list[str] = []
    unknown: list[str] = []
    for field in fields(Build):
        value, name = getattr(build, field.name), field.name.replace("_", " ")
        if value is None:
            unknown.append(name)
        elif isinstance(value, tuple):
            known += [f"steps {', '.join(f'{step:g}' for step in value)} %"] if value else []
        else:
            known.append(f"{name} {_said(value)}")
    return f"Taken as built: {'; '.join(known)}. Not told: {', '.join(unknown) or 'nothing'}."


def _said(value: object) -> str:
    return ("yes" if value else "no") if isinstance(value, bool) else str(value)
