"""Names from outside: no terminal obeys them, no page turns on them, no spreadsheet runs them; no ending is a fault."""

from __future__ import annotations

import csv
import os
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest
from case_folders import CASE, changed, write_folder

from forensics.cli import CORRECT, DONE, FAILED, main
from forensics.intake.exhibits import Exhibit
from forensics.intake.result import Accounting, SetAside, SourceResult, write_set_aside
from forensics.model.outside_text import DIRECTION, for_page, for_sheet, for_terminal
from forensics.report.binding.markup import render, table_markup
from forensics.report.binding.page import script_json

CONTROLS = [chr(n) for n in (*range(9), *range(11, 32), *range(127, 160))]
OBEYED = [*CONTROLS, *sorted(DIRECTION), "\u2028", "\u2029"]
FORMULA = ("=", "+", "-", "@", "\t", "\r", " ", "＝")
FORMULAS = ("=cmd|' /C calc'!A1", "+SUM(A1)", "-2+3", "@SUM(1)", "\t=1+1", "\r=1", "  =1+1", "＝1+1", "-", "=")


@pytest.mark.parametrize("sign", OBEYED, ids=lambda sign: f"{ord(sign):04X}")
def test_what_is_obeyed_is_replaced(sign: str) -> None:
    text = f"a{sign}é b"
    assert for_terminal(text) == f"a<U+{ord(sign):04X}>é b"
    assert for_page(text) == "a\ufffdé b"
    assert sign not in render("note.html.j2", {"text": text})
    assert sign not in table_markup(pd.DataFrame({f"c{sign}": [text]}), caption=text)
    assert sign not in script_json({"name": text})


@pytest.mark.parametrize("text", ["plain", "two\nlines\tand a tab", "Kühlwasser 冷水 ماء", "½ °C → 5 %", ""])
def test_what_is_read_stays(text: str) -> None:
    assert for_terminal(text) == for_page(text) == text


@pytest.mark.parametrize("text", FORMULAS)
def test_a_formula_is_text(text: str, tmp_path: Path) -> None:
    exhibit = Exhibit("a.csv", tmp_path / "a.csv", "", 0, 0)
    row = SetAside(text, 3, "no readable time", text)
    reading = SourceResult(exhibit, "trend", "wide", "a", Accounting(1, 0, {"no readable time": 1}, {}, (row,)))
    write_set_aside((reading,), tmp_path / "set_aside.csv")
    with (tmp_path / "set_aside.csv").open(encoding="utf-8", newline="") as lines:
        source, _, _, shown = list(csv.reader(lines))[1]
    assert not source.startswith(FORMULA)
    assert source == shown == for_sheet(for_terminal(text))


@pytest.mark.parametrize("text", ["-12.5", "+3", "1e5", "-inf", "plain", "2031-03-14", "a=b"])
def test_a_number_stays_a_number(text: str) -> None:
    assert for_sheet(text) == text


def test_a_terminal_obeys_no_name(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    name = "\x1b[2Jall is well\u202e.toml"
    assert main(["check", str(tmp_path / name)]) == CORRECT
    told = capsys.readouterr()
    assert "\x1b" not in told.err + told.out
    assert "\u202e" not in told.err + told.out
    assert "<U+001B>[2Jall is well<U+202E>" in told.err


TITLED = changed('role = "motor_amps"\ncolumn = "Amps"', 'role = "motor_amps"\ncolumn = "電流 é"')
ENDINGS = (
    ("ascii", {"PYTHONIOENCODING": "ascii"}),
    ("cp1252", {"PYTHONIOENCODING": "cp1252"}),
    ("POSIX", {"LC_ALL": "POSIX", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}),
)


def _run(arguments: list[str], **given: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "forensics", *arguments]
    # where every write goes out at once, the library that prints the help takes no notice of what becomes of it
    given.setdefault("env", {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"})
    return subprocess.run(command, text=True, errors="replace", timeout=120, check=False, **given)  # type: ignore[call-overload, no-any-return]


@pytest.mark.parametrize(("name", "environment"), ENDINGS, ids=[name for name, _ in ENDINGS])
def test_a_terminal_of_another_encoding(tmp_path: Path, name: str, environment: dict[str, str]) -> None:
    case = write_folder(tmp_path / "case", TITLED)
    done = _run(["check", str(case)], env={**os.environ, **environment}, capture_output=True)
    assert done.returncode == DONE, done.stderr
    assert "Traceback" not in done.stderr
    assert "\\u96fb" in done.stdout


@pytest.mark.parametrize("arguments", [["check", "{case}"], ["draft", "{export}"], ["--help"], ["check", "--help"]])
def test_a_full_disk_behind_the_answer(tmp_path: Path, arguments: list[str]) -> None:
    if not Path("/dev/full").exists():
        pytest.skip("there is no /dev/full here")
    case = write_folder(tmp_path / "case", CASE)
    given = [a.format(case=case, export=case.parent / "exports" / "trend.csv") for a in arguments]
    with Path("/dev/full").open("w") as full:
        done = _run(given, stdout=full, stderr=subprocess.PIPE)
    assert done.returncode == FAILED
    assert "Traceback" not in done.stderr
    assert "Exception ignored" not in done.stderr
    assert "No space left" in done.stderr


def test_a_full_disk_behind_both(tmp_path: Path) -> None:
    if not Path("/dev/full").exists():
        pytest.skip("there is no /dev/full here")
    case = write_folder(tmp_path / "case", CASE)
    with Path("/dev/full").open("w") as full:
        assert _run(["check", str(case)], stdout=full, stderr=full).returncode == FAILED


@pytest.mark.parametrize("arguments", [["check", "{case}"], ["draft", "{export}"], ["--help"]])
def test_a_pipe_that_nobody_reads(tmp_path: Path, arguments: list[str]) -> None:
    case = write_folder(tmp_path / "case", CASE)
    given = [a.format(case=case, export=case.parent / "exports" / "trend.csv") for a in arguments]
    reading, writing = os.pipe()
    os.close(reading)
    try:
        done = _run(given, stdout=writing, stderr=subprocess.PIPE)
    finally:
        os.close(writing)
    assert done.returncode == FAILED
    assert [line for line in done.stderr.splitlines() if "at work" not in line] == []
