"""The failing start or stop against the machine's own healthy ones, and the fast electrical records."""

from __future__ import annotations

import dataclasses
from typing import Final

from forensics.model.vocabulary import ClockMethod
from forensics.report import tables
from forensics.report.context import ReportContext
from forensics.report.figures.cycles import start_overlay, start_ratios, stop_history, stop_overlay
from forensics.report.figures.equalisation import equalisation
from forensics.report.figures.figure import Figure
from forensics.report.figures.waveforms import waveform_plate
from forensics.report.healthy import LOADED_STOP
from forensics.report.sections.show import show_table, show_text
from forensics.report.stories.story import cycle_picture

LAST_ROWS = 60
MOST_WAVEFORMS = 3
UNLOADED_LIMIT: Final = "starts.unloaded_ratio_max"


def show_or_say(sheet: ReportContext, plate: Figure) -> None:
    """Display a figure; where nothing can be drawn, one line says why and no empty frame stands on the page."""
    if plate.figure["data"]:
        sheet.show(plate)
    else:
        show_text(plate.caption)


def starts(sheet: ReportContext) -> None:
    """Display the starts: the failing one over the healthy ones, all ratios, and their table."""
    work = sheet.investigation
    share = sheet.told.unloaded_starts
    text = f"Unloaded starts: {share.count} of {share.of} that could be judged; {share.cannot_tell} cannot be told."
    if share.fraction is not None and share.low is not None and share.high is not None:
        text += f" Share {share.fraction:.2f}, 95 % interval {share.low:.2f} to {share.high:.2f} (Wilson)."
    show_text(text)
    limit = sheet.limits[UNLOADED_LIMIT]
    plate = start_overlay(work.record, work.starts, sheet.display, sheet.clock)
    show_or_say(sheet, dataclasses.replace(plate, still=cycle_picture(work, "start", sheet.display)))
    show_or_say(sheet, start_ratios(work.starts, limit, sheet.clock))
    table = tables.starts_table(sheet.told, sheet.clock)
    show_table(table.tail(LAST_ROWS), last_of("Starts", len(table)), none="No start was found.", folded=True)


def last_of(what: str, count: int) -> str:
    """Title of a table that holds the last rows of many."""
    return what if count <= LAST_ROWS else f"{what}, the last {LAST_ROWS} of {count}"


def stops(sheet: ReportContext) -> None:
    """Display the stops: the one at the failure over the healthy ones, its equalisation, their measures and table."""
    work = sheet.investigation
    plate = stop_overlay(work.record, work.stops, sheet.display, sheet.clock, loaded_from=sheet.limits[LOADED_STOP])
    show_or_say(sheet, dataclasses.replace(plate, still=cycle_picture(work, "stop", sheet.display)))
    show_or_say(sheet, equalisation(work.record, work.stops, sheet.display, sheet.clock))
    show_or_say(sheet, stop_history(work.stops, sheet.clock, sheet.display))
    table = tables.stops_table(sheet.told, sheet.clock, sheet.display)
    caption = last_of("Stops and coast-downs", len(table))
    show_table(table.tail(LAST_ROWS), caption, none="No stop was found.", folded=True)


def waveforms(sheet: ReportContext, *, most: int = MOST_WAVEFORMS) -> None:
    """Display the waveform records nearest to the failure."""
    work = sheet.investigation
    unaligned = {c.clock for c in work.clocks if c.method is ClockMethod.NOT_POSSIBLE}
    nearest = sorted(work.record.waveforms, key=lambda w: abs(w.start_ns - work.record.failure_ns))[:most]
    for number_of, waveform in enumerate(nearest, start=1):
        sheet.show(waveform_plate(waveform, number_of, sheet.clock, aligned=waveform.clock not in unaligned))
    if len(work.record.waveforms) > most:
        show_text(f"{len(work.record.waveforms) - most} more waveform records are not drawn.")
