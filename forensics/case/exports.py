"""Tables of the exports in ``case.toml``: what each file is and which of its columns is which quantity."""

from __future__ import annotations

from pathlib import PurePosixPath
from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field, field_validator, model_validator

from forensics.case.fields import (
    MOST,
    MOST_TIME_COLUMNS,
    SHOWN,
    PathText,
    Reading,
    Strict,
    Words,
    as_tuple,
    beside_the_case,
    lower_sha256,
    one_of,
    one_or_more,
)
from forensics.case.values import (
    Day,
    Duration,
    Line,
    Name,
    Stamp,
    check_delimiter,
    check_encoding,
    check_source_zone,
)
from forensics.model.units import read_unit
from forensics.model.vocabulary import Recorded, Role, is_switch


def is_pattern(path: str) -> bool:
    """Whether a path is a pattern that may fit several files: it holds ``*`` or ``?``."""
    return "*" in path or "?" in path


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
    time_column: Annotated[tuple[Name, ...], BeforeValidator(one_or_more), Field(max_length=MOST_TIME_COLUMNS)] = ()
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
    row: Annotated[tuple[RowAnswer, ...], BeforeValidator(as_tuple), MOST] = ()
    mark: Annotated[tuple[Mark, ...], BeforeValidator(as_tuple), MOST] = ()
    clock_check: Annotated[tuple[ClockCheck, ...], BeforeValidator(as_tuple), MOST] = ()

    @field_validator("path")
    @classmethod
    def _inside(cls, value: str) -> str:
        path = beside_the_case(value, "export")
        if is_pattern(PurePosixPath(path).parent.as_posix()):
            raise ValueError(f"'{value}': a pattern may stand in the name of a file, not in that of its folder")
        return path

    @field_validator("sha256")
    @classmethod
    def _hash(cls, value: str | dict[str, str]) -> str | dict[str, str]:
        if isinstance(value, dict):
            return {name: lower_sha256(text) for name, text in value.items()}
        return lower_sha256(value)

    def told_sha256(self, path: str) -> str:
        """SHA-256 that the case gives of one of its files; empty where it gives none."""
        if isinstance(self.sha256, str):
            return self.sha256
        return self.sha256.get(path, self.sha256.get(PurePosixPath(path).name, ""))


class Point(Strict):
    """``[[point]]``: one column bound to one role."""

    role: Annotated[Role, one_of(Role)]
    column: Name
    source: Line = ""
    unit: Line = ""
    recorded: Annotated[Recorded, one_of(Recorded)] | None = None
    hold: Duration | None = None
    range: Annotated[tuple[Reading, Reading], BeforeValidator(as_tuple)] | None = None
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
