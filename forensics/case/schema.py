"""The case file: strict models of ``case.toml`` and its reading, with every problem at once.

Unknown keys are refused. What a key means is in CONTRACT's words in each field's description; the JSON Schema that
editors use is made from these models.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from datetime import UTC, date, datetime
from pathlib import Path, PurePosixPath
from typing import Annotated, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

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

from forensics.case.messages import checked_path, line_of, said_type, toml_problem
from forensics.errors import InputError, Problem
from forensics.model.units import air_pressure_at_kpa, read_unit
from forensics.model.vocabulary import Mode, Recorded, Role, Starter, is_switch

_DURATION = re.compile(r"^\s*(\d+(?:\.\d+)?)\s*(s|min|h|d)\s*$")
_DURATION_S = {"s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0}
_FIXED_OFFSET = re.compile(r"^[+-]\d{2}:\d{2}$")


_SHA256 = re.compile(r"[0-9a-fA-F]{64}")


def is_pattern(path: str) -> bool:
    """Whether a path is a pattern that may fit several files: it holds ``*`` or ``?``."""
    return "*" in path or "?" in path


def read_duration_s(text: object) -> float:
    """Read ``"36h"``, ``"15min"``, ``"30d"`` or ``"10s"`` as seconds."""
    match = _DURATION.match(text) if isinstance(text, str) else None
    if match is None:
        raise ValueError("write a duration as text with its unit: 30s, 15min, 36h or 7d")
    return float(match[1]) * _DURATION_S[match[2]]


def _number(value: object) -> object:
    """TOML integers may stand where a number is asked for; text and booleans may not."""
    return float(value) if isinstance(value, int) and not isinstance(value, bool) else value


def _words(value: object) -> object:
    return tuple(value) if isinstance(value, list) else value


def _one_or_more(value: object) -> object:
    if isinstance(value, str):
        return (value,)
    return tuple(value) if isinstance(value, list) else value


Duration = Annotated[float, BeforeValidator(read_duration_s)]
Number = Annotated[float, BeforeValidator(_number)]
Positive = Annotated[float, BeforeValidator(_number), Field(gt=0)]
PathText = Annotated[str, AfterValidator(checked_path)]
Words = Annotated[tuple[str, ...], BeforeValidator(_words)]


class Strict(BaseModel):
    """Refuses unknown keys and silent conversions; frozen."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


def _enum(kind: type[Role | Recorded | Starter | Mode]) -> BeforeValidator:
    def read(value: object) -> object:
        if isinstance(value, str) and not isinstance(value, kind):
            try:
                return kind(value)
            except ValueError:
                near = difflib.get_close_matches(value, [item.value for item in kind], n=1)
                hint = f" (did you mean '{near[0]}'?)" if near else ""
                raise ValueError(f"'{value}' is not one of: {', '.join(item.value for item in kind)}{hint}") from None
        return value

    return BeforeValidator(read)


class CaseSection(Strict):
    """``[case]``: what is judged, where and when."""

    id: str = Field(pattern=r"^[A-Za-z0-9_-]+$")
    title: str = ""
    site: str = ""
    machine_tag: str = ""
    time_zone: str
    failure: datetime | None = None
    window_before: Duration = 24 * 3600.0
    window_after: Duration = 3600.0
    history: Duration | None = None
    display: Literal["si", "inch-pound"] = "si"
    reference_clock: str = ""
    revision: int = 1
    supersedes: str = ""
    investigator: str = ""
    reviewer: str = ""
    claim_number: str = ""
    opened: date | None = None

    @field_validator("time_zone")
    @classmethod
    def _zone(cls, value: str) -> str:
        return check_zone(value)


class CurrentSensor(Strict):
    """``[machine.current_sensor]``."""

    ratio_error_percent: Positive | None = None
    measured_at: Literal["line", "motor", "drive", ""] = ""


class Machine(Strict):
    """``[machine]``: nameplate and what else is known of the machine."""

    refrigerant: str
    saturation_table: PathText = ""
    rated_load_amps: Positive | None = None
    no_load_amps: Positive | None = None
    locked_rotor_amps: Positive | None = None
    supply_volts: Positive | None = None
    supply_hertz: Positive | None = None
    starter: Annotated[Starter, _enum(Starter)] | None = None
    altitude_m: Number | None = None
    air_pressure_kpa: Positive | None = None
    sequence: PathText = "pulsed-slide-bypass"
    sequence_confirmed: bool = False
    shared_circuit: bool | None = None
    oil_pump: bool | None = None
    economiser: bool | None = None
    serial: str = ""
    model_year: str | int = ""
    commissioned: date | str = ""
    run_hours: Number | None = None
    start_count: Number | None = None
    current_sensor: CurrentSensor = CurrentSensor()

    @property
    def air_kpa(self) -> float | None:
        """Air pressure in kPa from the pressure or the height given; None where neither is."""
        if self.air_pressure_kpa is not None:
            return self.air_pressure_kpa
        return None if self.altitude_m is None else air_pressure_at_kpa(self.altitude_m)


