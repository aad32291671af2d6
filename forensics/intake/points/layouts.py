"""Points of a settled export: wide (a column a point) and long (a row a sample) layouts, and event lists."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import KW_ONLY, dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forensics.case.exports import Point
from forensics.intake.lexicon import plain
from forensics.intake.points.bind import Binder, Rows, is_number, recorded_of
from forensics.intake.points.gaps import gaps_told
from forensics.intake.points.resolved import ResolvedTimes
from forensics.intake.table.raw_table import RawTable
from forensics.intake.table.values import Marks, Numbers, Reasons, read_numbers
from forensics.model.points import OFF, ON, UNKNOWN, Samples
from forensics.model.record import LogLine
from forensics.model.switches import Switch
from forensics.model.vocabulary import Recorded, Role


@dataclass(slots=True)
class Points:
    """What was bound, and the names of points that were found."""

    samples: list[Samples] = field(default_factory=list)
    switches: list[Switch] = field(default_factory=list)
    log: list[LogLine] = field(default_factory=list)
    found: set[int] = field(default_factory=set)


def wide_points(
    points: Sequence[tuple[int, Point, int]],
    gathered: RawTable,
    settled: ResolvedTimes,
    binder: Binder,
    marks: Marks,
    header: Sequence[str],
    units: dict[int, str],
) -> Points:
    """Points of a wide layout.

    Parameters
    ----------
    points
        Number of the point in the case file, the point, and its column.
    """
    out = Points()
    rows = gathered.row()[settled.position]
    whole = _is_whole(settled.position, len(gathered.row()))
    binder.notes.extend(gaps_told(settled.t))
    last = {column: number for number, _, column in points}
    for number, point, column in points:
        out.found.add(number)
        recorded, _ = recorded_of(point, binder.source, settled.t, long=False, events=False)
        reasons = Reasons()
        if is_number(point):
            numbers = _level_numbers(binder, point, gathered, column, marks, reasons)
            numbers = numbers if whole else numbers.take(settled.position)
            t, flags, row = settled.t, settled.flags, rows
            if recorded is Recorded.CHANGE:
                # in a change log an empty cell says that nothing changed
                told = numbers.reason != reasons.code("empty")
                numbers, t, flags, row = numbers.take(told), t[told], flags[told], row[told]
            samples = binder.samples(
                point,
                numbers,
                reasons,
                Rows(t, flags, row, recorded),
                header[column],
                units.get(column, "") or ("%" if numbers.as_level else ""),
            )
            if samples is not None:
                out.samples.append(samples)
            if last[column] == number:
                gathered.release(column)
            continue
        words, codes = gathered.words(column)
        if last[column] == number:
            gathered.release(column)
        codes = codes if whole else codes[settled.position]
        t, row = settled.t, rows
        if recorded is Recorded.CHANGE:
            empty = np.isin(codes, [i for i, word in enumerate(words) if not word.strip()])
            codes, t, row = codes[~empty], t[~empty], row[~empty]
        switch = binder.switch(point, words, codes, t, row, recorded)
        if switch is not None:
            out.switches.append(switch)
    return out


def _is_whole(position: NDArray[np.int64], count: int) -> bool:
    return len(position) == count and (not count or bool((np.diff(position) == 1).all()))


def _level_numbers(
    binder: Binder, point: Point, gathered: RawTable, column: int, marks: Marks, reasons: Reasons
) -> Numbers:
    """Numbers of a column; an oil level written as states gives 100 and 0."""
    if point.role is Role.OIL_LEVEL and any(not isinstance(p.columns[column], np.ndarray) for p in gathered.pieces):
        words, codes = gathered.words(column)
        level = binder.level(point, words)
        if level is not None:
            binder.notes.append(f"{point.column}: the level is a switch; on is written as 100 %, off as 0 %")
            values = np.array([level[word] for word in words])[codes]
            reason = np.where(np.isnan(values), reasons.code("unknown"), 0).astype(np.uint16)
            return Numbers(values, reason, as_level=True)
    return gathered.numbers(column, marks, reasons)


@dataclass(frozen=True, slots=True)
class LongTable:
    """Columns of a long layout.

    Attributes
    ----------
    names, keys
        The different point names, and the number of the name in each gathered row.
    events
        Whether it is an event list.
    start_ns
        Where the evidence begins, for event lists: before its first event a point is in the opposite state.
    """

    names: list[str]
    keys: NDArray[np.int32]
    value_column: int
    unit_column: int | None
    _: KW_ONLY
    events: bool
    start_ns: int | None


def long_points(
    points: Sequence[tuple[int, Point]],
    gathered: RawTable,
    settled: ResolvedTimes,
    binder: Binder,
    marks: Marks,
    table: LongTable,
) -> Points:
    """Points of a long layout or of an event list with point and value columns."""
    names, keys, value_column, unit_column = table.names, table.keys, table.value_column, table.unit_column
    events, start_ns = table.events, table.start_ns
    out = Points()
    rows = gathered.row()[settled.position]
    key_of = keys[settled.position]
    lookup: dict[str, list[int]] = {}
    for code, name in enumerate(names):
        lookup.setdefault(plain(name), []).append(code)
    words: list[str] | None = None
    word_codes: NDArray[np.int32] | None = None
    cells = _Cells(gathered, value_column, marks)
    small = key_of.astype(np.int16) if len(names) < 2**15 else key_of
    order = np.argsort(small, kind="stable")  # 16-bit keys are sorted by radix
    edges = np.searchsorted(small[order], np.arange(len(names) + 1))
    exact = {name: code for code, name in reversed(list(enumerate(names)))}
    for number, point in points:
        codes = [exact[point.column]] if point.column in exact else lookup.get(plain(point.column), [])
        if not codes:
            continue
        out.found.add(number)
        if len(alike := lookup.get(plain(point.column), [])) > len(codes):
            others = ", ".join(f"'{names[code]}'" for code in alike if code not in codes)
            binder.notes.append(f"{point.column}: rows named {others} are not taken for it, which differ in case only")
        parts = [order[edges[code] : edges[code + 1]] for code in codes]
        chosen = parts[0] if len(parts) == 1 else np.sort(np.concatenate(parts))
        t, row = settled.t[chosen], rows[chosen]
        recorded, _ = recorded_of(point, binder.source, t, long=True, events=events)
        if is_number(point):
            reasons = Reasons()
            numbers = cells.numbers(settled.position[chosen], reasons)
            unit = ""
            if unit_column is not None:
                texts, unit_codes = gathered.words(unit_column)
                used = np.unique(unit_codes[settled.position[chosen]])
                given = {plain(texts[int(code)]): texts[int(code)].strip() for code in used if texts[int(code)].strip()}
                if len(given) > 1:
                    names_of = ", ".join(sorted(given.values()))
                    binder.ask(
                        point,
                        f"its rows carry different units ({names_of}).",
                        "Export each unit by itself and supply the parts as two sources.",
                    )
                    continue
                unit = next(iter(given.values()), "")
            samples = binder.samples(
                point, numbers, reasons, Rows(t, settled.flags[chosen], row, recorded), point.column, unit
            )
            if samples is not None:
                out.samples.append(samples)
            continue
        if words is None or word_codes is None:
            words, word_codes = gathered.words(value_column)
        switch = binder.switch(point, words, word_codes[settled.position[chosen]], t, row, recorded)
        if switch is not None:
            out.switches.append(_with_start(switch, settled, rows, start_ns) if events else switch)
    return out


@dataclass(slots=True)
class _Cells:
    """Numbers of some rows of a value column, read once where the library gave numbers."""

    gathered: RawTable
    column: int
    marks: Marks
    whole: Any = None

    def numbers(self, position: NDArray[np.int64], reasons: Reasons) -> Numbers:
        import pyarrow as pa

        parts = [piece.columns[self.column] for piece in self.gathered.pieces]
        if all(isinstance(part, np.ndarray) for part in parts):
            if self.whole is None:
                self.whole = parts[0] if len(parts) == 1 else np.concatenate(parts)
            values = self.whole[position]
            missing = np.isnan(values)
            return Numbers(values, (missing * reasons.code("empty")).astype(np.uint16))
        if self.whole is None:
            self.whole = self.gathered.words(self.column)
        words, codes = self.whole
        used, inverse = np.unique(codes[position], return_inverse=True)
        part = read_numbers(pa.array([words[int(code)] for code in used], pa.string()), self.marks, reasons)
        return part.take(inverse)


def _with_start(switch: Switch, settled: ResolvedTimes, rows: NDArray[np.int64], start_ns: int | None) -> Switch:
    """An event list's switch with the state before its first event: the first row is an edge there, not a state."""
    if not len(switch.t):
        return switch
    known = np.flatnonzero(switch.state >= 0)
    if not len(known):
        return switch
    first = int(known[0])
    begin = _begin(settled, start_ns)
    begin = min(begin, int(switch.t[first]) - max(1, round(settled.resolution_s * 1e9)))
    opposite = OFF if switch.state[first] == ON else ON
    if switch.role is Role.TRIP and opposite == ON:
        opposite = UNKNOWN  # a first line that says "no trip" does not tell that there was one before the list
    return Switch(
        switch.role,
        switch.origin,
        np.concatenate(([np.int64(begin)], switch.t[first:])),
        np.concatenate(([np.int8(opposite)], switch.state[first:])),
        np.concatenate(([switch.row[first]], switch.row[first:])),
    )


