"""The case file: strict models of ``case.toml``.

Unknown keys are refused. What a key means is in CONTRACT's words in each field's description; the JSON Schema that
editors use is made from these models.
"""

from __future__ import annotations

from collections import Counter
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, field_validator, model_validator

from forensics.case.exports import Point, Source
from forensics.case.fields import (
    LONGEST_ID,
    MOST,
    MOST_ROWS,
    MOST_SHOWN,
    Paths,
    PathText,
    Reading,
    Strict,
    as_tuple,
    one_of,
    one_or_more,
)
from forensics.case.job import JobTables
from forensics.case.values import Day, Duration, Line, Number, Positive, Stamp, Text, check_zone, within
from forensics.model.build_words import CapacityKind, CheckValve, Condenser, Evaporator
from forensics.model.units import air_pressure_at_kpa
from forensics.model.vocabulary import Mode, Starter


class CaseSection(Strict):
    """``[case]``: what is judged, where and when."""

    id: str = Field(pattern=r"^[A-Za-z0-9_-]+$", max_length=LONGEST_ID)
    title: Line = ""
    site: Line = ""
    machine_tag: Line = ""
    time_zone: str
    failure: Stamp | None = None
    window_before: Duration = 24 * 3600.0
    window_after: Duration = 3600.0
    history: Duration | None = None
    display: Literal["si", "inch-pound"] = "si"
    reference_clock: Line = ""
    revision: int = Field(1, ge=1, le=MOST_ROWS)
    supersedes: Line = ""
    purpose: Line = ""
    asked_by: Line = ""
    investigator: Line = ""
    investigator_qualification: Line = ""
    reviewer: Line = ""
    reviewer_qualification: Line = ""
    claim_number: Line = ""
    opened: Day | None = None

    @field_validator("time_zone")
    @classmethod
    def _zone(cls, value: str) -> str:
        return check_zone(value)


class CurrentSensor(Strict):
    """``[machine.current_sensor]``."""

    ratio_error_percent: Annotated[Positive, within("ratio_error_percent")] | None = None
    measured_at: Literal["line", "motor", "drive", ""] = ""
    place: Literal["line", "in-delta", ""] = ""


class Machine(Strict):
    """``[machine]``: nameplate and what else is known of the machine."""

    refrigerant: Line
    saturation_table: PathText = ""
    rated_load_amps: Annotated[Positive, within("rated_load_amps")] | None = None
    no_load_amps: Annotated[Positive, within("no_load_amps")] | None = None
    locked_rotor_amps: Annotated[Positive, within("locked_rotor_amps")] | None = None
    overload_setting_amps: Annotated[Positive, within("rated_load_amps")] | None = None
    max_continuous_amps: Annotated[Positive, within("rated_load_amps")] | None = None
    supply_volts: Annotated[Positive, within("supply_volts")] | None = None
    supply_hertz: Annotated[Positive, within("supply_hertz")] | None = None
    starter: Annotated[Starter, one_of(Starter)] | None = None
    altitude_m: Annotated[Number, within("altitude_m")] | None = None
    air_pressure_kpa: Annotated[Positive, within("air_pressure_kpa")] | None = None
    sequence: PathText = "pulsed-slide-bypass"
    sequence_confirmed: bool = False
    capacity: Annotated[CapacityKind, one_of(CapacityKind)] | None = None
    evaporator: Annotated[Evaporator, one_of(Evaporator)] | None = None
    condenser: Annotated[Condenser, one_of(Condenser)] | None = None
    shared_circuit: bool | None = None
    oil_pump: bool | None = None
    economiser: bool | None = None
    check_valve: Annotated[CheckValve, one_of(CheckValve)] | None = None
    swept_volume_m3_per_h: Annotated[Positive, within("swept_volume_m3_per_h")] | None = None
    rated_speed_rpm: Annotated[Positive, within("rated_speed_rpm")] | None = None
    rotor_inertia_kg_m2: Annotated[Positive, within("rotor_inertia_kg_m2")] | None = None
    motor_trip_class: Annotated[Positive, within("motor_trip_class")] | None = None
    serial: Line = ""
    model_year: Line | Annotated[int, within("year")] = ""
    commissioned: Day | Line = ""
    run_hours: Annotated[Number, within("run_hours")] | None = None
    start_count: Annotated[Number, within("start_count")] | None = None
    current_sensor: CurrentSensor = CurrentSensor()

    @property
    def air_kpa(self) -> float | None:
        """Air pressure in kPa from the pressure or the height given; None where neither is."""
        if self.air_pressure_kpa is not None:
            return self.air_pressure_kpa
        return None if self.altitude_m is None else air_pressure_at_kpa(self.altitude_m)


