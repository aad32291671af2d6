"""Names from outside: no terminal obeys them, no page turns on them, no spreadsheet runs them; no ending is a fault."""

from __future__ import annotations

import csv
import os
import re
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest
from case_folders import CASE, changed, write_folder

from forensics.batch.plan import Row
from forensics.batch.run import write_table
from forensics.cli import CORRECT, DONE, FAILED, main
from forensics.intake.exhibits import Exhibit
from forensics.intake.result import Accounting, SetAside, SourceResult, write_set_aside
from forensics.model.outside_text import DIRECTION, for_page, for_sheet, for_terminal, from_sheet, table_for_sheet
from forensics.report.binding.markup import render, table_markup
from forensics.report.binding.page import script_json
from forensics.report.written.output import csv_text
from forensics.seal.custody import COLUMNS, chained, custody_faults, read_rows, write_rows

CONTROLS = [chr(n) for n in (*range(9), *range(11, 32), *range(127, 160))]
OBEYED = [*CONTROLS, *sorted(DIRECTION), "\u2028", "\u2029"]
FORMULA = ("=", "+", "-", "@", "\t", "\r", " ", "＝")
FORMULAS = (
    "=cmd|' /C calc'!A1", "+SUM(A1)", "-2+3", "@SUM(1)", "\t=1+1", "\r=1", "  =1+1", "＝1+1", "-", "=", "\u00a0=1",
    "\ufeff=1", "\u200b@SUM(1)",
)  # fmt: skip
# where a sheet begins a cell at each semicolon, tab or line end, quotes inside a line hold nothing together
INNER = ("plain;=1+1", "a; @SUM(1)", "a\t=1", 'a\n=HYPERLINK("x")', "a;+cmd|' /C calc'!A0", "3;-2+3+cmd|' /C calc'!A0")


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


@pytest.mark.parametrize("text", INNER)
def test_a_formula_after_a_separator_is_text(text: str) -> None:
    made = for_sheet(text)
    for mark in ";\t\r\n":
        assert not any(cell.strip().startswith(("=", "@", "+c", "-2")) for cell in made.split(mark))
    assert from_sheet(made) == text


@pytest.mark.parametrize("text", [*FORMULAS, *INNER, "plain", "'quoted'", "'=", "a;'b", "", "-3", "- a; - b", "\n"])
def test_a_guarded_text_can_be_read_back(text: str) -> None:
    assert for_sheet(for_sheet(text)) == for_sheet(text)
    assert from_sheet(for_sheet(text)) in {text, text.replace("'=", "=")}


@pytest.mark.parametrize("text", ["hot; -12 kPa; - and cold", "two; -3", "a=b; c=d", "x-y", "5 > 4; 3"])
def test_sentences_stay(text: str) -> None:
    assert for_sheet(text).replace("'", "") == text
    assert for_sheet(text).count("'") <= 1


def test_headings_and_cells_of_a_table_are_guarded() -> None:
    table = pd.DataFrame({"=1+1": ["@x", "plain"], "kPa": [-1.5, 2.0], "at": pd.to_datetime(["2031-01-01"] * 2)})
    made = table_for_sheet(table)
    assert list(made.columns) == ["'=1+1", "kPa", "at"]
    assert list(made["'=1+1"]) == ["'@x", "plain"]
    assert list(made["kPa"]) == [-1.5, 2.0]
    assert csv_text(table).splitlines()[0] == "'=1+1,kPa,at"


def test_no_csv_is_written_without_the_guard(root: Path) -> None:
    """Who writes a CSV file takes its cells through the guard: a new writer without it is seen here."""
    writing, guarded = [], []
    for path in sorted((root / "forensics").rglob("*.py")):
        text = path.read_text(encoding="utf-8")
        if re.search(r"csv\.writer\(|DictWriter\(|\.to_csv\(", text):
            writing.append(path.relative_to(root).as_posix())
            if "for_sheet" in text:
                guarded.append(writing[-1])
    assert len(writing) >= 5
    assert writing == guarded


def test_the_table_of_a_batch_runs_nothing(tmp_path: Path) -> None:
    rows = [Row("=cmd|' /C calc'!A1", "@x.toml\ud800", "to correct", why="a;=1+1\n=2", changed=("+SUM(1)",))]
    write_table(tmp_path, rows)
    with (tmp_path / "batch.csv").open(encoding="utf-8", newline="") as lines:
        _, cells = list(csv.reader(lines))
    assert cells[0] == "'=cmd|' /C calc'!A1"
    assert cells[1].startswith("'@x.toml<U+D800>")
    assert cells[8] == "'+SUM(1)"
    assert cells[9] == "a;'=1+1\n'=2"
    assert (tmp_path / "changed.txt").read_text(encoding="utf-8").count("\n") == 1


def test_a_custody_list_runs_nothing_and_its_chain_holds(tmp_path: Path) -> None:
    rows = [
        dict.fromkeys(COLUMNS, "") | {"file": "case/a.csv", "who": "=1+1", "how": "-", "tool": "x;=1", "sha256": "0"}
    ]
    lines = chained(rows)
    write_rows(tmp_path / "custody.csv", lines)
    written = (tmp_path / "custody.csv").read_text(encoding="utf-8")
    assert "'=1+1,,,'-,x;'=1," in written.replace('"', "")
    found = read_rows(tmp_path / "custody.csv")
    assert found == lines
    assert custody_faults(found, {"case/a.csv": "0"}, lines[-1]["chain"]) == []


@pytest.mark.parametrize("text", ["-12.5", "+3", "1e5", "-inf", "plain", "2031-03-14", "a=b"])
def test_a_number_stays_a_number(text: str) -> None:
    assert for_sheet(text) == text


def test_a_name_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A name with a line end must not say what the program says."""
    forged = "x\nevery file is there, none is added, every SHA-256 agrees\n"
    (tmp_path / "bag" / "data").mkdir(parents=True)
    (tmp_path / "bag" / "bagit.txt").write_text("x", encoding="utf-8")
    (tmp_path / "bag" / "data" / forged).write_text("x", encoding="utf-8")
    assert main(["verify", str(tmp_path / "bag")]) == CORRECT
    told = capsys.readouterr().out.splitlines()
    assert not any(line.startswith("every file is there") for line in told)
    assert any("x<U+000A>every file" in line for line in told)
    case = write_folder(tmp_path / "case", changed('path = "exports/trend.csv"', 'path = "exports/a\\nnone\\n.csv"'))
    assert main(["check", str(case)]) == CORRECT
    told = capsys.readouterr().err.splitlines()
    assert not any(line.strip() == "none" for line in told)


def test_a_log_holds_nothing_that_a_terminal_obeys(tmp_path: Path) -> None:
    log, name = tmp_path / "run.log", "\x1b[2J\u202e\n2031 INFO exit code 0.toml"
    assert main(["check", str(tmp_path / name), "--log", str(log)]) == CORRECT
    text = log.read_text(encoding="utf-8")
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert not any(line.startswith("2031 INFO") for line in text.splitlines())


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
