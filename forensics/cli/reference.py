"""``help``: the reference of the case file, the findings file, the limits and the modes, made from models and rules."""

from __future__ import annotations

import textwrap
from typing import Any

from forensics.cli.answer import Answer
from forensics.cli.options import Commands, command
from forensics.cli.speech import Speech

WIDTH = 100
INDENT = "    "
TOPICS = ("case", "findings", "limits", "modes", "schema")


def add(commands: Commands) -> None:
    """Add the command."""
    reference = command(
        commands, "help", "the reference, made from the models and rules of this version", "forensics help case"
    )
    reference.add_argument(
        "topic",
        choices=TOPICS,
        help="case: every key of case.toml; findings: every field of findings.json; limits: every limit with its "
        "basis; modes: every failure mode; schema: JSON Schema of case.toml, for editors",
    )
    reference.set_defaults(run=run_help)


def run_help(parsed: Any, speech: Speech) -> Answer:
    """Write one part of the reference."""
    makers = {"case": _case, "findings": _findings, "limits": _limits, "modes": _modes, "schema": _schema}
    return makers[parsed.topic]()


def _case() -> Answer:
    from forensics.case.reference import case_keys

    keys = case_keys()
    lines = ["case.toml: every key. TOML 1.0; unknown keys are refused; what is missing is said in the report.", ""]
    table = ""
    for key in keys:
        if key.table != table:
            table = key.table
            lines += ["", f"[{table}]" if not key.repeated else f"[[{table}]]"]
        lines.append(f"  {key.name}  ({key.kind}; {key.default_words})")
        lines += _wrapped(key.meaning)
    return Answer(("\n".join(lines),), {"keys": [key.as_data() for key in keys]})


def _findings() -> Answer:
    from forensics.results.schema import FindingsFile

    lines = ["findings.json: every field. Stamps are UTC; units stand in the names, else beside the value.", ""]
    fields: dict[str, list[str]] = {}
    _walk(FindingsFile, "", fields)
    for place, names in fields.items():
        lines += [place or "(top)", *_wrapped(", ".join(names))]
    return Answer(("\n".join(lines),), {"json_schema": FindingsFile.model_json_schema(by_alias=True)})


def _walk(model: Any, place: str, found: dict[str, list[str]]) -> None:
    import typing

    found[place] = []
    for name, field in model.model_fields.items():
        shown = field.alias or name
        found[place].append(shown)
        for inner in _inner(field.annotation, typing.get_args):
            _walk(inner, f"{place}.{shown}".lstrip("."), found)


def _inner(annotation: Any, parts: Any) -> list[Any]:
    if hasattr(annotation, "model_fields"):
        return [annotation]
    return [inner for part in parts(annotation) for inner in _inner(part, parts)]


def _limits() -> Answer:
    from forensics.rules import read_limits

    limits = read_limits()
    lines = ["Limits. Replace one with [[limit]] in the case file, or for one run with --limit NAME=VALUE.", ""]
    for one in (limits.limit(name) for name in limits):
        lines.append(f"{one.name} = {one.value:g} {one.unit}".rstrip())
        lines += _wrapped(limits.basis(one.name))
    data = [
        {"name": one.name, "value": one.value, "unit": one.unit, "kind": one.kind, "basis": one.basis}
        for one in (limits.limit(name) for name in limits)
    ]
    return Answer(("\n".join(lines),), {"limits": data})


def _modes() -> Answer:
    from forensics.hypotheses import read_modes
    from forensics.rules import read_checks

    modes = read_modes(read_checks())
    lines = ["Failure modes that are weighed, with the checks that speak for and against each.", ""]
    data = []
    for mode in modes.causes:
        lines.append(mode.id)
        row: dict[str, Any] = {"id": mode.id, "title": mode.title}
        lines += _wrapped(mode.title)
        for effect, signs in (("for", mode.for_), ("against", mode.against)):
            row[effect] = [f"{sign.check} {sign.outcome} ({sign.weight})" for sign in signs]
            if signs:
                lines += _wrapped(f"{effect}: {', '.join(row[effect])}")
        data.append(row)
    return Answer(("\n".join(lines),), {"modes": data})


def _schema() -> Answer:
    import json

    from forensics.case.reference import case_schema

    schema = case_schema()
    return Answer(data={"schema": schema}, plain=json.dumps(schema, indent=1, ensure_ascii=False) + "\n")


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=INDENT, subsequent_indent=INDENT, break_long_words=False)
