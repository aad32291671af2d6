"""The reference of the case file, made from its models: each key with its kind, default and meaning; and its schema.

Meanings stand in ``meanings.toml``, a table a table of the case file.
"""

from __future__ import annotations

import tomllib
import types
import typing
from dataclasses import asdict, dataclass
from enum import Enum
from functools import cache
from importlib import resources
from typing import Any

from pydantic import BaseModel

from forensics.case.schema import CaseFile

TOP = ""
_WORDS = {str: "text", int: "whole number", float: "number", bool: "true or false"}
_MOST_CHOICES = 8


@dataclass(frozen=True)
class CaseKey:
    """One key of the case file.

    Attributes
    ----------
    table
        As in the file: ``case``, ``machine.current_sensor``, ``source`` …; empty at the top.
    repeated
        Whether the table is written ``[[table]]``, once for each.
    kind
        What may stand there, in words.
    default
        As TOML would write it, or None where the key is required or has none.
    """

    table: str
    name: str
    repeated: bool
    kind: str
    required: bool
    default: str | None
    meaning: str

    @property
    def default_words(self) -> str:
        """Default in words."""
        if self.required:
            return "required"
        return "no default" if self.default is None else f"default {self.default}"

    def as_data(self) -> dict[str, Any]:
        """For JSON."""
        return asdict(self)


@cache
def meanings() -> dict[str, dict[str, str]]:
    """What each key means, and what it changes, by table and name."""
    text = resources.files("forensics.case").joinpath("meanings.toml").read_text(encoding="utf-8")
    return {table: dict(keys) for table, keys in tomllib.loads(text).items()}


def case_keys() -> list[CaseKey]:
    """Every key of the case file, table by table."""
    return list(_keys(CaseFile, TOP, repeated=False))


def _keys(model: type[BaseModel], table: str, *, repeated: bool) -> typing.Iterator[CaseKey]:
    inner: list[tuple[type[BaseModel], str, bool]] = []
    for name, field in model.model_fields.items():
        shown = field.alias or name
        found = _model_of(field.annotation)
        if found is not None:
            many = typing.get_origin(field.annotation) is tuple
            inner.append((found, f"{table}.{shown}".lstrip("."), many))
            continue
        default = None if field.is_required() else _toml(field.get_default(call_default_factory=True))
        meaning = meanings().get(table or "top", {}).get(shown, "")
        yield CaseKey(
            table=table,
            name=shown,
            repeated=repeated,
            kind=kind_of(field.annotation),
            required=field.is_required(),
            default=default,
            meaning=meaning,
        )
    for found, name, many in inner:
        yield from _keys(found, name, repeated=many)


def _model_of(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((m for part in typing.get_args(annotation) if (m := _model_of(part)) is not None), None)


def kind_of(annotation: Any) -> str:
    """What may stand in place of an annotation, in words."""
    origin, parts = typing.get_origin(annotation), typing.get_args(annotation)
    if origin is typing.Annotated:
        return kind_of(parts[0])
    if origin is typing.Literal:
        return "one of " + ", ".join(f'"{part}"' for part in parts if part != "")
    if origin in (typing.Union, types.UnionType):
        kinds = dict.fromkeys(kind_of(part) for part in parts if part is not type(None))
        return " or ".join(kinds)
    if origin is tuple:
        return "a list: " + " and ".join(dict.fromkeys(kind_of(part) for part in parts if part is not Ellipsis))
    if isinstance(annotation, type) and issubclass(annotation, Enum):
        values = [str(item.value) for item in annotation]
        shown = ", ".join(f'"{value}"' for value in values[:_MOST_CHOICES])
        return f"one of {shown}" + (f" and {len(values) - _MOST_CHOICES} more" if len(values) > _MOST_CHOICES else "")
    return _WORDS.get(annotation, getattr(annotation, "__name__", str(annotation)).replace("datetime", "a time"))


def _toml(value: Any) -> str | None:
    if value is None or value == () or value == "":
        return None
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else f"{value:g}" if isinstance(value, float) else str(value)


@cache
def case_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of the case file, with the meaning of every key, for editors."""
    schema = CaseFile.model_json_schema(by_alias=True)
    by_title = {**schema.get("$defs", {}), "CaseFile": schema}
    for key in case_keys():
        owner = by_title.get(_owner(key.table))
        if owner is not None and key.name in owner.get("properties", {}) and key.meaning:
            owner["properties"][key.name]["description"] = key.meaning
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def _owner(table: str) -> str:
    model: type[BaseModel] = CaseFile
    for part in table.split(".") if table else []:
        fields = {field.alias or name: field for name, field in model.model_fields.items()}
        model = _model_of(fields[part].annotation) or model
    return model.__name__
