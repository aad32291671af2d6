"""Numbers from outside are finite and plausible: limits by hand, profiles, saturation tables, findings of others."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from case_folders import CASE, bounded, changed, write_folder

from forensics.cli import CORRECT, main
from forensics.errors import InputError
from forensics.intake.load_case import load_case
from forensics.investigation import judge
from forensics.results.findings_json import dump_findings, read_findings
from forensics.results.publish import to_findings_file
from forensics.rules import FOLDER, read_limits
from forensics.rules.plausible import plausible
from forensics.rules.profiles import read_profile

NO_NUMBERS = (float("inf"), float("-inf"), float("nan"))
PROFILE = (FOLDER / "sequences" / "pulsed-slide-bypass.toml").read_text(encoding="utf-8")
TABLE = [(100.0, -26.0, -25.9), (500.0, 15.0, 15.7), (1000.0, 39.0, 39.4), (2000.0, 67.0, 67.5)]


def test_every_range_says_where_it_comes_from() -> None:
    for name, found in plausible().items():
        assert found.low < found.high, name
        assert found.basis, name
        assert not found.fault(found.low), name
        assert not found.fault(found.high), name
        for value in (
            *NO_NUMBERS,
            found.high + abs(found.high) * 0.01 + 1e-9,
            found.low - abs(found.low) * 0.01 - 1e-9,
        ):
            assert found.fault(value), (name, value)


@pytest.mark.parametrize("value", [*NO_NUMBERS, 1e308, -1.0, 0.0])
def test_a_limit_by_hand_is_a_plausible_number(value: float) -> None:
    for name in ("starts.unloaded_ratio_max", "clocks.search_s", "slide.bin_s"):
        with pytest.raises(InputError, match=name):
            read_limits().replaced({name: (value, "tried")})


def test_a_limit_that_is_negative_may_stay_so() -> None:
    assert (
        read_limits().replaced({"refrigerant.suction_freezing": (-3.0, "glycol")})["refrigerant.suction_freezing"] == -3
    )


def test_what_is_counted_is_counted_by_one_at_least() -> None:
    few = read_limits().replaced({"clocks.decay_samples": (0.01, "tried")})
    assert few.count("clocks.decay_samples") == 1
    assert few.count("clocks.decay_samples", least=2) == 2


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("travel_load_s = 60.0", f"travel_load_s = {value}")
        for value in ("nan", "inf", "-inf", "-1e9", "1e308", "9" * 5_000)
    ]
    + [
        ('motor = "on"', 'motor = "<script>"'),
        ('motor = "on"', 'motor = "on\\u001b[2J"'),
        ('motor = "on"', f'motor = "{"o" * 1000}"'),
        ("[polarity]", "x = " + "[" * 20_000 + "\n[polarity]"),
        ('id = "pulsed', 'id = "pul\\u0000sed'),
        ("has_bypass = true", 'has_bypass = "inf"'),
    ],
    ids=lambda text: text[:30],
)
def test_a_profile_that_can_not_be_meant_is_refused(tmp_path: Path, old: str, new: str) -> None:
    case = write_folder(tmp_path / "case", changed("altitude_m = 180.0", 'altitude_m = 180.0\nsequence = "own.toml"'))
    own = case.parent / "own.toml"
    own.write_text(PROFILE, encoding="utf-8")
    assert read_profile("own.toml", case.parent).times.travel_load_s == 60
    assert old in PROFILE
    own.write_text(PROFILE.replace(old, new, 1), encoding="utf-8")
    with bounded() as clock:
        assert main(["check", str(case)]) == CORRECT
    assert clock.seconds < 10


@pytest.mark.parametrize("value", ["nan", "inf", "-inf", "1e308", "-1e308", "abc", "", "1,5", "\x00", "9" * 500])
@pytest.mark.parametrize("place", [0, 1, 2])
def test_a_saturation_table_that_can_not_be_meant_is_refused(tmp_path: Path, value: str, place: int) -> None:
    case = write_folder(
        tmp_path / "case", changed("altitude_m = 180.0", 'altitude_m = 180.0\nsaturation_table = "t.csv"')
    )
    lines = [[f"{cell:g}" for cell in row] for row in TABLE]
    lines[2][place] = value
    text = "pressure_kpa,bubble_c,dew_c\n" + "\n".join(",".join(row) for row in lines)
    (case.parent / "t.csv").write_text(text, encoding="utf-8")
    assert main(["check", str(case)]) == CORRECT


def test_findings_of_others_hold_numbers_only(tmp_path: Path) -> None:
    text = dump_findings(to_findings_file(judge(load_case(write_folder(tmp_path / "case", CASE)))))
    data = json.loads(text)
    out = tmp_path / "findings.json"
    for value in ("NaN", "Infinity", "-Infinity", "1e999"):
        data["starts"][0]["ratio"] = "HERE"
        out.write_text(json.dumps(data).replace('"HERE"', value), encoding="utf-8")
        with pytest.raises(InputError):
            read_findings(out)
