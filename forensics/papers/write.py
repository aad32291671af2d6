"""Writes the papers of a case: one page a sheet and one with all; offline, checked, printable on A4 and Letter."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from forensics.case.read import read_job_file
from forensics.case.schema import JobFile
from forensics.errors import InputError, Problem
from forensics.model.outside_text import for_page
from forensics.papers.bench_sheets import sample_sheet, teardown_sheet, test_sheet
from forensics.papers.first_sheets import call_sheet, hold_sheet, photo_sheet, request_sheet
from forensics.papers.last_sheets import action_sheet, custody_sheet, decision_sheet
from forensics.papers.live import Live, live_causes
from forensics.papers.sheet import Sheet, by_place
from forensics.report.binding.page import check_page, page_file

if TYPE_CHECKING:
    from jinja2 import Environment

ALL = "papers"


@dataclass(frozen=True, slots=True)
class Papers:
    """What was written, and what could not be used."""

    files: tuple[Path, ...]
    notes: tuple[str, ...]


def sheets_of(case: Path, job: JobFile, live: Live) -> tuple[Sheet, ...]:
    """All sheets in the order of the job."""
    return (
        call_sheet(job),
        hold_sheet(job),
        request_sheet(case, job, live),
        photo_sheet(job),
        test_sheet(job, live),
        teardown_sheet(job),
        sample_sheet(job),
        decision_sheet(job, live),
        action_sheet(job, live),
        custody_sheet(job),
    )


def make_papers(case: Path, out: Path | None = None) -> Papers:
    """Write the papers of a case, as far as it goes; a telephone call is enough.

    Parameters
    ----------
    out
        Folder for the pages; default: ``papers`` beside the case file.

    Raises
    ------
    InputError
        The case file can't be read, or ``out`` is a file: all problems at once.
    """
    job = read_job_file(case)
    folder = out or case.parent / "papers"
    if folder.exists() and not folder.is_dir():
        raise InputError([Problem("is a file, and the papers need a folder", file=str(folder), remedy="Give --out.")])
    live = live_causes(case, job)
    sheets = sheets_of(case, job, live)
    pages = {ALL: _page(job, sheets)} | {sheet.key: _page(job, (sheet,)) for sheet in sheets}
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for name, page in pages.items():
        path = folder / f"{name}.html"
        path.write_text(page, encoding="utf-8")
        written.append(path)
    return Papers(tuple(written), live.notes)


def _page(job: JobFile, sheets: Sequence[Sheet]) -> str:
    name = " ".join(part for part in (job.case.site, job.case.machine_tag) if part)
    page = (
        _environment()
        .get_template("papers.html.j2")
        .render(
            {
                "title": f"{sheets[0].title if len(sheets) == 1 else 'Working papers'}: {job.case.id}",
                "css": page_file("report.css") + _css(),
                "sheets": sheets,
                "lacks": {sheet.key: by_place(sheet.gaps) for sheet in sheets},
                "case": job.case,
                "machine": job.machine,
                "name": name,
            }
        )
    )
    check_page(page, [], scripts=0)
    return page


@cache
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("forensics.papers", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=lambda value: for_page(value) if type(value) is str else value,
    )


@cache
def _css() -> str:
    return (Path(__file__).parent / "papers.css").read_text(encoding="utf-8")
