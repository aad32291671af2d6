"""Keys that a draft offers as comments: every key of the case file that nobody has asked about, with its meaning.

They are made from the models and their reference, so that a key that joins the case file is offered by the next draft.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator

from forensics.case.reference import CaseKey, case_keys

# more telling than the kind alone: a duration as a person writes it, a stamp, a list
_EXAMPLES = {
    "case.window_before": '"24h"',
    "case.window_after": '"1h"',
    "case.history": '"30d"',
    "point.hold": '"15min"',
    "point.range": "[0, 400]",
    "measurement.value": "3.0",
    "measurement.kind": '"insulation_resistance"',
    "measurement.unit": '"Mohm"',
    "fact.what": '"restarts_after_trip"',
    "fact.value": '"3"',
    "limit.name": '"starts.unloaded_ratio_max"',
    "limit.value": "0.45",
    "source.clock_check.true_time": "2031-03-16T08:59:19-05:00",
    "measurement.temperature_c": "24.0",
    "measurement.test_volts": "500.0",
    "source.sha256": '""',
}
_BY_KIND = {
    "text": '""',
    "number": "0.0",
    "whole number": "1",
    "true or false": "false",
    "a time": "2031-03-14T09:40:00",
    "date": "2031-03-20",
}
_INSIDE = ("case", "machine")
_ELSEWHERE = (
    ("source", "A [[source]] may also tell; what it does not tell is detected, and check says as what:"),
    ("source.clock_check", "A known error of a clock, under its [[source]]:"),
    ("source.row", "The answer for a row that its file can't settle, under its [[source]]:"),
    ("source.mark", "What a sign glued to values means, under its [[source]]:"),
    ("point", "A [[point]] may also tell:"),
    ("observation", "What was seen or done by hand:"),
    ("measurement", "What was measured on the bench or in the field:"),
    ("fact", "What is written somewhere, with where:"),
    ("limit", "A limit of this machine in place of the one that ships (names: forensics help limits):"),
)


def offered_inside(table: str, have: Collection[str]) -> list[str]:
    """Commented keys for ``[case]`` or ``[machine]`` that are not in ``have``; none for another table."""
    if table not in _INSIDE:
        return []
    lines = [_line(key) for key in _keys(table) if key.name not in have]
    if table == "machine":
        lines += ["# [machine.current_sensor]", *(_line(key) for key in _keys("machine.current_sensor"))]
    return lines


def offered_at_end() -> list[str]:
    """Commented tables that stand once at the end: what may be added to a source or a point, and evidence by hand."""
    lines = [
        "",
        "# --- What follows changes findings, too: take away the '#' of what applies, or copy a key into its table ---",
    ]
    for table, about in _ELSEWHERE:
        keys = list(_keys(table))
        head = f"[[{table}]]"
        lines += [f"# {about}", f"# {head}", *(_line(key) for key in keys)]
    return lines


def _keys(table: str) -> Iterator[CaseKey]:
    return (key for key in case_keys() if key.table == table)


def _line(key: CaseKey) -> str:
    meaning = f"  # {key.meaning}" if key.meaning else ""
    return f"# {key.name} = {example(key)}{meaning}"


def example(key: CaseKey) -> str:
    """What may stand for a key, as TOML: its default, else a value of its kind."""
    told = _EXAMPLES.get(f"{key.table}.{key.name}")
    if told is not None:
        return told
    if key.default is not None:
        return key.default
    kind = key.kind.split(" or ")[0] if key.kind not in _BY_KIND else key.kind
    if kind.startswith("a list: "):
        return f"[{_of_kind(kind.removeprefix('a list: '))}]"
    return _of_kind(kind)


def _of_kind(kind: str) -> str:
    if kind.startswith("one of "):
        return kind.removeprefix("one of ").split(", ")[0]
    return _BY_KIND.get(kind, '""')
