"""Input at fault: all problems at once and no report, or points left out and page one says so."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from forensics.case.read import read_case_file
from forensics.cli import CORRECT, main
from forensics.demo import DEMO_CASES
from forensics.report import run_report

pytestmark = pytest.mark.slow


@pytest.fixture
def case(tmp_path: Path) -> Path:
    folder = tmp_path / "case"
    shutil.copytree(DEMO_CASES["loaded-starts"].parent, folder)
    return folder / "case.toml"


def test_named_files_that_are_not_there_are_all_listed(
    case: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sources = [s.path for s in read_case_file(case).source][:2]
    for path in sources:
        (case.parent / path).unlink()
    out = tmp_path / "out"
    out.mkdir()
    (out / "report.html").write_text("older")
    assert main(["report", str(case), "--out", str(out)]) == CORRECT
    told = capsys.readouterr()
    for path in sources:
        assert path in told.err
    assert "Traceback" not in told.err + told.out
    assert (out / "report.html").read_text() == "older"
    assert not (out / "findings.json").exists()
    assert sources[0] in (out / "report.FAILED.html").read_text()


def test_an_export_that_can_not_be_read_is_said_on_page_one(case: Path, tmp_path: Path) -> None:
    last = next(s.path for s in reversed(read_case_file(case).source) if s.path.endswith((".csv", ".csv.gz")))
    (case.parent / last).write_bytes(b"\x00\xff\xfe" * 400)
    result = run_report(case, tmp_path / "out")
    page = result.report.read_text(encoding="utf-8")
    left_out = page.split('class="left-out"')[1].split("</div>")[0]
    assert last in left_out
