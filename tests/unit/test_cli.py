"""Exit codes and plain words: 2 with all problems at once, no new report."""

from __future__ import annotations

import argparse
import json
import time
import tomllib
from importlib import metadata
from pathlib import Path

import pytest

from forensics.case.reference import case_keys, case_schema
from forensics.cli import CORRECT, DONE, STOPPED, main, speech
from forensics.cli.main import make_parser
from forensics.cli.options import limits_of, matching
from forensics.cli.speech import Speech
from forensics.demo import DEMO_CASES
from forensics.errors import InputError


def _case(folder: Path, text: str) -> Path:
    path = folder / "case.toml"
    path.write_text(text, encoding="utf-8")
    return path


HEAD = (
    'schema = 1\n[case]\nid = "x"\ntime_zone = "UTC"\nfailure = 2031-03-14T10:00:00\n[machine]\nrefrigerant = "R134a"\n'
)


def test_a_bad_case_file_gives_all_problems_and_no_report(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    case = _case(tmp_path, 'schema = 1\n[case]\nid = "a b"\ntime_zone = "Mars"\nsit = 1\n[machine]\n')
    assert main(["report", str(case), "--out", str(tmp_path / "out")]) == 2
    said = capsys.readouterr().err
    for word in ("case.id", "Mars", "sit", "refrigerant", "source"):
        assert word in said, said
    assert not (tmp_path / "out" / "report.html").exists()


def test_missing_files_are_all_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    case = _case(tmp_path, HEAD + '[[source]]\npath = "a.csv"\n[[source]]\npath = "b.csv"\n')
    assert main(["report", str(case), "--out", str(tmp_path / "out")]) == 2
    said = capsys.readouterr().err
    assert "a.csv" in said
    assert "b.csv" in said
    assert "Traceback" not in said
    assert not (tmp_path / "out" / "report.html").exists()


def test_a_limit_that_is_not_one_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "a.csv").write_text("Time,Amps\n2031-03-14 09:59:00,1\n", encoding="utf-8")
    limit = '[[limit]]\nname = "starts.unloaded_ratio"\nvalue = 0.4\nsource = "x"\n'
    case = _case(tmp_path, HEAD + '[[source]]\npath = "a.csv"\n' + limit)
    assert main(["check", str(case)]) == 2
    assert "starts.unloaded_ratio_max" in capsys.readouterr().err


def test_an_unknown_demonstration_case_names_those_that_ship(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["demo", "nothing"]) == 2
    assert "healthy" in capsys.readouterr().err


def test_a_missing_case_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(tmp_path / "none.toml")]) == 2
    assert "not there" in capsys.readouterr().err


