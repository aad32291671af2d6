"""The two cases that are made when asked for: what their truth holds is what the workbook finds."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from forensics.demo.__main__ import main

from forensics.investigation import Investigation, investigate
from forensics.model.vocabulary import Outcome


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("more")


def _made(folder: Path, name: str, capsys: pytest.CaptureFixture[str]) -> tuple[Investigation, dict[str, object]]:
    assert main(["--out", str(folder / name), "--more", name]) == 0
    path = Path(capsys.readouterr().out.strip())
    return investigate(path), json.loads((path.parent / "truth.json").read_text("utf-8"))


def test_reverse_rotation_is_inferred_at_stops_and_measured_at_the_last(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found, truth = _made(folder, "reverse-rotation", capsys)
    turned = [stop["peak_reverse_rpm"] < -30.0 for stop in truth["stops"]]  # type: ignore[attr-defined]
    said = [stop.reverse_rotation is Outcome.PRESENT for stop in found.stops]
    assert said == turned
    assert found.stops[-1].reverse_basis == "measured"
    assert found.stops[-2].reverse_basis == "inferred"
    assert found.weighing.verdict.mode == "bypass-not-released"


def test_an_ammonia_machine_in_inch_pound_units(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found, truth = _made(folder, "ammonia-inch-pound", capsys)
    assert truth["modes"] == ["high-head"]
    assert found.casefile.machine.refrigerant == "R717"
    assert {point.unit for point in found.casefile.point if point.role.value.endswith("_pressure")} == {"psig"}
    assert found.weighing.verdict.mode in ("high-head", None)
    assert not found.problems
