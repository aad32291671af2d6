"""The case file: strict models of ``case.toml`` and its reading, with every problem at once.

Unknown keys are refused. What a key means is in CONTRACT's words in each field's description; the JSON Schema that
editors use is made from these models.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from typing import Annotated, Any, Literal, TypeVar
from zoneinfo import ZoneInfo

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    field_validator,
    model_validator,
)

from forensics.case.job import JOB_MODELS, JobTables
from forensics.case.messages import (
    KeyLines,
    checked_path,
    is_deep,
    key_lines,
    line_of,
    said_type,
    toml_problem,
)
from forensics.case.values import (
    Day,
    Duration,
    Line,
    Name,
    Number,
    Positive,
    Stamp,
    Text,
    check_delimiter,
    check_encoding,
    check_source_zone,
    check_zone,
    one_line,
    within,
)
from forensics.errors import InputError, Problem
from forensics.model.build_words import CapacityKind, CheckValve, Condenser, Evaporator
from forensics.model.paths import CASE_FILE_BYTES, name_fault, read_regular
from forensics.model.units import air_pressure_at_kpa, read_unit
from forensics.model.vocabulary import Mode, Recorded, Role, Starter, is_switch

_SHA256 = re.compile(r"[0-9a-fA-F]{64}")
# ends of what a file of a few megabytes is answered with; a machine has dozens of points and a hundred exports
MOST_ROWS, MOST_WORDS, MOST_TIME_COLUMNS, LONGEST_ID = 2_000, 500, 10, 100
MOST_SHOWN, SHOWN = 200, 60


def is_pattern(path: str) -> bool:
    """Whether a path is a pattern that may fit several files: it holds ``*`` or ``?``."""
    return "*" in path or "?" in path


def _words(value: object) -> object:
    return tuple(value) if isinstance(value, list) else value


def _one_or_more(value: object) -> object:
    if isinstance(value, str):
        return (value,)
    return tuple(value) if isinstance(value, list) else value


def _no_empty_path(value: object) -> object:
    return _one_or_more(() if value == "" else value)


Reading = Annotated[Number, within("reading")]
PathText = Annotated[str, AfterValidator(checked_path), AfterValidator(one_line)]
Paths = Annotated[tuple[PathText, ...], BeforeValidator(_no_empty_path), Field(max_length=MOST_WORDS)]
Words = Annotated[tuple[Name, ...], BeforeValidator(_words), Field(max_length=MOST_WORDS)]
MOST = Field(max_length=MOST_ROWS)


class Strict(BaseModel):
    """Refuses unknown keys and silent conversions; frozen."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


def _enum(
    kind: type[Role | Recorded | Starter | Mode | CapacityKind | CheckValve | Evaporator | Condenser],
) -> BeforeValidator:
    def read(value: object) -> object:
        if isinstance(value, str) and not isinstance(value, kind):
            try:
                return kind(value)
            except ValueError:
                near = difflib.get_close_matches(value[:SHOWN], [item.value for item in kind], n=1)
                which = f"did you mean '{near[0]}'?" if near else f"one of: {', '.join(item.value for item in kind)}"
                raise ValueError(f"'{value[:SHOWN]}' is not known here: {which}") from None
        return value

    return BeforeValidator(read)


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
    starter: Annotated[Starter, _enum(Starter)] | None = None
    altitude_m: Annotated[Number, within("altitude_m")] | None = None
    air_pressure_kpa: Annotated[Positive, within("air_pressure_kpa")] | None = None
    sequence: PathText = "pulsed-slide-bypass"
    sequence_confirmed: bool = False
    capacity: Annotated[CapacityKind, _enum(CapacityKind)] | None = None
    evaporator: Annotated[Evaporator, _enum(Evaporator)] | None = None
    condenser: Annotated[Condenser, _enum(Condenser)] | None = None
    shared_circuit: bool | None = None
    oil_pump: bool | None = None
    economiser: bool | None = None
    check_valve: Annotated[CheckValve, _enum(CheckValve)] | None = None
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


class ClockCheck(Strict):
    """``[[source.clock_check]]``: what the clock showed when the true time was known."""

    at: Stamp
    true_time: Stamp


class Mark(Strict):
    """``[[source.mark]]``: what a letter or sign glued to values means."""

    text: Line = Field(min_length=1)
    means: Literal["no reading", "uncertain", "good"]


class RowAnswer(Strict):
    """``[[source.row]]``: the answer for one row that the file cannot settle."""

    line: int = Field(ge=1)
    file: Line = ""
    pass_: Literal["first", "second"] | None = Field(default=None, alias="pass")
    date_: Day | None = Field(default=None, alias="date")
    drop: bool = False

    @model_validator(mode="after")
    def _one_answer(self) -> RowAnswer:
        if (self.pass_ is not None) + (self.date_ is not None) + self.drop != 1:
            raise ValueError("give one of pass, date or drop for this row")
        return self


