"""From a citation to the lines of the file: the same bytes, at most twenty, marked, whatever the file is."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest

from forensics.demo import DEMO_CASES
from forensics.report.context import ReportContext, open_sheet
from forensics.report.evidence.raw_lines import HEAD, MOST_LINES, RawLines, shown_rows
from forensics.results.schema import CiteRow


@pytest.fixture(scope="module")
def sheet() -> ReportContext:
    return open_sheet(case=DEMO_CASES["loaded-starts"])


@pytest.mark.parametrize("rows", [(2, 2), (1, 1), (5, 24), (7, 25), (100, 35_593), (2, 20), (2, 21)])
def test_at_most_twenty_lines_with_both_ends_of_the_citation(rows: tuple[int, int]) -> None:
    shown = shown_rows(rows)
    assert len({HEAD, *shown}) <= MOST_LINES
    assert {rows[0], rows[1]} <= set(shown)
    assert shown == sorted(set(shown))


def test_ten_citations_are_followed_to_the_bytes_of_their_files(sheet: ReportContext) -> None:
    """Reference: the file itself, opened by the standard library and split at its line feeds."""
    folder = DEMO_CASES["loaded-starts"].parent
    cites = [c for f in sheet.findings.findings for c in f.cites if not c.source.endswith(".cfg")]
    spread = cites[:: max(len(cites) // 10, 1)][:10]
    assert len(spread) == 10
    raw = RawLines(folder, sheet.investigation.readings, spread)
    for cite in spread:
        path = folder / cite.source
        content = gzip.decompress(path.read_bytes()) if path.suffix == ".gz" else path.read_bytes()
        lines = content.decode("utf-8").split("\n")
        block = raw.block(cite)
        assert block.lines
        marked = [n for n, _, cited in block.lines if cited]
        assert marked[0] == cite.rows[0]
        assert marked[-1] == cite.rows[1]
        for number, text, _ in block.lines:
            assert text == lines[number - 1].rstrip("\r")


def test_a_file_that_is_no_text_says_so(sheet: ReportContext) -> None:
    record = next(r.exhibit.path for r in sheet.investigation.readings if r.exhibit.path.endswith(".cfg"))
    cite = CiteRow(source=record, column="VA", rows=(3, 9))
    block = RawLines(DEMO_CASES["loaded-starts"].parent, sheet.investigation.readings, [cite]).block(cite)
    assert not block.lines
    assert "no text" in block.note
    assert block.where == "rows 3 to 9"


def test_a_file_that_was_moved_since_says_so(sheet: ReportContext, tmp_path: Path) -> None:
    cite = next(c for f in sheet.findings.findings for c in f.cites if c.source.endswith(".gz"))
    block = RawLines(tmp_path, sheet.investigation.readings, [cite]).block(cite)
    assert not block.lines
    assert "could not be read again" in block.note