def _begin(settled: ResolvedTimes, start_ns: int | None) -> int:
    """First stamp of the list: before it the list says nothing."""
    first = settled.first_ns if settled.first_ns is not None else int(settled.t[0])
    return max(first, start_ns) if start_ns is not None else first


def no_event(
    point: Point, binder: Binder, settled: ResolvedTimes, rows: NDArray[np.int64], start_ns: int | None
) -> Switch:
    """A point that never occurs in an event list: off from the list's first line on."""
    begin = _begin(settled, start_ns)
    row = rows[settled.position[:1]] if len(settled.position) else np.array([1], np.int64)
    return Switch(
        point.role,
        binder.origin(point, Recorded.CHANGE),
        np.array([begin], np.int64),
        np.array([OFF], np.int8),
        row.astype(np.int64),
    )


def text_points(
    points: Sequence[tuple[int, Point]],
    gathered: RawTable,
    settled: ResolvedTimes,
    binder: Binder,
    text_column: int,
    start_ns: int | None,
) -> Points:
    """Points of an event list whose texts name point and state: a point's ``on`` and ``off`` list whole texts."""
    out = Points()
    rows = gathered.row()[settled.position]
    words, codes = gathered.words(text_column)
    codes = codes[settled.position]
    for number, point in points:
        out.found.add(number)
        on = {plain(word) for word in point.on}
        off = {plain(word) for word in point.off}
        unknown = {plain(word) for word in point.unknown}
        if not on and not off:
            binder.ask(
                point,
                "an event list of whole texts is bound without texts.",
                "List whole texts in on and off of its [[point]].",
            )
            continue
        table = np.full(len(words) or 1, -2, np.int8)
        for code, word in enumerate(words):
            key = plain(word)
            table[code] = 1 if key in on else 0 if key in off else -1 if key in unknown else -2
        state = table[codes] if len(codes) else np.zeros(0, np.int8)
        chosen = np.flatnonzero(state != -2)  # noqa: PLR2004 - texts of other points
        if not len(chosen):
            out.switches.append(no_event(point, binder, settled, gathered.row(), start_ns))
            continue
        switch = Switch(
            point.role, binder.origin(point, Recorded.CHANGE), settled.t[chosen], state[chosen], rows[chosen]
        )
        out.switches.append(_with_start(switch, settled, rows, start_ns))
    return out


def log_lines(
    gathered: RawTable,
    settled: ResolvedTimes,
    path: str,
    clock: str,
    point_column: int | None,
    value_column: int | None,
    text_column: int | None,
) -> tuple[LogLine, ...]:
    """Every kept line of an event list, as text."""
    rows = gathered.row()[settled.position]

    def texts(column: int | None) -> list[str]:
        if column is None:
            return [""] * len(rows)
        words, codes = gathered.words(column)
        return [words[int(code)].strip() for code in codes[settled.position]]

    return tuple(
        LogLine(time_ns=int(t), point=point, value=value, text=text, source=path, clock=clock, row=int(row))
        for t, row, point, value, text in zip(
            settled.t, rows, texts(point_column), texts(value_column), texts(text_column), strict=True
        )
    )
