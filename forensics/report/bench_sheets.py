"""Bench sheets: the same case, looked at closer. Each is one call of a notebook; they display, and write nothing."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from forensics.errors import InputError, Problem
from forensics.model.findings import Start, Stop
from forensics.model.points import NS, Span
from forensics.report import tables
from forensics.report.context import ReportContext, show_problems
from forensics.report.figures.cycles import (
    start_at_failure,
    start_overlay,
    start_ratios,
    stop_at_failure,
    stop_history,
    stop_overlay,
)
from forensics.report.figures.equalisation import equalisation
from forensics.report.figures.timeline import timeline
from forensics.report.figures.waveforms import waveform_plate
from forensics.report.healthy import LOADED_STOP
from forensics.report.sections import UNLOADED_LIMIT, show_table, show_text
from forensics.report.words.units import number

ROWS_SHOWN = 400


def set_aside_rows(sheet: ReportContext, *, rows: int = ROWS_SHOWN) -> None:
    """Display rows that were set aside, each with its line, reason and text."""
    listed = [(s.source, s.row, s.reason, s.text) for r in sheet.investigation.readings for s in r.accounting.listed]
    show_table(
        pd.DataFrame(listed[:rows], columns=["source", "line", "reason", "text"]),
        f"Rows set aside ({len(listed)} in all)",
        none="No row was set aside.",
        rows=rows,
    )


def spans_of_sources(sheet: ReportContext) -> None:
    """Display from when to when each export reaches, by its own clock."""
    clock = sheet.clock
    rows = [
        (r.exhibit.path, r.kind, r.layout or "–", r.clock, clock.both(r.first_ns), clock.both(r.last_ns))
        for r in sheet.investigation.readings
    ]
    columns = ["source", "kind", "layout", "clock", "first stamp", "last stamp"]
    show_table(pd.DataFrame(rows, columns=columns), "What each export spans, by its own clock", none="No export.")


def order(sheet: ReportContext) -> None:
    """Display the order of the events near the failure, with the intervals that it rests on."""
    work = sheet.investigation
    rows = [
        (n.name, sheet.clock.interval(n.earliest_ns, n.latest_ns), number((n.latest_ns - n.earliest_ns) / NS), n.clock)
        for n in work.near
    ]
    show_table(
        pd.DataFrame(rows, columns=["event", "interval", "width, s", "clock"]),
        "Events near the failure as intervals",
        none="No event near the failure.",
    )
    show_table(tables.order_table(sheet.told), "Which of two events came first, where that can be proved")


def one_start(sheet: ReportContext, number_of: int = 0) -> None:
    """Display one start over those before it and close up; 0 is the one at the failure, 1 the first of the record.

    Raises
    ------
    InputError
        There is no start of that number; the range is named.
    """
    work = sheet.investigation
    record, starts = work.record, work.starts
    which = chosen_number(sheet, number_of, starts, start_at_failure(starts, record.failure_ns), "start")
    sheet.show(start_overlay(record, starts, sheet.display, sheet.clock, number_of=which))
    sheet.show(start_ratios(starts, sheet.limits[UNLOADED_LIMIT], sheet.clock))
    if which:
        at_ns = starts[which - 1].time_ns
        span = Span(at_ns - 60 * NS, at_ns + 300 * NS)
        about = f"Start {which} of {len(starts)} close up."
        sheet.show(
            timeline(record, work.spans, sheet.clock, sheet.display, span=span, key="start-close-up", about=about)
        )
    show_table(tables.starts_table(sheet.told, sheet.clock), "All starts", none="No start.", rows=ROWS_SHOWN)


def one_stop(sheet: ReportContext, number_of: int = 0) -> None:
    """Display one stop over those before it and its equalisation; 0 is the one at the failure, 1 the first.

    Raises
    ------
    InputError
        There is no stop of that number; the range is named.
    """
    work = sheet.investigation
    record, stops = work.record, work.stops
    which = chosen_number(sheet, number_of, stops, stop_at_failure(stops, record.failure_ns), "stop")
    loaded_from = sheet.limits[LOADED_STOP]
    sheet.show(stop_overlay(record, stops, sheet.display, sheet.clock, loaded_from=loaded_from, number_of=which))
    sheet.show(equalisation(record, stops[:which], sheet.display, sheet.clock))
    sheet.show(stop_history(stops, sheet.clock, sheet.display))
    table = tables.stops_table(sheet.told, sheet.clock, sheet.display)
    show_table(table, "All stops", none="No stop.", rows=ROWS_SHOWN)


def chosen_number(
    sheet: ReportContext,
    number_of: int,
    found: Sequence[Start] | Sequence[Stop],
    failing: Start | Stop | None,
    what: str,
) -> int:
    """Number from 1 of the start or stop that is shown, said in words; 0 where there is none.

    Raises
    ------
    InputError
        There is none of that number.
    """
    if not isinstance(number_of, int) or not 0 <= number_of <= len(found):
        have = f"The case has {what}s 1 to {len(found)}" if found else f"The case has no {what}"
        fault = InputError(
            [Problem(f"there is no {what} {number_of}", column=what, remedy=f"{have}; 0 takes the failing one.")]
        )
        show_problems(fault)
        raise fault
    at = found.index(failing) + 1 if failing is not None else 0
    which = number_of or at
    if which:
        about = "the one at the failure" if which == at else "not the one at the failure"
        show_text(
            f"{what.capitalize()} {which} of {len(found)}, {about}: {sheet.clock.text(found[which - 1].time_ns)}."
        )
    return which


def every_waveform(sheet: ReportContext) -> None:
    """Display every waveform record of the case, and the findings that rest on them."""
    record = sheet.investigation.record
    for number_of, waveform in enumerate(record.waveforms, start=1):
        sheet.show(waveform_plate(waveform, number_of, sheet.clock))
    if not record.waveforms:
        show_text("This case has no waveform record.")
    found = tables.findings_table(sheet.told, sheet.clock, sheet.display)
    of_waveforms = found[found["finding"].str.startswith("waveform.")]
    show_table(of_waveforms, "Findings of the waveforms", none="No check looked at waveforms.")
