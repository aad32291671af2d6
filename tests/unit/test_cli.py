"""Exit codes and plain words: 2 with all problems at once, no new report."""

from __future__ import annotations

from pathlib import Path

import pytest

from forensics.cli import main


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
