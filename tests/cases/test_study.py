"""The study as a command: a page, tables and data for the rules, from sixty machines' records in under two minutes."""

from __future__ import annotations

import html
import re
from pathlib import Path

import pandas as pd
import pytest

from forensics.cli import main
from forensics.report.words.cautions import cautions
from forensics.rules.error_rate import StudyTable
from forensics.rules.strict import read_form


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("study")
    assert main(["study", "--cases", "60", "--seed", "2", "--out", str(out)]) == 0
    return out


def test_every_case_is_judged_and_counted(folder: Path) -> None:
    assert len((folder / "cases.jsonl").read_text().splitlines()) == 1 + 20
    (row,) = pd.read_csv(folder / "tables/verdicts.csv").to_dict("records")
    assert row["right"] + row["cautious"] + row["wrong"] == row["cases"]
    assert row["not judged"] == 0
    by_sampling = pd.read_csv(folder / "tables/verdicts-sampling.csv")
    assert by_sampling["cases"].sum() == row["cases"]


def test_the_page_says_what_was_judged_and_that_machines_are_simulated(folder: Path) -> None:
    text = re.sub(r"<[^>]+>", " ", (folder / "study.html").read_text())
    assert "60 cases of 20 simulated machines" in text
    assert "A simulated machine is not this machine" in text
    assert cautions()[0] in html.unescape(text)
    for heading in ("What a report quotes", "What was taken for what", "Checks", "What was looked at on which build"):
        assert heading in text


def test_data_for_the_rules_lie_beside_the_page_and_not_in_the_package(folder: Path) -> None:
    table = read_form(StudyTable, folder / "rules" / "verdicts.toml")
    assert table.study.seed == 2
    assert (folder / "rules" / "checks.toml").is_file()


def test_a_second_run_adds_nothing_and_leaves_the_same_data(folder: Path) -> None:
    before = {path: path.read_bytes() for path in [folder / "cases.jsonl", *(folder / "tables").iterdir()]}
    assert main(["study", "--cases", "60", "--seed", "2", "--out", str(folder)]) == 0
    assert {path: path.read_bytes() for path in before} == before


def test_another_seed_in_the_same_folder_is_refused(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["study", "--cases", "60", "--seed", "3", "--out", str(folder)]) == 2
    assert "not the same: seed" in capsys.readouterr().err


@pytest.mark.parametrize("arguments", [["--cases", "0"], ["--workers", "0"]])
def test_what_is_out_of_range_is_told(arguments: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["study", *arguments, "--out", str(tmp_path / "out")]) == 2
    assert arguments[0] in capsys.readouterr().err
    assert not (tmp_path / "out" / "study.html").exists()