class Source(Strict):
    """``[[source]]``: one export. What is left out is detected and stated."""

    path: PathText
    clock: Line = ""
    sha256: Line | dict[str, Line] = ""
    on: Words = ()
    off: Words = ()
    unknown: Words = ()
    kind: Literal["trend", "events", "waveform"] | None = None
    layout: Literal["wide", "long"] | None = None
    time_column: Annotated[tuple[Name, ...], BeforeValidator(_one_or_more), Field(max_length=MOST_TIME_COLUMNS)] = ()
    date_order: Literal["MDY", "DMY", "YMD"] | None = None
    time_number: Literal["unix-s", "unix-ms", "unix-us", "unix-ns", "days-1900", "days-1904"] | None = None
    waveform_time: Literal["stamps", "rates"] | None = None
    time_zone: Annotated[Line, AfterValidator(check_source_zone)] = ""
    encoding: Annotated[Line, AfterValidator(check_encoding)] = ""
    delimiter: Annotated[str, AfterValidator(check_delimiter)] = ""
    decimal: Literal[".", ",", ""] = ""
    thousands: Literal[".", ",", "'", " ", ""] | None = None
    sheet: Name = ""
    point_column: Name = ""
    value_column: Name = ""
    text_column: Name = ""
    measured_at: Literal["line", "motor", "drive", ""] = ""
    stamps: Literal["instant", "interval-start", "interval-end"] | None = None
    year: Annotated[int, Field(ge=1980, le=2200)] | None = None
    summer_time_column: Name = ""
    row: Annotated[tuple[RowAnswer, ...], BeforeValidator(_words), MOST] = ()
    mark: Annotated[tuple[Mark, ...], BeforeValidator(_words), MOST] = ()
    clock_check: Annotated[tuple[ClockCheck, ...], BeforeValidator(_words), MOST] = ()

    @field_validator("path")
    @classmethod
    def _inside(cls, value: str) -> str:
        path = value.replace("\\", "/")
        fault = name_fault(value)
        if fault:
            raise ValueError(f"{fault}; move the export beside the case file")
        if is_pattern(PurePosixPath(path).parent.as_posix()):
            raise ValueError(f"'{value}': a pattern may stand in the name of a file, not in that of its folder")
        return path

    @field_validator("sha256")
    @classmethod
    def _hash(cls, value: str | dict[str, str]) -> str | dict[str, str]:
        told = value if isinstance(value, dict) else {"": value}
        if any(text and not _SHA256.fullmatch(text) for text in told.values()):
            raise ValueError("a SHA-256 has 64 hexadecimal digits")
        return {name: text.lower() for name, text in value.items()} if isinstance(value, dict) else value.lower()

    def told_sha256(self, path: str) -> str:
        """SHA-256 that the case gives of one of its files; empty where it gives none."""
        if isinstance(self.sha256, str):
            return self.sha256
        return self.sha256.get(path, self.sha256.get(PurePosixPath(path).name, ""))


class Point(Strict):
    """``[[point]]``: one column bound to one role."""

    role: Annotated[Role, _enum(Role)]
    column: Name
    source: Line = ""
    unit: Line = ""
    recorded: Annotated[Recorded, _enum(Recorded)] | None = None
    hold: Duration | None = None
    range: Annotated[tuple[Reading, Reading], BeforeValidator(_words)] | None = None
    on: Words = ()
    off: Words = ()
    unknown: Words = ()

    @model_validator(mode="after")
    def _sound(self) -> Point:
        if self.unit and not is_switch(self.role) and read_unit(self.unit) is None:
            raise ValueError(
                f"unit '{self.unit[:SHOWN]}' is not known; the units that are accepted stand in the documentation"
            )
        if self.range is not None and self.range[0] >= self.range[1]:
            raise ValueError("range = [low, high] needs low below high")
        return self

    @field_validator("source")
    @classmethod
    def _slashes(cls, value: str) -> str:
        return value.replace("\\", "/")


class Observation(Strict):
    """``[[observation]]``: what was seen or done by hand, with its time and author."""

    time: Stamp | None = None
    kind: Literal["witness", "inspection", "test", "document"] = "witness"
    by: Line = ""
    text: Text
    bears_on: Annotated[tuple[Annotated[Mode, _enum(Mode)], ...], BeforeValidator(_one_or_more), MOST] = ()
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
    """``[[fact]]``: claim-relevant, with where it is written."""

    what: Line
    value: Text | bool | Annotated[int, within("measured")] | Annotated[float, within("measured")]
    source: Text = ""


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
    source: Annotated[tuple[Source, ...], BeforeValidator(_words), Field(min_length=1, max_length=MOST_ROWS)]
    point: Annotated[tuple[Point, ...], BeforeValidator(_words), MOST] = ()
    observation: Annotated[tuple[Observation, ...], BeforeValidator(_words), MOST] = ()
    measurement: Annotated[tuple[Measurement, ...], BeforeValidator(_words), MOST] = ()
    fact: Annotated[tuple[Fact, ...], BeforeValidator(_words), MOST] = ()
    limit: Annotated[tuple[LimitOverride, ...], BeforeValidator(_words), MOST] = ()

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
    source: Annotated[tuple[Source, ...], BeforeValidator(_words), MOST] = ()