class Observation(Strict):
    """``[[observation]]``: what was seen or done by hand, with its time and author."""

    time: Stamp | None = None
    kind: Literal["witness", "inspection", "test", "document"] = "witness"
    by: Line = ""
    text: Text
    bears_on: Annotated[tuple[Annotated[Mode, one_of(Mode)], ...], BeforeValidator(one_or_more), MOST] = ()
    supports: bool = True
    shows: Literal["cause", "damage", "in-order", "nothing", ""] = ""
    part: Line = ""
    serial: Line = ""
    place: Line = ""
    photo: Paths = ()
    document: Paths = ()

    @model_validator(mode="after")
    def _agrees(self) -> Observation:
        told = "supports" in self.model_fields_set
        if told and self.shows in ("cause", "damage") and not self.supports:
            raise ValueError(
                f"shows = '{self.shows}' speaks for bears_on, supports = false against it: say one of them"
            )
        if told and self.shows == "in-order" and self.supports:
            raise ValueError("shows = 'in-order' speaks against bears_on, supports = true for it: say one")
        if self.shows in ("cause", "damage", "in-order") and not self.bears_on:
            raise ValueError(f"shows = '{self.shows}' needs bears_on: the mode or modes it is said of")
        return self

    @property
    def speaks_for(self) -> bool:
        """Whether it speaks for the modes of ``bears_on``, by what it shows, else by ``supports``."""
        return self.supports and self.shows != "in-order"


class Measurement(Strict):
    """``[[measurement]]``: a bench or field test with its value and the conditions that the value depends on."""

    time: Stamp | None = None
    kind: Line
    value: Annotated[Number, within("measured")]
    unit: Line = ""
    by: Line = ""
    text: Text = ""
    part: Line = ""
    temperature_c: Reading | None = None
    test_volts: Positive | None = None
    state: Literal["recovered", "charged", ""] = ""
    instrument: Line = ""
    lab: Line = ""
    method: Line = ""
    taken: Literal["before", "after", ""] = ""
    place: Line = ""
    document: Paths = ()


class Fact(Strict):
    """``[[fact]]``: claim-relevant, with where it is written: in words, and as files inside the case folder."""

    what: Line
    value: Text | bool | Annotated[int, within("measured")] | Annotated[float, within("measured")]
    source: Text = ""
    document: Paths = ()
    page: Line = ""
    photo: Paths = ()

    @property
    def written(self) -> str:
        """Where it is written, in one text: the words, the papers with their page, the photographs; empty for none."""
        papers = [f"{path}, page {self.page}" if self.page else path for path in self.document]
        words = f"{self.source}, page {self.page}" if self.source and self.page and not papers else self.source
        return "; ".join(text for text in (words, *papers, *(f"photograph {path}" for path in self.photo)) if text)


class LimitOverride(Strict):
    """``[[limit]]``: a limit of this machine that replaces a common-practice default."""

    name: Line
    value: Number
    source: Text = Field(min_length=1)


class CaseFile(JobTables, Strict):
    """The whole of ``case.toml``; the tables of the whole job are those of :class:`JobTables`."""

    schema_: Literal[1] = Field(alias="schema")
    case: CaseSection
    machine: Machine
    source: Annotated[tuple[Source, ...], BeforeValidator(as_tuple), Field(min_length=1, max_length=MOST_ROWS)]
    point: Annotated[tuple[Point, ...], BeforeValidator(as_tuple), MOST] = ()
    observation: Annotated[tuple[Observation, ...], BeforeValidator(as_tuple), MOST] = ()
    measurement: Annotated[tuple[Measurement, ...], BeforeValidator(as_tuple), MOST] = ()
    fact: Annotated[tuple[Fact, ...], BeforeValidator(as_tuple), MOST] = ()
    limit: Annotated[tuple[LimitOverride, ...], BeforeValidator(as_tuple), MOST] = ()

    @model_validator(mode="after")
    def _consistent(self) -> CaseFile:
        paths = [source.path for source in self.source]
        doubled = sorted(path for path, often in Counter(paths).items() if often > 1)
        if doubled:
            raise ValueError(f"source given twice: {', '.join(doubled[:MOST_SHOWN])}")
        unknown = sorted({point.source for point in self.point if point.source} - set(paths))
        if unknown:
            raise ValueError(f"a point names a source that is not listed: {', '.join(unknown[:MOST_SHOWN])}")
        clocks = {self.clock_of(source) for source in self.source}
        if self.case.reference_clock and self.case.reference_clock not in clocks:
            raise ValueError(f"reference_clock '{self.case.reference_clock}' is not the clock of any source")
        return self

    @staticmethod
    def clock_of(source: Source) -> str:
        """Name of a source's clock; a source without one has a clock of its own."""
        return source.clock or source.path

    @property
    def reference_clock(self) -> str:
        """The clock that the report's times stand on."""
        return self.case.reference_clock or self.clock_of(self.source[0])


class MachineSoFar(Machine):
    """``[machine]`` of a case that only begins: the refrigerant may still be unknown."""

    refrigerant: Line = ""


class JobFile(CaseFile):
    """A case as far as it goes: ``schema``, ``case.id`` and ``case.time_zone`` are enough, as after a call."""

    machine: MachineSoFar = MachineSoFar()
    source: Annotated[tuple[Source, ...], BeforeValidator(as_tuple), MOST] = ()
