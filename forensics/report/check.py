"""Say what a case has and lacks before it is judged: quality, clocks, problems, and which modes could be seen."""

from __future__ import annotations

import math
import textwrap
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from forensics.intake import SourceResult
from forensics.intake.load_case import load_case
from forensics.intake.result import OUTSIDE_WINDOW
from forensics.investigation import Investigation, judge
from forensics.model.points import NS, Span, iso
from forensics.report.units import ReportTime

WIDTH = 34
COLUMNS = 110
HOUR_S = 3600.0
MOST_UNLOCKS = 8
_WRAPPER = textwrap.TextWrapper(
    COLUMNS, initial_indent="  ", subsequent_indent="      ", break_long_words=False, break_on_hyphens=False
)


@dataclass(frozen=True)
class Checked:
    """What a case has and lacks: titled lists of sentences, in the order in which they are told."""

    case: str
    parts: tuple[tuple[str, tuple[str, ...]], ...]
    observability: tuple[tuple[str, str, str, str], ...]

    def data(self) -> dict[str, Any]:
        """For JSON."""
        names = ("mode", "observable", "why", "unlocked_by")
        return {
            "case": self.case,
            "parts": {title: list(lines) for title, lines in self.parts},
            "modes": [dict(zip(names, row, strict=True)) for row in self.observability],
        }


def check_case(path: Path) -> Checked:
    """Read everything that a case names and describe it; judges nothing.

    Raises
    ------
    InputError
        What stops the case: all problems of all files at once.
    """
    work = judge(load_case(path))
    rows = tuple((str(r.mode), r.observable, r.why, r.unlocked_by) for r in work.weighing.observability)
    notes = [f"{r.exhibit.path}: {note}" for r in work.readings for note in r.notes]
    parts = (
        ("What is judged", _window(work)),
        ("Sources", [_source(reading) for reading in work.readings]),
        ("Detected, not told", _detections(work.readings)),
        ("Notes on the exports", notes),
        ("Points", _points(work)),
        ("Clocks", _clocks(work)),
        ("Problems and open questions", [str(problem) for problem in work.problems]),
        ("Taken for granted", list(work.assumptions)),
        ("Which modes could be seen with these points and intervals", mode_lines(rows)),
        ("What to ask the site for, the change that unlocks most first", _unlocks(work)),
    )
    return Checked(path.name, tuple((title, tuple(lines)) for title, lines in parts), rows)


def text_of(checked: Checked) -> str:
    """The description as text that fits a terminal."""
    return "\n".join(_heading(title, lines) for title, lines in checked.parts)


def check_case_folder(path: Path) -> str:
    """The description of a case as text; see :func:`check_case`."""
    return text_of(check_case(path))


def _heading(title: str, lines: Iterable[str]) -> str:
    shown = [
        wrapped
        for line in list(lines) or ["none"]
        for wrapped in textwrap.wrap(
            line,
            COLUMNS,
            initial_indent="  ",
            subsequent_indent="      ",
            break_long_words=False,
            break_on_hyphens=False,
        )
    ]
    return f"{title}\n" + "\n".join(shown) + "\n"


def _window(work: Investigation) -> list[str]:
    """The failure and what is judged around it, and what of the record lies before and is baseline alone."""
    record, case = work.record, work.casefile.case
    clock = ReportTime.over(case.time_zone, Span(record.window.start_ns, max(record.window.end_ns, record.failure_ns)))
    found = f" ({work.case.failure_found})" if work.case.failure_found else ""
    lines = [
        f"failure {clock.both(record.failure_ns)}{found}",
        f"judged from {clock.both(record.window.start_ns)} to {clock.both(record.window.end_ns)}",
    ]
    first = min((r.first_ns for r in work.readings if r.kind == "trend" and r.first_ns is not None), default=None)
    if first is not None and first < record.window.start_ns:
        before_h = (record.window.start_ns - first) / NS / HOUR_S
        whole_h = math.ceil((record.failure_ns - first) / NS / HOUR_S)
        lines.append(
            f"{before_h:.3g} h of the trends lie before that and serve as the machine's own baseline alone; "
            f'window_before = "{whole_h}h" in [case] would judge them, too'
        )
    outside = sum(r.accounting.set_aside.get(OUTSIDE_WINDOW, 0) for r in work.readings)
    if outside:
        lines.append(f"{outside} rows lie outside of window and history and are not used")
    return lines


def _source(reading: SourceResult) -> str:
    counts = reading.accounting
    aside = ", ".join(f"{reason} {n}" for reason, n in counts.set_aside.items()) or "none"
    missing = ", ".join(f"{reason} {n}" for reason, n in counts.cells_missing.items()) or "none"
    covers = (
        "no stamps"
        if reading.first_ns is None or reading.last_ns is None
        else f"{iso(reading.first_ns)} to {iso(reading.last_ns)}"
    )
    return (
        f"{reading.exhibit.path}: {counts.rows_read} rows read, {counts.rows_kept} kept, set aside: {aside}; "
        f"cells without a reading: {missing}; {covers}"
    )


def _detections(readings: tuple[SourceResult, ...]) -> list[str]:
    return [
        f"{reading.exhibit.path}: {d.what} = {d.value} ({d.evidence})"
        for reading in readings
        for d in reading.detections
    ]


def _points(investigation: Investigation) -> list[str]:
    record = investigation.record
    lines = [
        f"{point.role.value:<{WIDTH}} every {point.interval_s:g} s, {point.origin.recorded.value}, "
        f"{len(point)} readings"
        for found in record.samples.values()
        for point in found
    ]
    lines += [
        f"{switch.role.value:<{WIDTH}} {len(switch.edges)} edges, {switch.origin.recorded.value}"
        for found in record.switches.values()
        for switch in found
    ]
    lines += [
        f"{role.value:<{WIDTH}} every {wave.interval_s:.3g} s, waveform, {len(values)} samples, {wave.source}"
        for wave in record.waveforms
        for role, values in wave.analog.items()
    ]
    return lines


def _clocks(investigation: Investigation) -> list[str]:
    lines = []
    for fit in investigation.clocks:
        offset = (
            "not possible" if fit.offset_s is None else f"{fit.offset_s:+.2f} s +/- {fit.uncertainty_s or 0.0:.2f} s"
        )
        candidates = f", candidates {', '.join(f'{c:+.1f}' for c in fit.candidates_s)} s" if fit.candidates_s else ""
        lines.append(f"{fit.clock}: {offset} ({fit.method.value}{candidates}) {'; '.join(fit.notes)}".rstrip())
    return lines


def mode_lines(rows: Iterable[tuple[str, str, str, str]]) -> list[str]:
    """A sentence a mode: whether it could be seen, and why."""
    return [f"{mode}: {observable}{f' – {why}' if why else ''}" for mode, observable, why, _ in rows]


def _unlocks(investigation: Investigation) -> list[str]:
    """Changes of the logging by the number of modes that each unlocks."""
    counted = Counter(row.unlocked_by for row in investigation.weighing.observability if row.unlocked_by)
    return [f"{change} (modes: {number})" for change, number in counted.most_common(MOST_UNLOCKS)]
