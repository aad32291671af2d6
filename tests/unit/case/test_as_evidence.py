"""Tests, teardown and samples as evidence, by their conditions. Cases here are invented."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import pytest

from forensics.case.as_evidence import weight_of, with_job_evidence
from forensics.case.job import FieldTest, Part
from forensics.case.laboratory import lab_histories
from forensics.case.read import check_case
from forensics.case.schema import CaseFile, Observation

AT = datetime(2031, 3, 7, 10, 0)
TEST: dict[str, Any] = {
    "part": "unload solenoid",
    "method": "coil-resistance",
    "instrument": "ohmmeter",
    "limit": "within 10 %",
    "result": "open",
    "passed": False,
    "shows": "cause",
    "bears_on": "unload-path-failed",
    "by": "site engineer",
    "time": AT,
}
PART: dict[str, Any] = {
    "part": "unload solenoid",
    "damage": "seized",
    "shows": "cause",
    "bears_on": "unload-path-failed",
    "by": "site engineer",
    "time": AT,
    "photo": "a.jpg",
}


def _case(**tables: Any) -> CaseFile:
    head = {
        "schema": 1,
        "case": {"id": "a", "time_zone": "UTC"},
        "machine": {"refrigerant": "R134a"},
        "source": [{"path": "trend.csv"}],
    }
    return check_case(head | tables)


def _one(**tables: Any) -> Observation:
    seen = with_job_evidence(_case(**tables)).observation
    assert len(seen) == 1
    return seen[0]


def test_a_cause_with_its_conditions_may_confirm() -> None:
    test, part = _one(test=[TEST]), _one(part=[PART])
    assert (test.kind, test.supports, [str(m) for m in test.bears_on]) == ("test", True, ["unload-path-failed"])
    assert part.kind == "inspection"
    assert "test 1 (unload solenoid): open, not passed" in test.text


@pytest.mark.parametrize("key", ["by", "time", "instrument", "limit"])
def test_a_test_without_its_conditions_weighs_and_never_confirms(key: str) -> None:
    row = {name: value for name, value in TEST.items() if name != key}
    assert weight_of(FieldTest.model_validate(row)) == "damage"
    seen = _one(test=[row])
    assert seen.bears_on
    assert key in seen.text
    if "shows" not in Observation.model_fields:
        assert seen.kind == "document"  # which confirms nothing


@pytest.mark.parametrize("key", ["by", "time", "photo"])
def test_a_part_without_its_conditions_weighs_and_never_confirms(key: str) -> None:
    row = {name: value for name, value in PART.items() if name != key}
    assert weight_of(Part.model_validate(row)) == "damage"


def test_a_part_in_order_speaks_against() -> None:
    clean = {"part": "unload solenoid", "clean": True, "shows": "in-order", "bears_on": "unload-path-failed"}
    seen = _one(part=[clean])
    assert not seen.supports
    assert seen.bears_on


@pytest.mark.parametrize("shows", ["nothing", ""])
def test_what_does_not_say_what_it_shows_weighs_nothing(shows: str) -> None:
    assert _one(part=[PART | {"shows": shows}]).bears_on == ()


def test_a_test_that_is_only_planned_is_no_evidence() -> None:
    planned = {"part": "coil", "method": "coil-resistance", "bears_on": "unload-path-failed"}
    case = _case(test=[planned])
    assert with_job_evidence(case) is case


def test_laboratory_values_become_measurements_and_unknown_kinds_do_not() -> None:
    values = [{"kind": "oil_acid_number", "value": 0.2, "unit": "mgKOH/g"}, {"kind": "oil_colour", "value": 3.0}]
    case = with_job_evidence(_case(sample=[{"kind": "oil", "taken": "after", "time": AT, "value": values}]))
    assert [m.kind for m in case.measurement] == ["oil_acid_number"]
    assert "taken after the failure" in case.measurement[0].text


def _iron(hours: list[float | None], values: list[float], days: list[int]) -> dict[str, Any]:
    rows = []
    for hour, value, day in zip(hours, values, days, strict=True):
        row: dict[str, Any] = {
            "kind": "oil",
            "place": "separator",
            "time": datetime(2031, 1, day),
            "value": [{"kind": "oil_iron", "value": value, "unit": "ppm"}],
        }
        rows.append(row if hour is None else row | {"hours_since_change": hour})
    return {"sample": rows}


def test_a_slope_is_over_hours_since_the_change_where_they_are_told() -> None:
    """A line through the points: 10 ppm in 100 h."""
    found = lab_histories(_case(**_iron([100.0, 200.0, 300.0, 400.0], [10.0, 20.0, 30.0, 40.0], [1, 2, 3, 4])))[0]
    assert found.slope == pytest.approx(0.1)
    assert found.per == "h since change"


def test_samples_before_an_oil_change_are_another_history() -> None:
    found = lab_histories(_case(**_iron([900.0, 10.0, 110.0, 210.0], [90.0, 5.0, 6.0, 7.0], [1, 2, 3, 4])))[0]
    assert found.values == (5.0, 6.0, 7.0)
    assert found.slope == pytest.approx(0.01)


def test_without_hours_the_slope_is_over_days_in_the_order_of_time() -> None:
    found = lab_histories(_case(**_iron([None, None, None], [30.0, 10.0, 20.0], [3, 1, 2])))[0]
    assert found.values == (10.0, 20.0, 30.0)
    assert found.slope == pytest.approx(10.0)
    assert found.per == "day"


def test_two_values_give_no_slope_and_say_so() -> None:
    found = lab_histories(_case(**_iron([100.0, 200.0], [10.0, 20.0], [1, 2])))[0]
    assert found.slope is None
    assert "2 of at least 3" in found.why_not
