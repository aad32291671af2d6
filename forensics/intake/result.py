"""What reading an export gives: its points, and an account of every row and cell.

The identity ``rows_read = rows_kept + sum(set_aside)`` is checked when an :class:`Accounting` is made, so that no path
through the readers can lose a row.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from forensics.intake.exhibits import Exhibit
from forensics.model.outside_text import for_sheet, for_terminal
from forensics.model.points import Samples
from forensics.model.record import LogLine, Waveform
from forensics.model.switches import Switch

OUTSIDE_WINDOW = "outside window"


@dataclass(frozen=True, slots=True)
class SetAside:
    """One row that was not kept: where it stands, why, and what it says."""

    source: str
    row: int
    reason: str
    text: str


@dataclass(frozen=True, slots=True)
class Accounting:
    """How many rows a source has and what became of them.

    Attributes
    ----------
    rows_read
        Records below the header: blank lines, repeated headers and footers included; notes above the header are not.
    rows_kept
        Records that gave a time and are used; a long layout's rows of points that are not bound count as kept.
    set_aside
        Number of rows by reason; ``outside window`` is counted only.
    cells_missing
        Number of bound cells without a reading, by reason; their rows are kept.
    listed
        Every other set-aside row with its line and text.
    """

    rows_read: int = 0
    rows_kept: int = 0
    set_aside: Mapping[str, int] = field(default_factory=dict)
    cells_missing: Mapping[str, int] = field(default_factory=dict)
    listed: tuple[SetAside, ...] = ()

    def __post_init__(self) -> None:
        if self.rows_read != self.rows_kept + sum(self.set_aside.values()):
            raise AssertionError(
                f"rows read {self.rows_read}, kept {self.rows_kept}, set aside {dict(self.set_aside)} do not add up"
            )


UNIT_OF, STATES_OF = "unit of ", "states of "
_KEYS = {
    "encoding": "encoding",
    "delimiter": "delimiter",
    "header": "time_column",
    "header row": "time_column",
    "time column": "time_column",
    "units row": "unit",
    "sheet": "sheet",
    "kind": "kind",
    "layout": "layout",
    "date order": "date_order",
    "date system": "time_number",
    "time number": "time_number",
    "year": "year",
    "summer time": "summer_time_column",
    "zone": "time_zone",
    "decimal mark": "decimal",
    "thousands mark": "thousands",
    "marks": "decimal",
}


@dataclass(frozen=True, slots=True)
class Detection:
    """Something that was detected, not told: what, its value, and the evidence for it."""

    what: str
    value: str
    evidence: str

    @property
    def key(self) -> str:
        """Key of the case file that would change it; empty where none does."""
        if self.what.startswith(STATES_OF):
            return "on, off"
        return "unit" if self.what.startswith(UNIT_OF) else _KEYS.get(self.what, "")


@dataclass(frozen=True)
class SourceResult:
    """One source as it was read.

    Attributes
    ----------
    kind, layout
        ``trend``, ``events`` or ``waveform``; ``wide``, ``long`` or empty.
    clock
        Name of its clock.
    notes
        Sentences for the report: what the export itself says, and what is odd about it.
    samples, switches, waveform, log
        What was bound. ``log`` holds every line of an event list, bound or not.
    first_ns, last_ns
        First and last stamp of the whole export (ns UTC by its own clock), also of rows outside the window;
        None where no row has a time.
    joined_as
        Path of the source as the case file gives it, where it has several files: this is one of them, and the points of
        all stand with the first.
    rows
        First and last row with a time; (0, 0) where none was kept.
    conflict
        Why its files can't be those of one logger; empty where they can, or where it has one.
    also
        Files that belong to the same source: the data file of a waveform record.
    """

    exhibit: Exhibit
    kind: str
    layout: str
    clock: str
    accounting: Accounting = field(default_factory=Accounting)
    detections: tuple[Detection, ...] = ()
    notes: tuple[str, ...] = ()
    samples: tuple[Samples, ...] = ()
    switches: tuple[Switch, ...] = ()
    waveform: Waveform | None = None
    log: tuple[LogLine, ...] = ()
    first_ns: int | None = None
    last_ns: int | None = None
    joined_as: str = ""
    conflict: str = ""
    rows: tuple[int, int] = (0, 0)
    also: tuple[Exhibit, ...] = ()


def how_read(reading: SourceResult) -> tuple[tuple[str, str, str, str], ...]:
    """How an export was read, as the rows of a table: what was decided, what it is, from what, which key changes it.

    The units of all points are one row, and so are their states, so that the table of an export fits one screen.
    """
    rows = [
        (found.what, found.value, found.evidence, found.key)
        for found in reading.detections
        if not found.what.startswith((UNIT_OF, STATES_OF))
    ]
    units = [found for found in reading.detections if found.what.startswith(UNIT_OF)]
    if units:
        shown = ", ".join(f"{found.what.removeprefix(UNIT_OF)} {found.value}" for found in units)
        places = ", ".join(sorted({found.evidence.partition(" '")[0] for found in units}))
        rows.append((f"units of {len(units)} points", shown, places, "unit"))
    states = [found for found in reading.detections if found.what.startswith(STATES_OF)]
    if states:
        shown = "; ".join(f"{found.what.removeprefix(STATES_OF)} {found.value}" for found in states)
        rows.append((f"states of {len(states)} points", shown, "all of their cells", "on, off"))
    return tuple(rows)


def write_set_aside(readings: Iterable[SourceResult], path: Path) -> None:
    """Write every listed row that was set aside: source, line, reason, text; none as a formula of a spreadsheet."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(("source", "line", "reason", "text"))
        for reading in readings:
            for row in reading.accounting.listed:
                source, text = (for_sheet(for_terminal(words)) for words in (row.source, row.text))
                writer.writerow((source, row.row, row.reason, text))