class ClockCheck(Strict):
    """``[[source.clock_check]]``: what the clock showed when the true time was known."""

    at: datetime
    true_time: datetime


class Mark(Strict):
    """``[[source.mark]]``: what a letter or sign glued to values means."""

    text: str = Field(min_length=1)
    means: Literal["no reading", "uncertain", "good"]


class RowAnswer(Strict):
    """``[[source.row]]``: the answer for one row that the file cannot settle."""

    line: int = Field(ge=1)
    file: str = ""
    pass_: Literal["first", "second"] | None = Field(default=None, alias="pass")
    date_: date | None = Field(default=None, alias="date")
    drop: bool = False

    @model_validator(mode="after")
    def _one_answer(self) -> RowAnswer:
        if (self.pass_ is not None) + (self.date_ is not None) + self.drop != 1:
            raise ValueError("give one of pass, date or drop for this row")
        return self


class Source(Strict):
    """``[[source]]``: one export. What is left out is detected and stated."""

    path: str
    clock: str = ""
    sha256: str | dict[str, str] = ""
    on: Words = ()
    off: Words = ()
    unknown: Words = ()
    kind: Literal["trend", "events", "waveform"] | None = None
    layout: Literal["wide", "long"] | None = None
    time_column: Annotated[tuple[str, ...], BeforeValidator(_one_or_more)] = ()
    date_order: Literal["MDY", "DMY", "YMD"] | None = None
    time_number: Literal["unix-s", "unix-ms", "unix-us", "unix-ns", "days-1900", "days-1904"] | None = None
    waveform_time: Literal["stamps", "rates"] | None = None
    time_zone: str = ""
    encoding: str = ""
    delimiter: str = ""
    decimal: Literal[".", ",", ""] = ""
    thousands: Literal[".", ",", "'", " ", ""] | None = None
    sheet: str = ""
    point_column: str = ""
    value_column: str = ""
    text_column: str = ""
    measured_at: Literal["line", "motor", "drive", ""] = ""
    stamps: Literal["instant", "interval-start", "interval-end"] | None = None
    year: Annotated[int, Field(ge=1980, le=2200)] | None = None
    summer_time_column: str = ""
    row: Annotated[tuple[RowAnswer, ...], BeforeValidator(_words)] = ()
    mark: Annotated[tuple[Mark, ...], BeforeValidator(_words)] = ()
    clock_check: Annotated[tuple[ClockCheck, ...], BeforeValidator(_words)] = ()

    @field_validator("path")
    @classmethod
    def _inside(cls, value: str) -> str:
        path = checked_path(value).replace("\\", "/")
        if PurePosixPath(path).is_absolute() or re.match(r"^[A-Za-z]:", path) or ".." in PurePosixPath(path).parts:
            raise ValueError(f"'{value}' lies outside the folder of the case file; move the export beside it")
        if is_pattern(PurePosixPath(path).parent.as_posix()):
            raise ValueError(f"'{value}': a pattern may stand in the name of a file, not in that of its folder")
        return path

    @field_validator("time_zone")
    @classmethod
    def _zone(cls, value: str) -> str:
        return value if not value or _FIXED_OFFSET.match(value) else check_zone(value)

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
    column: str
    source: str = ""
    unit: str = ""
    recorded: Annotated[Recorded, _enum(Recorded)] | None = None
    hold: Duration | None = None
    range: Annotated[tuple[Number, Number], BeforeValidator(_words)] | None = None
    on: Words = ()
    off: Words = ()
    unknown: Words = ()

    @model_validator(mode="after")
    def _sound(self) -> Point:
        if self.unit and not is_switch(self.role) and read_unit(self.unit) is None:
            raise ValueError(f"unit '{self.unit}' is not known; the units that are accepted stand in the documentation")
        if self.range is not None and self.range[0] >= self.range[1]:
            raise ValueError("range = [low, high] needs low below high")
        return self

    @field_validator("source")
    @classmethod
    def _slashes(cls, value: str) -> str:
        return value.replace("\\", "/")


class Observation(Strict):
    """``[[observation]]``: what was seen or done by hand, with its time and author."""

    time: datetime | None = None
    kind: Literal["witness", "inspection", "test", "document"] = "witness"
    by: str = ""
    text: str
    bears_on: Annotated[tuple[Annotated[Mode, _enum(Mode)], ...], BeforeValidator(_one_or_more)] = ()
    supports: bool = True
    photo: PathText = ""


