"""A draft takes what is known beforehand: zone, refrigerant, failure, units, and the columns of a sister machine."""

from __future__ import annotations

import tomllib
import zipfile
from pathlib import Path

import pytest

from forensics.cli import CORRECT, DONE, main
from forensics.demo import DEMO_CASES
from forensics.errors import InputError
from forensics.intake.draft.answers import Answers, answered
from forensics.intake.draft.exports_in import exports_in

CASE = DEMO_CASES["loaded-starts"]
DRAFT = """# head
schema = 1

[case]
id = "x"
# QUESTION: the zone
time_zone = "UTC"
# QUESTION: when did it fail?
# failure = 2031-03-14T05:12:30
display = "si"

[machine]
# QUESTION: which refrigerant?
refrigerant = ""

[[source]]
path = "a.csv"

# points of a.csv
[[point]]
role = "discharge_pressure" # score 0.90
column = "DP"
source = "a.csv"
# unit = ""
# QUESTION: in which unit; say gauge or absolute: kPag, psia?
# QUESTION: is it taken before the check valve?
[[point]]
role = "load_solenoid" # score 0.80
column = "LS"
source = "a.csv"
# columns of a.csv that no role is written for
# column = "X7"; cells: 1, 2
# QUESTION: is 'X7' one of: motor_amps 0.30?
"""


def test_answers_stand_in_place_of_their_questions() -> None:
    text = answered(DRAFT, Answers("America/Chicago", "R134a", "2031-03-14T05:12:30", "inch-pound"), schema=True)
    assert text.startswith("#:schema case.schema.json\n")
    told = tomllib.loads(text)
    assert told["case"]["time_zone"] == "America/Chicago"
    assert str(told["case"]["failure"]) == "2031-03-14 05:12:30"
    assert told["machine"]["refrigerant"] == "R134a"
    assert told["point"][0]["unit"] == "psig"
    assert "unit" not in told["point"][1]
    for gone in ("the zone", "when did it fail", "which refrigerant", "in which unit"):
        assert f"QUESTION: {gone}" not in text
    for commented in ("window_before", "history", "ratio_error_percent", "clock_check", "[[observation]]", "[[limit]]"):
        assert f"# {commented}" in text or f"# [machine.{commented}" in text or f"# [[source.{commented}]]" in text


def test_without_answers_every_question_stays() -> None:
    text = answered(DRAFT, Answers())
    assert text.count("# QUESTION: ") == DRAFT.count("# QUESTION: ")
    assert tomllib.loads(text) == tomllib.loads(DRAFT)


def test_a_sister_machine_gives_roles_units_and_words(tmp_path: Path) -> None:
    sister = tmp_path / "sister.toml"
    sister.write_text(
        'schema = 1\n[case]\nid = "s"\ntime_zone = "UTC"\n[machine]\nrefrigerant = "R134a"\n'
        '[[source]]\npath = "b.csv"\n'
        '[[point]]\nrole = "unload_solenoid"\ncolumn = "LS"\non = ["Pulled"]\n'
        '[[point]]\nrole = "motor_amps"\ncolumn = "X7"\nunit = "A"\nrange = [0, 400]\n',
        encoding="utf-8",
    )
    told = tomllib.loads(answered(DRAFT, Answers(like=sister)))
    by_column = {point["column"]: point for point in told["point"]}
    assert by_column["LS"]["role"] == "unload_solenoid"
    assert by_column["LS"]["on"] == ["Pulled"]
    assert by_column["X7"] == {
        "role": "motor_amps", "column": "X7", "source": "a.csv", "unit": "A", "range": [0, 400],
    }  # fmt: skip


def test_answers_that_are_none_are_all_named() -> None:
    with pytest.raises(InputError) as fault:
        answered(DRAFT, Answers(zone="Mars", failure="yesterday", units="cubits"))
    assert len(fault.value.problems) == 3


def test_folders_are_searched_and_a_record_stands_once(tmp_path: Path) -> None:
    for name in ("a.csv", "deep/r.cfg", "deep/r.dat", "deep/s.dat", "photo.jpg", "case.toml", ".hidden/x.csv"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text("x", encoding="utf-8")
    found = {p.relative_to(tmp_path).as_posix() for p in exports_in([tmp_path])}
    assert found == {"a.csv", "deep/r.cfg", "deep/s.dat"}


def test_what_holds_no_export_is_all_named(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    with zipfile.ZipFile(tmp_path / "two.zip", "w") as archive:
        archive.writestr("a.csv", "x")
        archive.writestr("b.csv", "x")
    with pytest.raises(InputError) as fault:
        exports_in([tmp_path / "empty", tmp_path / "two.zip", tmp_path / "none.csv"])
    assert [p.what for p in fault.value.problems] == [
        "the folder holds no export",
        "the archive holds 2 files; a case names each export by its path",
        "the file is not there",
    ]


def test_the_draft_of_a_sister_has_the_points_of_its_hand_written_twin(tmp_path: Path) -> None:
    out = tmp_path / "case.toml"
    (tmp_path / "exports").symlink_to(CASE.parent / "exports")
    given = ["draft", str(CASE.parent / "exports"), "--like", str(CASE), "--out", str(out), "-q"]
    assert main(given) == DONE
    assert (tmp_path / "case.schema.json").is_file()
    twin = {p["column"]: p["role"] for p in tomllib.loads(CASE.read_text(encoding="utf-8"))["point"]}
    mine = {p["column"]: p["role"] for p in tomllib.loads(out.read_text(encoding="utf-8"))["point"]}
    assert mine
    assert all(twin[column] == role for column, role in mine.items() if column in twin)


def test_a_zone_that_is_none_is_refused_before_anything_is_read(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["draft", "none.csv", "--zone", "Mars"]) == CORRECT
    assert "--zone" in capsys.readouterr().err
