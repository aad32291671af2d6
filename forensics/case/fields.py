"""What one field of a case file may be: ids of modes and roles, files beside the case, hashes, lists that end."""

from __future__ import annotations

import difflib
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field

from forensics.case.messages import checked_path
from forensics.case.values import Line, Name, Number, Stamp, one_line, within
from forensics.model.build_words import CapacityKind, CheckValve, Condenser, Evaporator
from forensics.model.paths import name_fault
from forensics.model.vocabulary import Mode, Recorded, Role, Starter, known_modes
from forensics.rules.checks import read_checks

# ends of what a file of a few megabytes is answered with; a machine has dozens of points and a hundred exports
MOST_ROWS, MOST_WORDS, MOST_FILES, MOST_TIME_COLUMNS, LONGEST_ID = 2_000, 500, 100, 10, 100
MOST_SHOWN, SHOWN, HASH_DIGITS = 200, 60, 64


def as_tuple(value: object) -> object:
    """A list as a tuple; what is no list is left to the model."""
    return tuple(value) if isinstance(value, list) else value


def one_or_more(value: object) -> object:
    """One text or a list as a tuple."""
    if isinstance(value, str):
        return (value,)
    return tuple(value) if isinstance(value, list) else value


def several(value: object) -> object:
    """One text or a list as a tuple; an empty text is none."""
    return () if value == "" else one_or_more(value)


Reading = Annotated[Number, within("reading")]
PathText = Annotated[str, AfterValidator(checked_path), AfterValidator(one_line)]
Paths = Annotated[tuple[PathText, ...], BeforeValidator(several), Field(max_length=MOST_WORDS)]
Words = Annotated[tuple[Name, ...], BeforeValidator(as_tuple), Field(max_length=MOST_WORDS)]
MOST = Field(max_length=MOST_ROWS)


class Strict(BaseModel):
    """Refuses unknown keys and silent conversions; frozen."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


_Words = type[Role | Recorded | Starter | Mode | CapacityKind | CheckValve | Evaporator | Condenser]


def _words_of(kind: _Words) -> list[str]:
    return [item.value for item in (known_modes() if kind is Mode else kind)]


def one_of(kind: _Words) -> BeforeValidator:
    """A word of an enumeration; ValueError names the nearest one."""

    def read(value: object) -> object:
        if isinstance(value, str) and not isinstance(value, kind):
            try:
                return kind(value)
            except ValueError:
                near = difflib.get_close_matches(value[:SHOWN], _words_of(kind), n=1)
                which = f"did you mean '{near[0]}'?" if near else f"one of: {', '.join(_words_of(kind))}"
                raise ValueError(f"'{value[:SHOWN]}' is not known here: {which}") from None
        return value

    return BeforeValidator(read)


Shows = Literal["cause", "damage", "in-order", "nothing", ""]
Choice = Literal["run", "run-with-conditions", "repair", "hold"]


def beside_the_case(value: str, what: str = "file") -> str:
    """A path inside the case folder, with forward slashes; ValueError tells to move the ``what``."""
    fault = name_fault(value)
    if fault:
        raise ValueError(f"{fault}; move the {what} beside the case file")
    return value.replace("\\", "/")


def _file_inside(value: str) -> str:
    return beside_the_case(value)


def lower_sha256(value: str) -> str:
    """A SHA-256 in small letters, or nothing."""
    low = value.lower()
    if low and (len(low) != HASH_DIGITS or set(low) - set("0123456789abcdef")):
        raise ValueError("a SHA-256 has 64 hexadecimal digits")
    return low


def _check(value: str) -> str:
    known = read_checks()
    if value and value not in known:
        near = difflib.get_close_matches(value[:SHOWN], list(known), n=1)
        hint = f" (did you mean '{near[0]}'?)" if near else ""
        raise ValueError(f"'{value[:SHOWN]}' is no check of the catalogue{hint}")
    return value


def _named(value: str) -> str:
    if not value.strip():
        raise ValueError("say what it is: the text is empty")
    return value


FilePath = Annotated[str, AfterValidator(checked_path), AfterValidator(one_line), AfterValidator(_file_inside)]
Files = Annotated[tuple[FilePath, ...], BeforeValidator(several), Field(max_length=MOST_FILES)]
Lines = Annotated[tuple[Line, ...], BeforeValidator(several), Field(max_length=MOST_FILES)]
Modes = Annotated[tuple[Annotated[Mode, one_of(Mode)], ...], BeforeValidator(several), Field(max_length=MOST_ROWS)]
Named = Annotated[Line, AfterValidator(_named)]
Sha256 = Annotated[str, AfterValidator(lower_sha256)]
CheckId = Annotated[str, AfterValidator(_check)]
Hours = Annotated[Number, within("run_hours")]
Count = Annotated[int, Field(ge=0, le=1_000_000)]
SpokenTime = Stamp | Line  # as it was said: a stamp, or words such as "shortly before five"
