"""Modes are data: what reading refuses, and that a new mode needs no code."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from forensics.errors import InputError
from forensics.hypotheses import read_modes
from forensics.hypotheses.scale import points_of, read_scale
from forensics.model.vocabulary import Mode
from forensics.rules import FOLDER, read_checks

from .made import evidence, named_checks, shipped


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return Path(shutil.copytree(FOLDER / "modes", tmp_path / "modes"))


def refused(folder: Path) -> str:
    with pytest.raises(InputError) as caught:
        read_modes(named_checks(), folder)
    return str(caught.value)


def edit(folder: Path, mode: str, old: str, new: str) -> None:
    path = folder / f"{mode}.toml"
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def test_every_mode_of_the_vocabulary_has_a_file_and_no_other() -> None:
    assert set(shipped().by_id) == {mode.value for mode in Mode}


def test_every_mode_can_be_shown_and_confirmed_and_carries_a_caution() -> None:
    for mode in shipped().causes:
        assert mode.inspections
        assert mode.look_alikes
        assert mode.needs or mode.id == "sensor-fault"
        assert mode.caution
        assert len(mode.chain) > 2


def test_every_finding_named_is_in_the_catalogue() -> None:
    families = {check.partition(".")[0] for check in named_checks()}
    have = {check.partition(".")[0] for check in read_checks()}
    if families - have:
        pytest.skip(f"catalogue lacks whole families: {sorted(families - have)}")
    assert named_checks() <= set(read_checks())


def test_an_unknown_finding_is_refused(folder: Path) -> None:
    edit(folder, "high-head", "refrigerant.condensing_high", "refrigerant.condensing_hihg")
    assert "names the finding 'refrigerant.condensing_hihg'" in refused(folder)


def test_a_missing_source_and_an_empty_basis_are_refused(folder: Path) -> None:
    text = (folder / "high-head.toml").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if not line.startswith("source")]
    (folder / "high-head.toml").write_text("\n".join(lines), encoding="utf-8")
    edit(folder, "low-suction", 'basis = "physics: suction as before"', 'basis = ""')
    told = refused(folder)
    assert "modes/high-head.toml column 'source'" in told
    assert "modes/low-suction.toml" in told


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('weight = "decisive"', 'weight = "overwhelming"', "for.0.weight"),
        ("leads_to = []", 'leads_to = ["no-such-mode"]', "names the mode 'no-such-mode'"),
        ("leads_to = []", 'leads_to = ["unload-solenoid-leaking"]', "names itself"),
        ("leads_to = []", "leads_to = []\nfine = true", "fine"),
        (
            '{ check = "slide.drifts_to_unload", outcome = "absent", weight = "strong"',
            '{ check = "slide.drifts_to_unload", outcome = "present", weight = "strong"',
            "speaks both for and against it",
        ),
        (
            'required = [{ any = ["slide.drifts_to_unload"]',
            'required = [{ any = ["slide.drifts_to_load"]',
            "counts its presence against itself",
        ),
        ('weight = "decisive"', 'weight = "moderate"', "no strong finding of its own"),
    ],
)
def test_contradictions_are_refused(folder: Path, old: str, new: str, told: str) -> None:
    edit(folder, "unload-solenoid-leaking", old, new)
    assert told in refused(folder)


def test_all_faults_of_all_files_are_told_at_once(folder: Path) -> None:
    edit(folder, "high-head", "refrigerant.condensing_high", "refrigerant.nothing")
    edit(folder, "low-suction", "refrigerant.suction_low", "refrigerant.never")
    (folder / "short-cycling.toml").write_text("title = ", encoding="utf-8")
    told = refused(folder)
    assert "refrigerant.nothing" in told
    assert "refrigerant.never" in told
    assert "short-cycling.toml" in told


def test_points_follow_the_likelihood_ratio() -> None:
    """Good 1950 (deciban): ten times the decimal logarithm; a ratio of 20 is 13.0 (from memory, checked by hand)."""
    assert points_of(20.0) == pytest.approx(13.0103, abs=1e-4)
    scale = read_scale()
    assert [scale.points(w) for w in ("decisive", "strong", "moderate", "weak")] == sorted(
        (points_of(r) for r in scale.ratio.values()), reverse=True
    )


def test_consequences_are_those_of_the_file_and_nothing_follows_from_them_by_itself() -> None:
    modes = shipped()
    assert "bearing-or-rotor-damage" in modes.consequences("oil-filter-plugged")
    assert "insulation-failure" not in modes.consequences("oil-filter-plugged")


def test_a_new_mode_is_a_new_file_and_no_code(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The new mode is read, weighed, named by the verdict and written to the findings file's models."""
    from dataclasses import replace

    from pydantic import TypeAdapter

    from forensics.hypotheses import weigh
    from forensics.model import vocabulary

    from .made import evidence, finding

    text = (folder / "oil-filter-plugged.toml").read_text(encoding="utf-8")
    text = text.replace("oil.filter_drop_growing", "sensors.counter_mismatch")
    (folder / "counter-cable-loose.toml").write_text(text.replace("oil.filter_drop_high", "sensors.power_mismatch"))
    monkeypatch.setattr(vocabulary, "MODE_FILES", folder)
    known = named_checks() | {"sensors.counter_mismatch", "sensors.power_mismatch"}
    case = evidence(findings={"sensors.power_mismatch": finding("sensors.power_mismatch", "present")}, trip="t")
    extra = finding("sensors.counter_mismatch", "present")
    kept = tuple(f for f in case.findings if f.id != extra.id)
    found = weigh(replace(case, modes=read_modes(known, folder), findings=(*kept, extra)))
    assert found.verdict.mode == "counter-cable-loose"
    assert TypeAdapter(Mode).validate_python("counter-cable-loose") is Mode("counter-cable-loose")
    with pytest.raises(ValueError, match="no-such-mode"):
        Mode("no-such-mode")


def test_a_mode_that_is_a_file_alone_is_weighed_and_coded_as_unknown(folder: Path) -> None:
    """A mode that was added as a TOML file needs no code; in the fleet's table its code is unknown."""
    from forensics.hypotheses import weigh
    from forensics.sites.iso14224 import NOT_CODED, read_coding

    text = (folder / "high-head.toml").read_text(encoding="utf-8")
    (folder / "water-scaled.toml").write_text(text, encoding="utf-8")
    case = evidence(absent=(), modes=read_modes(named_checks(), folder))
    assert weigh(case).hypothesis("water-scaled").plain
    assert read_coding()[0].get("water-scaled", NOT_CODED).code == "UNK"


def test_a_test_without_all_its_flags_is_refused(folder: Path) -> None:
    edit(folder, "high-head", "running = false, ", "")
    assert "running" in refused(folder)
