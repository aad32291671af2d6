"""Reading ``case.toml``: bytes to checked models, with every problem at once and the line it stands on."""

from __future__ import annotations

import difflib
import tomllib
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from forensics.case.exports import ClockCheck, Mark, Point, RowAnswer, Source
from forensics.case.fields import MOST_SHOWN, SHOWN
from forensics.case.job import JOB_MODELS
from forensics.case.messages import KeyLines, is_deep, key_lines, line_of, said_type, toml_problem
from forensics.case.schema import (
    CaseFile,
    CaseSection,
    CurrentSensor,
    Fact,
    JobFile,
    LimitOverride,
    Machine,
    Measurement,
    Observation,
)
from forensics.errors import InputError, Problem
from forensics.model.paths import CASE_FILE_BYTES, read_regular


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
