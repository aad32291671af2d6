"""Method, limits and cautions, and how to run the case again."""

from __future__ import annotations

import pandas as pd

from forensics.report import tables
from forensics.report.binding.markup import show_markup, table_markup
from forensics.report.context import ReportContext
from forensics.report.sections.show import show_lines, show_table
from forensics.report.words.cautions import cautions
from forensics.rules.detectability import detection_limits


def method(sheet: ReportContext) -> None:
    """Display what could be observed, the assumptions, the limits in force and the cautions with their sources."""
    show_table(
        tables.detection_table(detection_limits(sheet.investigation.record)),
        "Short events: the chance that this sampling caught one, min(1, length / interval)",
        key="table-detection",
        folded=True,
    )
    show_lines("Assumptions", sheet.told.assumptions)
    replaced = tables.overrides_table(sheet.told, sheet.limits, sheet.display)
    show_table(replaced, "Limits that were replaced", none="No limit was replaced.")
    table = tables.limits_table(sheet.limits, sheet.display, sheet.say)
    show_markup(table_markup(table, caption="Limits in force", rows=max(len(table), 1), small=True, folded=True))
    show_table(
        pd.DataFrame([row[1:] for row in cautions()[1]], columns=["caution", "source"]),
        "Cautions and where they come from",
    )


def appendix(sheet: ReportContext) -> None:
    """Display versions, hashes, parameters and how to run the case again."""
    show_table(tables.packages_table(sheet.told), "Packages")
    again, software = sheet.told.reproduce, sheet.told.software
    changed = ", ".join(sheet.changed_limits)
    show_lines(
        "To run it again",
        [
            f"command: {again.command}",
            f"hash of all inputs (SHA-256): {again.inputs_sha256}",
            f"hash of the rules (SHA-256): {software.rules_sha256}",
            f"case file: {sheet.investigation.case.path.name}",
            f"limits changed for this run, as given (in the units of the rules): {changed or 'none'}",
        ],
    )
