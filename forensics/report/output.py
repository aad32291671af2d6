"""What a notebook writes: findings file, set-aside rows, and the tables as CSV."""

from __future__ import annotations

import io

import pandas as pd

from forensics.intake.result import write_set_aside
from forensics.report import tables
from forensics.report.context import ReportContext
from forensics.report.failure import write_whole
from forensics.report.revision import keep_earlier
from forensics.results.schema import dump_findings

FINDINGS_NAME, SET_ASIDE_NAME, TABLES_NAME = "findings.json", "set_aside.csv", "tables"


def write(sheet: ReportContext) -> None:
    """Write ``findings.json``, ``set_aside.csv`` and, where asked for, ``tables/*.csv`` to the folder of the results.

    A finished earlier report whose findings differ is copied to ``earlier/`` first; without a folder nothing is
    written.
    """
    if sheet.out is None:
        return
    text = dump_findings(sheet.findings).encode("utf-8")
    keep_earlier(sheet.out, text)
    write_set_aside(sheet.investigation.readings, sheet.out / SET_ASIDE_NAME)
    write_whole(sheet.out / FINDINGS_NAME, text)
    if sheet.tables:
        folder = sheet.out / TABLES_NAME
        folder.mkdir(exist_ok=True)
        for name, table in all_tables(sheet).items():
            write_whole(folder / f"{name}.csv", csv_text(table).encode("utf-8"))


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


_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def csv_text(table: pd.DataFrame) -> str:
    """A table as CSV (RFC 4180, line feeds); text that a spreadsheet would run as a formula gets an apostrophe."""

    def safe(cell: object) -> object:
        text = str(cell)
        if text.startswith(_FORMULA) and not _is_number(text):
            return f"'{text}"
        return cell

    target = io.StringIO()
    table.map(safe).to_csv(target, index=False, lineterminator="\n")
    return target.getvalue()


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
