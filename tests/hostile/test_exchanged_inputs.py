"""Inputs that are exchanged: while a report is made, between report and sealing; and sets made by hand."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
from finished_cases import write_case, write_finished

from forensics.cli import CORRECT, main
from forensics.errors import InputError
from forensics.report import context as sheet
from forensics.report import run_report
from forensics.report.written import output
from forensics.report.written.result_set import NOT_KEPT, read_set, set_faults
from forensics.seal import seal

PHOTO = b"\xff\xd8 not really a picture \xff\xd9"
MADE = re.compile(rb"Made [^<]+")


@pytest.mark.parametrize("name", ["photos/slide.jpg", "exports/rec.DAT", "exports/trend.csv", "case.toml"])
def test_what_was_exchanged_after_the_report_is_not_sealed(tmp_path: Path, name: str) -> None:
    case = write_case(tmp_path / "case")
    out = write_finished(case, tmp_path / "case" / "report")
    (case.parent / name).write_bytes((case.parent / name).read_bytes() + b"\n")
    with pytest.raises(InputError, match="that the report was made from"):
        seal(out, tmp_path / "bag")
    assert not (tmp_path / "bag").exists()


@pytest.mark.parametrize("key", ["saturation_table", "sequence"])
def test_tables_and_profiles_are_inputs_too(tmp_path: Path, key: str) -> None:
    case = write_case(tmp_path / "case")
    (case.parent / "own.toml").write_text("x = 1\n", encoding="utf-8")
    text = case.read_text(encoding="utf-8")
    case.write_text(
        text.replace('refrigerant = "R134a"', f'refrigerant = "R134a"\n{key} = "own.toml"'), encoding="utf-8"
    )
    out = write_finished(case, tmp_path / "case" / "report")
    (case.parent / "own.toml").write_text("x = 2\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"own\.toml: is not the file that the report was made from"):
        seal(out, tmp_path / "bag")


@pytest.mark.parametrize(
    "name", ["report.html", "set_aside.csv", "findings.json", "incident.ipynb", "tables/starts.csv"]
)
def test_a_result_of_another_run_is_not_sealed(tmp_path: Path, name: str) -> None:
    case = write_case(tmp_path / "case")
    out = write_finished(case, tmp_path / "case" / "report", tables={"starts.csv": "a\n"})
    other = write_finished(
        case, tmp_path / "case" / "other", tables={"starts.csv": "b\n"}, version="0.1.1", aside="x\n", page="y"
    )
    (other / name).write_bytes((other / name).read_bytes() + b" ")
    shutil.copyfile(other / name, out / name)
    with pytest.raises(InputError, match="is not the one that was made with the other results"):
        seal(out, tmp_path / "bag")


def test_results_without_a_manifest_are_not_sealed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = write_finished(write_case(tmp_path / "case"), tmp_path / "case" / "report")
    (out / "results.json").unlink()
    assert main(["seal", str(out)]) == CORRECT
    assert "these results are not known to be of one run" in capsys.readouterr().err
    for text in ("", "[]", "{}", "[" * 100_000):
        (out / "results.json").write_text(text, encoding="utf-8")
        assert main(["seal", str(out)]) == CORRECT
        assert "can't be read" in capsys.readouterr().err


@pytest.fixture
def demo(tmp_path: Path, root: Path) -> Path:
    shutil.copytree(root / "data_demo" / "cases" / "cannot-tell", tmp_path / "case")
    case = tmp_path / "case" / "case.toml"
    with case.open("a", encoding="utf-8") as file:
        file.write('\n[[observation]]\ntext = "slide"\nphoto = "slide.jpg"\n')
    (tmp_path / "case" / "slide.jpg").write_bytes(PHOTO)
    return case


def test_an_input_exchanged_while_the_report_is_made_stops_it(demo: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    opened = sheet.open_sheet(case=demo, out=out)
    (demo.parent / "slide.jpg").write_bytes(PHOTO + b"other")
    with pytest.raises(InputError, match=r"slide\.jpg: is not the file that the run began with"):
        output.write(opened)
    assert [p.name for p in out.iterdir()] == [".results.lock"]


def test_by_hand_the_notebook_leaves_one_set_without_itself(demo: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    output.write(sheet.open_sheet(case=demo, out=out, tables=True))
    found = read_set(out)
    assert found is not None
    assert found.notebook == NOT_KEPT
    assert found.tables
    assert {row.path for row in found.inputs} >= {"case.toml", "slide.jpg"}
    assert all(row.sha256 for row in found.inputs)
    assert set_faults(out, found) == []


def test_by_hand_a_page_of_other_findings_does_not_stay_beside_the_new_ones(demo: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    run_report(demo, out)
    page = (out / "report.html").read_bytes()
    output.write(sheet.open_sheet(case=demo, out=out))
    assert set_faults(out, read_set(out)) == []  # type: ignore[arg-type]
    by_hand = (out / "report.html").read_bytes()
    assert MADE.sub(b"", by_hand) == MADE.sub(b"", page)
    assert not (out / "incident.ipynb").exists()  # it is of another run than this page
    output.write(sheet.open_sheet(case=demo, out=out, limits={"starts.unloaded_ratio_max": 0.45}))
    assert b"starts.unloaded_ratio_max = 0.45" in (out / "report.html").read_bytes()
    kept = list(out.glob("earlier/*/report.html"))
    assert [p.read_bytes() for p in kept] == [by_hand]
    assert set_faults(out, read_set(out)) == []  # type: ignore[arg-type]
