"""The case file: strict, and every problem at once. Cases here are invented."""

from __future__ import annotations

from pathlib import Path

import pytest

from forensics.casefile import check_case, read_case_file, read_duration_s
from forensics.errors import InputError

GOOD: dict[str, object] = {
    "schema": 1,
    "case": {"id": "laundry-c2", "time_zone": "America/Chicago"},
    "machine": {"refrigerant": "R134a"},
    "source": [{"path": "trend.csv"}],
    "point": [{"role": "motor_amps", "column": "Amps", "unit": "A"}],
}


def _write(folder: Path, text: str) -> Path:
    path = folder / "case.toml"
    path.write_text(text, encoding="utf-8")
    return path


def _problems(data: dict[str, object]) -> list[str]:
    with pytest.raises(InputError) as caught:
        check_case(data)
    return [str(problem) for problem in caught.value.problems]


def test_the_least_case_is_accepted() -> None:
    case = check_case(GOOD)
    assert case.case.window_before == 24 * 3600
    assert case.case.window_after == 3600
    assert case.reference_clock == "trend.csv"


def test_all_problems_come_at_once() -> None:
    found = _problems(
        {
            "schema": 2,
            "case": {"id": "a b", "time_zone": "America/Chicgo", "failur": 1},
            "machine": {},
            "source": [{"path": "../up.csv"}],
            "point": [{"role": "motor_amp", "column": "A", "unit": "furlong"}],
        }
    )
    text = "\n".join(found)
    assert "America/Chicago" in text
    assert "unknown key 'failur'" in text
    assert "Did you mean 'failure'?" in text
    assert "machine.refrigerant" in text
    assert "outside the folder" in text
    assert "did you mean 'motor_amps'?" in text
    assert len(found) >= 6


@pytest.mark.parametrize("value", ["10:30", "36", 36, "1 week", ""])
def test_a_duration_needs_its_unit(value: object) -> None:
    with pytest.raises(ValueError, match="unit"):
        read_duration_s(value)


@pytest.mark.parametrize(("text", "seconds"), [("30s", 30), ("15min", 900), ("36h", 129600), ("7d", 604800)])
def test_durations(text: str, seconds: float) -> None:
    assert read_duration_s(text) == seconds


def test_words_stay_words_and_numbers_numbers() -> None:
    """A site called NO, a tag 0123: TOML text stays text, and a number is not taken for it."""
    data = {**GOOD, "case": {"id": "x", "time_zone": "UTC", "site": "NO", "machine_tag": "0123", "revision": 2}}
    case = check_case(data)
    assert (case.case.site, case.case.machine_tag, case.case.revision) == ("NO", "0123", 2)
    assert _problems({**GOOD, "case": {"id": "x", "time_zone": "UTC", "machine_tag": 123}})
    assert _problems({**GOOD, "case": {"id": "x", "time_zone": "UTC", "revision": "1.10"}})


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ('path = "C:\\new\\trend\\r1.csv"', "control characters"),
        ('path = "C:\\Users\\r1.csv"', "single quotes or forward slashes"),
        ("path = 'C:\\new\\trend\\r1.csv'", "C:\\new\\trend\\r1.csv"),
    ],
)
def test_backslashes_in_a_path(tmp_path: Path, line: str, says: str) -> None:
    text = f'schema = 1\n[case]\nid = "x"\ntime_zone = "UTC"\n[machine]\nrefrigerant = "R22"\n[[source]]\n{line}\n'
    with pytest.raises(InputError) as caught:
        read_case_file(_write(tmp_path, text))
    assert says in str(caught.value)


def test_a_relative_path_with_backslashes_is_read_letter_for_letter(tmp_path: Path) -> None:
    text = (
        'schema = 1\n[case]\nid = "x"\ntime_zone = "UTC"\n[machine]\nrefrigerant = "R22"\n'
        "[[source]]\npath = 'new\\trend\\r1.csv'\n"
    )
    assert read_case_file(_write(tmp_path, text)).source[0].path == "new/trend/r1.csv"


def test_broken_toml_names_the_line(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        read_case_file(_write(tmp_path, "schema = 1\n[case\nid = 3\n"))
    assert caught.value.problems[0].row == 2


def test_a_missing_case_file_is_said(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="not there"):
        read_case_file(tmp_path / "none.toml")


def test_a_point_of_a_source_that_is_not_listed() -> None:
    assert "not listed" in _problems({**GOOD, "point": [{"role": "motor_amps", "column": "A", "source": "b.csv"}]})[0]
