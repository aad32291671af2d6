"""A verdict that flips when a limit, a sensor or a source is changed is graded down."""

from __future__ import annotations

from dataclasses import replace

import pytest

from forensics.hypotheses import reweigh, weigh
from forensics.hypotheses.weigher import regraded
from forensics.model.findings import Cite
from forensics.model.vocabulary import Outcome, VerdictStatus

from .made import FAILURE_NS, evidence, finding

FILTER = ("oil.filter_drop_growing", "oil.filter_drop_high")


def measured(value: float, low: float, high: float) -> dict[str, object]:
    return {
        "value": value,
        "low": low,
        "high": high,
        "limit": 100.0,
        "limit_name": "oil.filter_drop_kpa",
        "above": True,
    }


def test_a_value_far_from_its_limit_holds() -> None:
    told = {check: finding(check, "present", **measured(180.0, 170.0, 190.0)) for check in FILTER}
    found = weigh(evidence(findings=told, trip="LOW OIL"))
    assert found.verdict.mode == "oil-filter-plugged"
    assert {row.changed for row in found.robustness} >= {
        "limit oil.filter_drop_kpa at 80 instead of 100",
        "limit oil.filter_drop_kpa at 120 instead of 100",
        "without trend.csv",
    }
    assert not any(row.flips for row in found.robustness if row.changed.startswith("limit"))


@pytest.mark.parametrize(("value", "low", "high"), [(102.0, 101.0, 103.0), (130.0, 70.0, 190.0)])
def test_a_value_that_its_limit_or_its_accuracy_overtakes_carries_too_little_to_name_a_cause(
    value: float, low: float, high: float
) -> None:
    told = {FILTER[1]: finding(FILTER[1], "present", **measured(value, low, high))}
    told["oil.difference_low_at_failure"] = finding("oil.difference_low_at_failure", "present")
    told[FILTER[0]] = finding(FILTER[0], "cannot-tell")
    found = weigh(evidence(findings=told, trip="LOW OIL"))
    assert found.verdict.status is VerdictStatus.UNDETERMINED


def test_a_limit_that_did_not_decide_takes_nothing_back() -> None:
    """Another finding a hair from its own limit, of another mode, is not what the verdict rests on."""
    told = {check: finding(check, "present", **measured(180.0, 170.0, 190.0)) for check in FILTER}
    near = measured(101.0, 100.5, 101.5) | {"limit_name": "heat.oil_max", "unit": "degC"}
    told["heat.oil_hot"] = finding("heat.oil_hot", "present", **near)
    found = weigh(evidence(findings=told, trip="LOW OIL"))
    assert found.verdict.mode == "oil-filter-plugged"
    assert not any("heat.oil_max" in row.changed for row in found.robustness)


def test_losing_a_source_is_told_as_lost_and_does_not_take_the_verdict_back() -> None:
    told = {check: finding(check, "present", cites=(Cite("oil.csv", check, (2, 9)),)) for check in FILTER}
    found = weigh(evidence(findings=told, trip="LOW OIL"))
    row = next(row for row in found.robustness if row.changed == "without oil.csv")
    assert (row.verdict, row.effect, row.flips) == ("undetermined", "lost", True)
    assert found.verdict.status is VerdictStatus.DETERMINED
    assert any("without oil.csv" in words for words in found.verdict.would_change_it)


@pytest.mark.parametrize(("limit", "effect"), [(95.0, "holds"), (179.0, "lost")])
def test_reweighing_moves_a_limit_without_the_record(limit: float, effect: str) -> None:
    told = {check: finding(check, "present", **measured(180.0, 170.0, 190.0)) for check in FILTER}
    case = evidence(findings=told, trip="LOW OIL")
    name = next(iter(case.limits))
    moved = {check: replace(one, limit=case.limits[name], limit_name=name) for check, one in told.items()}
    factor = case.limits[name] / 100.0
    scaled = {
        check: replace(one, value=180.0 * factor, low=170.0 * factor, high=190.0 * factor)
        for check, one in moved.items()
    }
    again = reweigh(evidence(findings=scaled, trip="LOW OIL"), {name: limit * factor})
    assert (again.status is VerdictStatus.DETERMINED) is (effect == "holds")


def test_a_source_whose_loss_blames_another_mode_is_a_flip() -> None:
    """Without the sensors' source only the temperature is left, and the machine would be blamed."""
    sensors = {
        check: finding(check, "present", cites=(Cite("fast.csv", "x", (2, 9)),))
        for check in ("sensors.jump_at_trip", "sensors.neighbours_unmoved", "sensors.trip_text_unsupported")
    }
    hot = {
        check: finding(check, "present", cites=(Cite("slow.csv", "y", (2, 9)),))
        for check in ("heat.discharge_temperature_climbs", "refrigerant.discharge_superheat_high")
    }
    found = weigh(evidence(findings={**sensors, **hot}, trip="HIGH TEMPERATURE"))
    lost = [row for row in found.robustness if row.changed == "without fast.csv"]
    if found.verdict.status is VerdictStatus.DETERMINED:
        assert lost
        assert not any(row.flips for row in lost)
    assert found.verdict.mode in (None, "sensor-fault")


def test_a_clock_that_could_undo_a_finding_is_shown() -> None:
    told = {
        check: finding(check, "present", cross_clock=("meter",), from_ns=FAILURE_NS, to_ns=FAILURE_NS + 10**9)
        for check in ("electrical.phase_lost",)
    }
    found = weigh(evidence(findings=told, trip="t", clock_uncertainty_s={"meter": 5.0}))
    row = next(row for row in found.robustness if row.changed.startswith("clock meter"))
    assert (row.verdict, row.effect) == ("undetermined", "lost")


def test_a_stored_outcome_that_its_number_does_not_settle_is_left_alone() -> None:
    odd = finding("oil.level_low", "present", value=50.0, limit=30.0, above=False, limit_name="oil.level_low")
    assert regraded(odd, limit=10.0) is odd
    plain = finding("oil.level_low", "present", value=20.0, limit=30.0, above=False, limit_name="oil.level_low")
    assert regraded(plain, limit=15.0).outcome is Outcome.ABSENT
    blind = finding("oil.level_low", "cannot-tell", value=20.0, limit=30.0, above=False)
    assert regraded(blind, limit=15.0) is blind
