"""What a notebook writes: page, findings file, set-aside rows, and the tables as CSV."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd

from forensics.errors import InputError, Severity
from forensics.intake import check_untouched
from forensics.intake.result import write_set_aside
from forensics.model.outside_text import table_for_sheet
from forensics.model.paths import changed_since
from forensics.report import tables
from forensics.report.binding.page import page_of
from forensics.report.context import ReportContext
from forensics.report.outline import compose
from forensics.report.written.placing import PAGE_CELLS, Stage, handed_over, held, new_stage
from forensics.report.written.result_set import (
    FINDINGS_NAME,
    MANIFEST_NAME,
    REPORT_NAME,
    SET_ASIDE_NAME,
    TABLES_NAME,
    InputRow,
    ResultSet,
    hash_inputs,
    input_faults,
    new_set,
)
from forensics.report.written.revision import keep_earlier
from forensics.results.findings_json import dump_findings

__all__ = ["FINDINGS_NAME", "PAGE_CELLS", "SET_ASIDE_NAME", "TABLES_NAME", "all_tables", "csv_text", "write"]


def _now() -> datetime:
    return datetime.now(UTC)


def write(sheet: ReportContext, *, now: Callable[[], datetime] = _now) -> None:
    """Write ``report.html``, ``findings.json``, ``set_aside.csv`` and, where asked for, ``tables/*.csv`` as one set.

    By hand the set is put in place as it is, and its manifest says that no notebook was kept. Started by a run, the
    set waits in the run's scratch folder for the executed notebook, and for the cells that the engineer added.

    Parameters
    ----------
    now
        The clock: asked once, for the line that says when the page was made.

    Raises
    ------
    InputError
        A file that the case names changed meanwhile, or another run writes to the folder.
    RunError
        The page would not be sound.
    """
    if sheet.out is None:
        return
    cells = compose(sheet)
    stage = handed_over(sheet.out)
    if stage is not None:
        lay_out(sheet, stage)
        (stage.folder / PAGE_CELLS).write_text(json.dumps(cells), encoding="utf-8")
        return
    made_utc = f"{now().astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"
    page = page_of(cells, sheet.investigation.casefile, made=f"Made {made_utc}.").encode("utf-8")
    with held(sheet.out):
        stage = new_stage(sheet.out)
        try:
            found = lay_out(sheet, stage)
            stage.put(REPORT_NAME, page)
            stage.commit(found.with_files({REPORT_NAME: page}, made_utc=made_utc))
        except BaseException:
            stage.discard()
            raise


def lay_out(sheet: ReportContext, stage: Stage) -> ResultSet:
    """Write the files of a set and its manifest into a scratch folder."""
    assert sheet.out is not None
    inputs = _unchanged_inputs(sheet)
    files = _files(sheet, stage.new)
    for name, content in files.items():
        stage.put(name, content)
    keep_earlier(sheet.out, files[FINDINGS_NAME], stage.new)
    work = sheet.investigation
    found = new_set(case=work.case.path, casefile=work.casefile, out=sheet.out, inputs=inputs, files=files)
    stage.put(MANIFEST_NAME, found.text().encode("utf-8"))
    return found


def _files(sheet: ReportContext, scratch: Path) -> dict[str, bytes]:
    write_set_aside(sheet.investigation.readings, scratch / SET_ASIDE_NAME)
    files = {
        FINDINGS_NAME: dump_findings(sheet.findings).encode("utf-8"),
        SET_ASIDE_NAME: (scratch / SET_ASIDE_NAME).read_bytes(),
    }
    if sheet.tables:
        files |= {f"{TABLES_NAME}/{name}.csv": csv_text(t).encode("utf-8") for name, t in all_tables(sheet).items()}
    return files


def _unchanged_inputs(sheet: ReportContext) -> tuple[InputRow, ...]:
    """Every input by hash; a problem for each that is not what it was when the sheet was opened."""
    work = sheet.investigation
    exhibits = [e for reading in work.readings for e in (reading.exhibit, *reading.also)]
    now = hash_inputs(work.case.path, work.casefile, {exhibit.path: exhibit.sha256 for exhibit in exhibits})
    read = {source.path for source in work.casefile.source}
    before, after = ([row for row in rows if row.path not in read] for rows in (sheet.inputs, now))
    problems = input_faults(before, after, origin="the run began with")
    problems += [p for p in check_untouched(exhibits) if p.severity is Severity.STOP]
    problems += changed_since(work.case.opened)
    if sheet.inputs and problems:
        raise InputError(problems)
    return now


def all_tables(sheet: ReportContext) -> dict[str, pd.DataFrame]:
    """Every table of the report, those behind the figures included, by the name of its file."""
    found, clock, display = sheet.told, sheet.clock, sheet.display
    return {
        "sources": tables.sources_table(found),
        "set_aside_reasons": tables.set_aside_table(found),
        "missing_cells": tables.missing_cells_table(found),
        "clocks": tables.clocks_table(found),
        "findings": tables.findings_table(found, clock, display),
        "hypotheses": tables.hypotheses_table(found),
        "matrix": tables.matrix_table(found),
        "starts": tables.starts_table(found, clock),
        "stops": tables.stops_table(found, clock, display),
        "states": tables.states_table(found, clock),
        "events": tables.events_table(found, clock, display),
        "order": tables.order_table(found),
        "observability": tables.observability_table(found),
        "robustness": tables.robustness_table(found),
        "facts": tables.facts_table(found),
        "limits_replaced": tables.overrides_table(found, sheet.limits, display),
        "packages": tables.packages_table(found),
        **{f"figure-{key}": plate.table for key, plate in sheet.shown.items() if len(plate.table)},
    }


def csv_text(table: pd.DataFrame) -> str:
    """A table as CSV (RFC 4180, line feeds); text that a spreadsheet would run as a formula gets an apostrophe."""
    target = io.StringIO()
    table_for_sheet(table).to_csv(target, index=False, lineterminator="\n")
    return target.getvalue()
