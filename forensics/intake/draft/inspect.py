"""What an export holds before anything is told about it: its columns or points, their units, what their cells say."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from forensics.case.exports import Source
from forensics.case.read import check_case
from forensics.case.schema import CaseFile
from forensics.errors import Problem, Problems, Refused, UnreadableError
from forensics.intake.draft.suggest import is_clear, suggest
from forensics.intake.exhibits import take_exhibit
from forensics.intake.job import SourceJob
from forensics.intake.lexicon import plain, read_words
from forensics.intake.points.find_layout import Layout, find_layout, wanted_columns
from forensics.intake.read_table import gather_rows, in_its_encoding, open_export
from forensics.intake.table.decimal_mark import decide_marks
from forensics.intake.table.dialect_model import Dialect
from forensics.intake.table.export import TableExport
from forensics.intake.table.raw_table import RawTable
from forensics.intake.waveform.header import read_header, split_single_file
from forensics.intake.waveform.reader import MAX_BYTES, record_files
from forensics.model.paths import read_regular
from forensics.model.units import Unit, fits, read_unit
from forensics.model.vocabulary import Role, is_switch

_WAVEFORM = frozenset({".cfg", ".cff", ".dat"})
_BRACKET = re.compile(r"^(?P<name>.*\S)\s*[\[(](?P<unit>[^\[\]()]*(?:\([ga]\))?)[\])]\s*$")
_TAIL = re.compile(r"^(?P<name>.*[^\s_.])[\s_.](?P<unit>\S{2,8}|%)$")
# a reading, one beyond the range of its sensor (">600"), or what old loggers print for infinity ("-1/0")
_NUMBER = re.compile(r"[<>\u2264\u2265~]?\s*[+-]?[\d.,' ]*\d(?:[eE][+-]?\d+)?\s*[^\d\s]{0,8}|[+-]?1/0")
_SHARE = 0.8
_EXAMPLES = 6
PLACE_ZONE = "UTC"


@dataclass(frozen=True, slots=True)
class Column:
    """One column, point or channel of an export.

    Attributes
    ----------
    name
        As the case file must write it.
    base
        The name without its unit: what a role is suggested from.
    unit
        Unit as it was found; empty where none was.
    roles
        Roles that content and unit allow.
    examples
        Some different cells.
    """

    name: str
    base: str
    unit: str
    roles: frozenset[Role]
    examples: tuple[str, ...] = ()


@dataclass(slots=True)
class Preview:
    """An export as it was seen.

    Attributes
    ----------
    keys
        Keys of its ``[[source]]`` that are needed to read it again the same way.
    texts
        The different texts of an event list whose texts name point and state.
    problem
        Why it can't be read; then there are no columns.
    """

    path: str
    file: Path
    keys: dict[str, str] = field(default_factory=dict)
    columns: list[Column] = field(default_factory=list)
    texts: tuple[str, ...] = ()
    problem: Problem | None = None


def skeleton(source: Source | None, path: str) -> CaseFile:
    """The least case file that reads one source."""
    told = {"path": path} if source is None else source.model_dump(exclude_unset=True)
    return check_case(
        {
            "schema": 1,
            "case": {"id": "draft", "time_zone": PLACE_ZONE},
            "machine": {"refrigerant": "open"},
            "source": [told],
        }
    )


def look_at(path: str, file: Path) -> Preview:
    """Look at one export; what hinders it is a problem of the look, nothing is raised.

    Parameters
    ----------
    path
        As the case file will give it.
    """
    look = Preview(path, file)
    try:
        if file.suffix.casefold() in _WAVEFORM:
            _look_waveform(look)
        else:
            _look_table(look)
    except UnreadableError as fault:
        look.problem = Problem(fault.what, file=path, remedy=fault.remedy)
    except Refused as refused:
        look.problem = refused.problem(path)
    except OSError as fault:
        look.problem = Problem(f"the file can't be read ({fault.strerror or fault})", file=path)
    return look


def _look_waveform(look: Preview) -> None:
    look.keys["kind"] = "waveform"
    files = record_files(look.file)
    if not files:
        raise Refused("the configuration (.cfg) of this record is not beside it")
    data = read_regular(files[0], MAX_BYTES)
    cfg = data if files[0].suffix.casefold() == ".cfg" else split_single_file(data)[0]
    try:
        header = read_header(cfg, encoding="", date_order=None)
    except Refused as refused:
        if not refused.stop:
            raise
        header = read_header(cfg, encoding="", date_order="DMY" if '"DMY"' in refused.remedy else "MDY")
    names = [channel.name for channel in header.analog]
    for place, channel in enumerate(header.analog):
        name = f"{channel.name} [col {place + 1}]" if names.count(channel.name) > 1 else channel.name
        roles = _allowed((), read_unit(channel.uu))
        base = channel.name if is_clear(suggest(channel.name, roles)) else f"{channel.name} {channel.ph}"
        look.columns.append(Column(name, base, channel.uu, roles))
    switches = frozenset(role for role in Role if is_switch(role))
    for place, name in enumerate(header.status):
        if name:
            written = f"{name} [col {place + 1}]" if header.status.count(name) > 1 else name
            look.columns.append(Column(written, name, "", switches))


def _look_table(look: Preview) -> None:
    exhibit = take_exhibit(look.path, look.file, sha256="-")
    casefile = skeleton(None, look.path)
    job = SourceJob(
        casefile=casefile,
        source=casefile.source[0],
        file=look.file,
        zone=PLACE_ZONE,
        clock=look.path,
        keep=None,
        failure_ns=None,
        problems=Problems(),
        points=[],
    )

    def step(export: TableExport) -> None:
        layout = find_layout(job, export.dialect)
        gathered = RawTable()
        if layout.layout != "wide" and export.dialect.time_columns:
            wanted = wanted_columns(export.dialect, layout)
            gathered = gather_rows(job, export, wanted, decide_marks(job.source, []))
        _take(look, export.dialect, layout, gathered)

    in_its_encoding(open_export(job, exhibit, look.file.suffix.casefold()), step)


def _take(look: Preview, dialect: Dialect, layout: Layout, gathered: RawTable) -> None:
    sheet = next((found.value for found in dialect.detections if found.what == "sheet"), "")
    if sheet:
        look.keys["sheet"] = sheet
    look.keys["kind"] = layout.kind
    if layout.layout != "text":
        look.keys["layout"] = layout.layout
    if len(dialect.candidates) <= 1 and dialect.time_columns:
        names = [dialect.names[place] for place in dialect.time_columns]
        look.keys["time_column"] = names[0] if len(names) == 1 else "\t".join(names)
    if layout.layout == "wide":
        skip = set(dialect.time_columns)
        for place, name in enumerate(dialect.names):
            if place not in skip and plain(dialect.raw_names[place]) not in read_words().columns["quality"]:
                cells = [text for _, text in dialect.samples_of(place)]
                look.columns.append(_column(name, dialect.raw_names[place], dialect.units.get(place, ""), cells))
        return
    for key, named in (
        ("point_column", layout.point_column),
        ("value_column", layout.value_column),
        ("text_column", layout.text_column if layout.layout == "text" else None),
    ):
        if named is not None:
            look.keys[key] = dialect.names[named]
    if layout.layout == "text" and layout.text_column is not None and gathered.pieces:
        look.texts = tuple(gathered.words(layout.text_column)[0])
    if layout.layout == "text" or layout.point_column is None or layout.value_column is None or not gathered.pieces:
        return
    names, codes = gathered.words(layout.point_column)
    values, value_codes = gathered.words(layout.value_column)
    for code, name in enumerate(names):
        used = np.unique(value_codes[codes == code])[:200]
        unit = _common_unit(gathered, layout.unit_column, codes == code)
        look.columns.append(_column(name, name, unit, [values[int(at)] for at in used]))


def _common_unit(gathered: RawTable, column: int | None, chosen: NDArray[np.bool_]) -> str:
    if column is None:
        return ""
    units, codes = gathered.words(column)
    used = np.unique(codes[chosen])
    return units[int(used[0])].strip() if len(used) == 1 else ""


def _column(name: str, raw: str, units_row: str, cells: Iterable[str]) -> Column:
    base, unit = raw, units_row
    for pattern in (_BRACKET, _TAIL):
        match = pattern.match(base)
        if match is not None and read_unit(match["unit"]) is not None:
            unit = unit or match["unit"]
            # "Motor Amps" ends with a unit that is also its name: only brackets are taken off.
            base = match["name"] if pattern is _BRACKET else base
            break
    filled = [cell.strip() for cell in cells if plain(cell) not in read_words().missing]
    examples = tuple(dict.fromkeys(filled))[:_EXAMPLES]
    return Column(name, base, unit, _allowed(filled, read_unit(unit) if unit else None), examples)


def _allowed(cells: Iterable[str], unit: Unit | None) -> frozenset[Role]:
    """Roles that the cells and the unit of a column allow."""
    texts = list(cells)
    numbers = sum(bool(_NUMBER.fullmatch(text)) for text in texts)
    binary = bool(texts) and {text.rstrip("0").rstrip(".,") or "0" for text in texts} <= {"0", "1"}
    switches = frozenset(role for role in Role if is_switch(role))
    measured = frozenset(role for role in Role if not is_switch(role) and (unit is None or fits(unit, role)))
    if not texts or binary:
        return measured if unit is not None else switches | measured
    if numbers >= _SHARE * len(texts):
        return measured
    return switches | {Role.OIL_LEVEL}