class Measurement(Strict):
    """``[[measurement]]``: a bench or field test with its value."""

    time: datetime | None = None
    kind: str
    value: Number
    unit: str = ""
    by: str = ""
    text: str = ""


class Fact(Strict):
    """``[[fact]]``: claim-relevant, with where it is written."""

    what: str
    value: str | bool | int | float
    source: str = ""


class LimitOverride(Strict):
    """``[[limit]]``: a limit of this machine that replaces a common-practice default."""

    name: str
    value: Number
    source: str = Field(min_length=1)


class CaseFile(Strict):
    """The whole of ``case.toml``."""

    schema_: Literal[1] = Field(alias="schema")
    case: CaseSection
    machine: Machine
    source: Annotated[tuple[Source, ...], BeforeValidator(_words), Field(min_length=1)]
    point: Annotated[tuple[Point, ...], BeforeValidator(_words)] = ()
    observation: Annotated[tuple[Observation, ...], BeforeValidator(_words)] = ()
    measurement: Annotated[tuple[Measurement, ...], BeforeValidator(_words)] = ()
    fact: Annotated[tuple[Fact, ...], BeforeValidator(_words)] = ()
    limit: Annotated[tuple[LimitOverride, ...], BeforeValidator(_words)] = ()

    @model_validator(mode="after")
    def _consistent(self) -> CaseFile:
        paths = [source.path for source in self.source]
        doubled = sorted({path for path in paths if paths.count(path) > 1})
        if doubled:
            raise ValueError(f"source given twice: {', '.join(doubled)}")
        unknown = sorted({point.source for point in self.point if point.source and point.source not in paths})
        if unknown:
            raise ValueError(f"a point names a source that is not listed: {', '.join(unknown)}")
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


def check_zone(name: str) -> str:
    """Return a zone name that the zone database knows, or raise ValueError with the nearest ones."""
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        near = difflib.get_close_matches(name, sorted(available_timezones()), n=2)
        hint = f" (did you mean {' or '.join(near)}?)" if near else ""
        raise ValueError(f"'{name}' is not an IANA time zone{hint}") from None
    return name


def local_to_utc(stamp: datetime, zone: str) -> datetime:
    """UTC of a stamp that is local to ``zone`` unless it carries an offset (a repeated hour: the first pass)."""
    return (stamp if stamp.tzinfo else stamp.replace(tzinfo=ZoneInfo(zone))).astimezone(UTC)


def read_case_file(path: Path) -> CaseFile:
    """Read and check ``case.toml``; all problems are raised at once as :class:`InputError`."""
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise InputError([Problem("the case file is not there", file=str(path), remedy="Check the path.")]) from None
    except OSError as fault:
        raise InputError([Problem(f"the case file can't be read ({fault.strerror})", file=str(path))]) from None
    except UnicodeDecodeError as fault:
        line = path.read_bytes()[: fault.start].count(b"\n") + 1
        raise InputError(
            [Problem("the case file is not UTF-8", file=path.name, row=line, remedy="Save it as UTF-8.")]
        ) from None
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as fault:
        raise InputError([toml_problem(path.name, text, str(fault))]) from None
    return check_case(data, path.name, text)


def check_case(data: dict[str, object], name: str = "case.toml", text: str = "") -> CaseFile:
    """Check the content of a case file; all problems are raised at once, with their line where ``text`` is given."""
    try:
        return CaseFile.model_validate(data)
    except ValidationError as fault:
        raise InputError(
            [
                _problem(error["loc"], error["type"], error["msg"], error["input"], name, text)
                for error in fault.errors()
            ]
        ) from None


def _problem(
    location: tuple[int | str, ...], kind: str, message: str, value: object, name: str, case_text: str
) -> Problem:
    key = "".join(f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in location).lstrip(".")
    text = message.removeprefix("Value error, ")
    remedy = ""
    if kind == "extra_forbidden":
        known = _keys_at(location[:-1])
        near = difflib.get_close_matches(str(location[-1]), known, n=1)
        text = f"unknown key '{location[-1]}'"
        remedy = f"Did you mean '{near[0]}'?" if near else f"Known keys here: {', '.join(known)}."
    elif kind == "missing":
        text, remedy = "this key is required", "Add it to the case file."
    elif said := said_type(kind, value, key):
        text, remedy = said
    return Problem(text, file=name, row=line_of(case_text, location), column=key, remedy=remedy)


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
    }
    for part in location:
        model = inner.get(str(part), model)
    return [field.alias or key for key, field in model.model_fields.items()]
