"""Exit codes and words of the commands that seal, check, run many and compare."""

from __future__ import annotations

from pathlib import Path

import pytest
from finished_cases import write_case, write_finished

from forensics.cli import CORRECT, DONE, main


@pytest.fixture
def finished(tmp_path: Path) -> Path:
    return write_finished(write_case(tmp_path / "case"), tmp_path / "case" / "report")


def test_seal_prints_the_bag_and_its_id(finished: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["seal", str(finished), "--out", str(tmp_path / "bag"), "--by", "B. Sealer"]) == DONE
    said = capsys.readouterr().out.splitlines()
    assert said[0] == str(tmp_path / "bag")
    assert said[1].startswith("seal id ")
    assert main(["seal", str(finished), "--out", str(tmp_path / "bag")]) == CORRECT
    assert "is there already" in capsys.readouterr().err


def test_a_bag_that_was_touched_must_be_corrected(
    finished: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    main(["seal", str(finished), "--out", str(tmp_path / "bag")])
    (tmp_path / "bag" / "data" / "case" / "exports" / "trend.csv").write_bytes(b"other")
    assert main(["verify", str(tmp_path / "bag")]) == CORRECT
    assert "changed: data/case/exports/trend.csv" in capsys.readouterr().out


@pytest.mark.parametrize(
    "words",
    [["seal", "nowhere"], ["verify", "nowhere"], ["sites", "nowhere"], ["batch", "a.toml", "--workers", "0"]],
    ids=lambda words: words[0],
)
def test_what_is_not_there_is_said_without_a_traceback(
    words: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(words) == CORRECT
    assert "to correct" in capsys.readouterr().err
