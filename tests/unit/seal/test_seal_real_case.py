"""A demonstration case from its run into a bag, and from the bag alone back to the same findings."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from forensics.report import run_report
from forensics.seal import seal, verify

pytestmark = pytest.mark.slow


def test_a_bag_alone_gives_the_same_findings(root: Path, tmp_path: Path) -> None:
    case = tmp_path / "case"
    shutil.copytree(root / "data_demo" / "cases" / "cannot-tell", case)
    run_report(case / "case.toml", case / "report", limits={"starts.unloaded_ratio_max": 0.45})
    bag = seal(case / "report", tmp_path / "sealed")
    shutil.rmtree(case)
    bag = bag.rename(tmp_path / "carried elsewhere")
    before = sorted(p.relative_to(bag) for p in bag.rglob("*"))
    found = verify(bag)
    assert found.sound, found.text
    assert {row.state for row in found.results} == {"same"}
    assert found.limits == ("starts.unloaded_ratio_max = 0.45",)
    assert sorted(p.relative_to(bag) for p in bag.rglob("*")) == before