def test_help_defers_to_local_codes(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as caught:
        main(["--help"])
    assert caught.value.code == 0
    assert "local codes and licensed practice govern" in " ".join(capsys.readouterr().out.split())


def test_the_version_is_that_of_the_package(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as caught:
        main(["--version"])
    assert caught.value.code == 0
    assert metadata.version("screw-forensics") in capsys.readouterr().out


def test_a_command_that_is_none_is_told_the_nearest(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["chekc", "case.toml"]) == CORRECT
    assert "did you mean 'check'" in capsys.readouterr().err


@pytest.mark.parametrize("name", sorted(make_parser()[1]))
def test_every_command_has_an_example_and_a_line_for_each_option(name: str) -> None:
    parser, _ = make_parser()
    commands = next(a for a in parser._actions if isinstance(a, argparse._SubParsersAction))
    command = commands.choices[name]
    assert f"example: forensics {name} " in (command.epilog or "")
    for action in command._actions:
        assert (action.help or "").strip(), action.dest


def test_problems_are_one_document_where_that_is_asked_for(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    case = _case(tmp_path, HEAD + '[[source]]\npath = "a.csv"\n[[source]]\npath = "b.csv"\n')
    assert main(["check", str(case), "--json"]) == CORRECT
    told = capsys.readouterr()
    document = json.loads(told.out)
    assert {problem["file"] for problem in document["problems"]} == {"a.csv", "b.csv"}
    assert all(problem["what"] and problem["severity"] == "stop" for problem in document["problems"])
    assert not told.err


def test_check_is_text_or_one_document(capsys: pytest.CaptureFixture[str]) -> None:
    case = str(DEMO_CASES["cannot-tell"])
    assert main(["check", case]) == DONE
    text = capsys.readouterr().out
    assert "judged from" in text
    assert max(len(line) for line in text.splitlines()) <= 200
    assert main(["check", case, "--json"]) == DONE
    document = json.loads(capsys.readouterr().out)
    assert document["exit_code"] == DONE
    assert {row["observable"] for row in document["modes"]} <= {"yes", "partly", "no"}


def test_limits_of_the_command_line_are_names_and_numbers(capsys: pytest.CaptureFixture[str]) -> None:
    assert limits_of(["a.b=1.5", "c.d = 2"]) == {"a.b": 1.5, "c.d": 2.0}
    case = str(DEMO_CASES["cannot-tell"])
    assert main(["report", case, "--limit", "a.b", "--limit", "c.d=x", "--out", "nowhere"]) == CORRECT
    said = capsys.readouterr().err
    assert "'a.b'" in said
    assert "'c.d=x'" in said
    assert not Path("nowhere").exists()


def test_patterns_are_expanded_by_the_program(tmp_path: Path) -> None:
    for name in ("b.csv", "a.csv", "x[1].csv"):
        (tmp_path / name).write_text("", encoding="utf-8")
    assert [Path(p).name for p in matching([str(tmp_path / "[ab].csv")])] == ["a.csv", "b.csv"]
    # what is there is no pattern, and an address stays as it is
    assert matching([str(tmp_path / "x[1].csv"), "s3://b/*"]) == (str(tmp_path / "x[1].csv"), "s3://b/*")
    with pytest.raises(InputError) as fault:
        matching([str(tmp_path / "*.xls"), str(tmp_path / "*.doc")])
    assert len(fault.value.problems) == 2


def test_stopped_by_hand_is_130(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("forensics.report.checking.check.check_case", stop)
    assert main(["check", "case.toml"]) == STOPPED == 130
    assert "stopped" in capsys.readouterr().err


def test_work_without_a_terminal_says_so_every_few_seconds(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(speech, "FIRST_BEAT_S", 0.01)
    monkeypatch.setattr(speech, "BEAT_S", 0.01)
    with Speech().at_work("check"):
        time.sleep(0.2)
    assert capsys.readouterr().err.count("check: at work") >= 2
    with Speech(quiet=True).at_work("check"):
        time.sleep(0.05)
    assert not capsys.readouterr().err


def test_everything_said_goes_to_the_log(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = tmp_path / "run.log"
    assert main(["check", str(tmp_path / "none.toml"), "--log", str(log)]) == CORRECT
    text = log.read_text(encoding="utf-8")
    assert "the case file is not there" in text
    assert "exit code 2" in text


def test_demonstrations_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["demo", "--list"]) == DONE
    said = capsys.readouterr().out
    assert all(name in said for name in DEMO_CASES)


@pytest.mark.parametrize("topic", ["case", "findings", "limits", "modes", "schema"])
def test_every_part_of_the_reference_is_text_and_a_document(topic: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["help", topic]) == DONE
    assert len(capsys.readouterr().out) > 1000
    assert main(["help", topic, "--json"]) == DONE
    json.loads(capsys.readouterr().out)


def test_every_key_of_the_case_file_has_its_meaning() -> None:
    missing = [f"{key.table}.{key.name}" for key in case_keys() if not key.meaning]
    assert not missing, "say in forensics/case/meanings.toml what these keys mean"


def test_the_schema_for_editors_takes_the_demonstration_and_says_what_keys_mean() -> None:
    # JSON Schema draft 2020-12: validated by the library jsonschema, which nbformat brings along
    jsonschema = pytest.importorskip("jsonschema")
    schema = case_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    assert schema["$defs"]["CaseSection"]["properties"]["failure"]["description"]
    data = tomllib.loads(DEMO_CASES["healthy"].read_text(encoding="utf-8"))
    assert set(data) <= set(schema["properties"])
    assert set(data["case"]) <= set(schema["$defs"]["CaseSection"]["properties"])


def test_role_mode_limit_file_and_photo_are_told_in_one_round(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    case = _case(
        tmp_path,
        HEAD
        + '[[source]]\npath = "a.csv"\n[[point]]\nrole = "slide_positon"\ncolumn = "S"\n'
        + '[[observation]]\ntext = "x"\nbears_on = "slide-stuk"\nphoto = "photos/none.jpg"\n'
        + '[[limit]]\nname = "starts.unloaded_ratio"\nvalue = 0.4\nsource = "x"\n',
    )
    named = case.rename(case.with_name("machine 2.toml"))
    assert main(["check", str(named)]) == CORRECT
    said = capsys.readouterr().err
    for word in ("slide_position'", "slide-stuck", "starts.unloaded_ratio_max", "a.csv", "photos/none.jpg"):
        assert word in said, said
    assert "machine 2.toml" in said
    assert " case.toml" not in said


def test_a_time_without_seconds_is_told_as_such(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    case = _case(tmp_path, HEAD.replace("10:00:00", "10:00"))
    assert main(["check", str(case)]) == CORRECT
    assert "A time has seconds" in capsys.readouterr().err
