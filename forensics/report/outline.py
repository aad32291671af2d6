"""The order of the report: its sections with their headings, and the page of a case made from them.

The page is made from the opened case, never from what the cells of a notebook happened to display: a notebook run by
hand, whatever was left out of it or added to it, ends with the page that ``forensics report`` makes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from forensics.case.schema import CaseFile
from forensics.report import sections
from forensics.report.context import ReportContext
from forensics.report.markup import collected
from forensics.report.page import bind

Cells = list[dict[str, Any]]


@dataclass(frozen=True)
class Section:
    """One section: its heading, its paragraphs (Markdown) and what is displayed under them."""

    title: str
    prose: str
    shown: tuple[Callable[[ReportContext], None], ...]


METHOD = """What these points and sample intervals can show at all, what was assumed, and which limits were in force.

The order is that of the scientific method: the question (page one), the data and their quality, their analysis, the \
hypotheses, each tested against all of the data, and the one that stands, if one does. Expectation and the wish to \
confirm (bias) are met by limits that were set before the data were seen, by the same checks in the same order on \
every case, and by weighing every mode."""

OUTLINE = (
    Section("", "", (sections.page_one,)),
    Section(
        "Evidence and data quality",
        "What was supplied, byte by byte, and what became of every row. The exports themselves are never altered.",
        (sections.evidence, sections.clocks),
    ),
    Section(
        "Timeline of the failure",
        "States and solenoids over currents, pressures, oil and temperatures, on one time axis.",
        (sections.timeline,),
    ),
    Section(
        "Starts",
        "The machine's own starts: the failing one is held against those before it.",
        (sections.starts,),
    ),
    Section(
        "Stops and coast-downs",
        "How the pressures came together after the motor stopped, and whether the rotors turned backwards.",
        (sections.stops,),
    ),
    Section(
        "Solenoid events",
        "Every event is an interval. A value before it is the last reading at or before it, a value after it the "
        "first one after, each with its age.",
        (sections.solenoids,),
    ),
    Section(
        "Refrigerant, slide, oil and filter",
        "The slower pictures: saturation, slide response, oil and filter over the whole record.",
        (sections.slow_pictures,),
    ),
    Section(
        "Hypotheses",
        "All modes that were considered, with what speaks for each, against it, and what could not speak. An outcome "
        "that could not be seen is never read as absence.",
        (sections.hypotheses,),
    ),
    Section(
        "Physical evidence",
        "What was seen, tested and measured by hand, set against the data, both ways.",
        (sections.physical,),
    ),
    Section(
        "Findings",
        "Each statement of this report stands on a finding, and each finding on rows of the exports.",
        (sections.findings,),
    ),
    Section("Method and limits", METHOD, (sections.method,)),
    Section("Appendix", "Hashes, versions, parameters.", (sections.appendix,)),
)


def compose(sheet: ReportContext) -> Cells:
    """The whole page as cells: Markdown of the headings, and what the sections display."""
    cells: Cells = []
    for section in OUTLINE:
        if section.title:
            cells.append(_markdown(f"## {section.title}\n\n{section.prose}"))
        with collected() as outputs:
            for show in section.shown:
                show(sheet)
        cells.append({"cell_type": "code", "metadata": {}, "source": "", "outputs": outputs})
    return cells


def page_of(cells: Sequence[dict[str, Any]], casefile: CaseFile, *, made: str) -> str:
    """The page of composed cells.

    Parameters
    ----------
    made
        When it was made, as the page says it: ``Made 2031-06-01T12:00:00Z.``
    """
    from nbformat import from_dict

    return bind(from_dict({"cells": list(cells)}), title=title_of(casefile), made=made)  # type: ignore[no-untyped-call]


def title_of(casefile: CaseFile) -> str:
    """Title of a case's page."""
    case = casefile.case
    parts = (case.title, case.site, case.machine_tag)
    return f"{' · '.join(part for part in parts if part) or case.id} – technical findings"


def _markdown(source: str) -> dict[str, Any]:
    return {"cell_type": "markdown", "metadata": {}, "source": source}