def local_to_utc(stamp: datetime, zone: str) -> datetime:
    """UTC of a stamp that is local to ``zone`` unless it carries an offset (a repeated hour: the first pass)."""
    return (stamp if stamp.tzinfo else stamp.replace(tzinfo=ZoneInfo(zone))).astimezone(UTC)


def read_case_file(path: Path) -> CaseFile:
    """Read and check ``case.toml``; all problems are raised at once as :class:`InputError`."""
    return parse_case(read_case_bytes(path), path.name)


def read_job_file(path: Path) -> JobFile:
    """Read and check a case as far as it goes; all problems are raised at once as :class:`InputError`."""
    data, text = toml_data(read_case_bytes(path), path.name)
    return _checked(JobFile, data, path.name, text)


def read_case_bytes(path: Path) -> bytes:
    """The bytes of a case file; what keeps it from being read is raised as :class:`InputError`."""
    try:
        return read_regular(path, CASE_FILE_BYTES)
    except FileNotFoundError:
        raise InputError([Problem("the case file is not there", file=str(path), remedy="Check the path.")]) from None
    except OSError as fault:
        raise InputError([Problem(f"the case file can't be read ({fault.strerror})", file=str(path))]) from None


_DEEP, _SHALLOW = "tables or lists lie too deep in each other", "A case file nests three levels at most."


def parse_case(content: bytes, name: str = "case.toml") -> CaseFile:
    """Read and check the bytes of a case file, whatever they are; all problems are raised at once."""
    data, text = toml_data(content, name)
    return check_case(data, name, text)


def toml_data(content: bytes, name: str = "case.toml") -> tuple[dict[str, Any], str]:
    """The content of a case file and its text, unchecked; what is no TOML is raised as :class:`InputError`."""
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        line = content[: fault.start].count(b"\n") + 1
        raise InputError(
            [Problem("the case file is not UTF-8", file=name, row=line, remedy="Save it as UTF-8.")]
        ) from None
    if is_deep(text):
        raise InputError([Problem(f"not TOML that can be read: {_DEEP}", file=name, remedy=_SHALLOW)])
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        raise InputError([toml_problem(name, text, str(fault))]) from None
    except RecursionError:
        raise InputError([Problem(f"not TOML that can be read: {_DEEP}", file=name, remedy=_SHALLOW)]) from None
    except ValueError:
        what = "not TOML that can be read: a number has more digits than any quantity"
        raise InputError([Problem(what, file=name, remedy="Correct the number; text stands in quotes.")]) from None
    return data, text


def check_case(data: dict[str, object], name: str = "case.toml", text: str = "") -> CaseFile:
    """Check the content of a case file; all problems are raised at once, with their line where ``text`` is given."""
    return _checked(CaseFile, data, name, text)


_CaseT = TypeVar("_CaseT", bound=CaseFile)


def _checked(form: type[_CaseT], data: dict[str, object], name: str, text: str) -> _CaseT:
    try:
        return form.model_validate(data)
    except ValidationError as fault:
        errors = fault.errors(include_url=False, include_context=False)
        lines = key_lines(text)
        problems = [_problem(e["loc"], e["type"], e["msg"], e["input"], name, lines) for e in errors[:MOST_SHOWN]]
        if len(errors) > MOST_SHOWN:
            more = f"{len(errors) - MOST_SHOWN} more problems of this kind or others are not listed"
            problems.append(Problem(more, file=name, remedy="Correct those above, then check again."))
        raise InputError(problems) from None


def _problem(
    location: tuple[int | str, ...], kind: str, message: str, value: object, name: str, lines: KeyLines
) -> Problem:
    key = "".join(f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in location).lstrip(".")
    text = message.removeprefix("Value error, ")
    remedy = ""
    if kind == "extra_forbidden":
        known = _keys_at(location[:-1])
        given = str(location[-1])[:SHOWN]
        near = difflib.get_close_matches(given, known, n=1)
        text = f"unknown key '{given}'"
        remedy = f"Did you mean '{near[0]}'?" if near else f"Known keys here: {', '.join(known)}."
    elif kind == "missing":
        text, remedy = "this key is required", "Add it to the case file."
    elif said := said_type(kind, value, key):
        text, remedy = said
    return Problem(text, file=name, row=line_of(lines, location), column=key, remedy=remedy)


def _keys_at(location: tuple[int | str, ...]) -> list[str]:
    model: type[BaseModel] = CaseFile
    inner: dict[str, type[BaseModel]] = {
        "case": CaseSection,
        "machine": Machine,
        "current_sensor": CurrentSensor,
        "source": Source,
        "clock_check": ClockCheck,
        "row": RowAnswer,
        "mark": Mark,
        "point": Point,
        "observation": Observation,
        "measurement": Measurement,
        "fact": Fact,
        "limit": LimitOverride,
        **JOB_MODELS,
    }
    for part in location:
        model = inner.get(str(part), model)
    return [field.alias or key for key, field in model.model_fields.items()]
