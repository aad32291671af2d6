"""The case file: strict, and every problem at once. Cases here are invented."""

from __future__ import annotations

from pathlib import Path

import pytest

from forensics.case.read import check_case, read_case_file
from forensics.case.values import read_duration_s
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


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("machine_tag = 7", "'case.machine_tag' was read as the number 7. Write it in quotes, as it is meant: \"7\""),
        ("site = true", "'case.site' was read as true. Write it in quotes, as it is meant: \"true\""),
        ("machine_tag = 1E5", "was read as the number 100000.0. Write it in quotes, letter for letter"),
        ("failure = 10:30:00", "'case.failure' was read as the time 10:30:00. Write date and time of day without"),
        ("failure = 2024-06-15", "'case.failure' was read as the date 2024-06-15. Write date and time of day"),
        ('failure = "2024-06-15T10:30:00"', "was read as the text '2024-06-15T10:30:00'"),
        ("revision = 1.10", "'case.revision' was read as the number 1.1. Write a whole number"),
        ("timezone = 1", "unknown key 'timezone'. Did you mean 'time_zone'?"),
    ],
)
def test_a_value_of_another_type_says_what_was_read_where_and_what_to_write(
    tmp_path: Path, line: str, says: str
) -> None:
    text = (
        f'schema = 1\n[case]\nid = "x"\ntime_zone = "UTC"\n{line}\n[machine]\nrefrigerant = "R134a"\n'
        '[[source]]\npath = "a.csv"\n'
    )
    with pytest.raises(InputError) as caught:
        read_case_file(_write(tmp_path, text))
    said = [str(problem) for problem in caught.value.problems]
    assert any(says in problem and problem.startswith("case.toml line 5 ") for problem in said)


def test_a_fault_in_one_of_several_tables_names_the_line_of_that_one(tmp_path: Path) -> None:
    text = (
        'schema = 1\n[case]\nid = "x"\ntime_zone = "UTC"\n[machine]\nrefrigerant = "R134a"\n'
        '[[source]]\npath = "a.csv"\n[[source]]\npath = "b.csv"\non = [\n  "On",\n  true,\n]\n'
        '[[source.clock_check]]\nat = 2031-03-16T09:00:00\ntrue_time = "x"\n'
        '[[observation]]\ntime = 2031-03-14T09:40:00\ntext = "seen"\nphoto = "photos\\new.jpg"\n'
    )
    with pytest.raises(InputError) as caught:
        read_case_file(_write(tmp_path, text))
    said = "\n".join(str(problem) for problem in caught.value.problems)
    assert "line 11 column 'source[2].on[2]': 'source[2].on[2]' was read as true" in said
    assert "line 17 column 'source[2].clock_check[1].true_time'" in said
    assert "line 21 column 'observation[1].photo[1]': the backslashes were read as control characters" in said


def test_one_table_where_there_may_be_several_is_said(tmp_path: Path) -> None:
    text = (
        'schema = 1\n[case]\nid = "x"\ntime_zone = "UTC"\n[machine]\nrefrigerant = "R134a"\n[source]\npath = "a.csv"\n'
    )
    with pytest.raises(InputError, match=r"line 7 column 'source': .*Write \[\[source\]\], in double brackets"):
        read_case_file(_write(tmp_path, text))
