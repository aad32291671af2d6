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
from forensics.report.binding.markup import collected
from forensics.report.binding.page import bind
from forensics.report.context import ReportContext

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
        "What happened",
        "Facts: what the record and the panel say of the failure. Every event is an interval.",
        (sections.chronology,),
    ),
    Section(
        "The failing start or stop against healthy ones",
        "Analysis: the machine's own healthy starts and stops are the measure; loaded, tripped or reversed ones teach "
        "nothing of what is usual.",
        (sections.starts, sections.stops, sections.waveforms),
    ),
    Section(
        "Causes: what speaks for and against",
        "Analysis: the cause that stands and its look-alikes first, then all modes. An outcome that could not be seen "
        "is never read as absence.",
        (sections.causes,),
    ),
    Section(
        "Physical evidence and custody",
        "Facts: what was seen, tested and measured by hand, set against the data, both ways.",
        (sections.physical,),
    ),
    Section(
        "What cannot be known, and how firm the verdict is",
        "Analysis: what is open, what conflicts, and what becomes of the verdict when one thing is changed.",
        (sections.not_known,),
    ),
    Section(
        "Next steps",
        "In order. Whatever changes evidence is marked: tell all interested parties first.",
        (sections.next_tests,),
    ),
    Section(
        "Data and clocks",
        "Facts: what was supplied, byte by byte, what became of every row, and what the whole record looks like. The "
        "exports themselves are never altered. A value before an event is the last reading at or before it, a value "
        "after it the first one after, each with its age.",
        (sections.evidence, sections.clocks, sections.timeline, sections.solenoids, sections.slow_pictures),
    ),
    Section(
        "Findings with raw lines",
        "Each statement of this report stands on a finding, and each finding on rows of the exports: open one to read "
        "them as they were exported.",
        (sections.findings,),
    ),
    Section("Method, limits, and how to run it again", METHOD, (sections.method, sections.appendix)),
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
    named = " · ".join(part for part in parts if part)
    return f"{named + ' – ' if named else ''}technical findings, case {case.id}"


def _markdown(source: str) -> dict[str, Any]:
    return {"cell_type": "markdown", "metadata": {}, "source": source}
