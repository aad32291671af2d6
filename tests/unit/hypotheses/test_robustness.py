"""A verdict that flips when a limit, a sensor or a source is changed is graded down."""

from __future__ import annotations

import pytest

from forensics.hypotheses import weigh
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
        "limit oil.filter_drop_kpa x 0.8",
        "limit oil.filter_drop_kpa x 1.2",
        "without trend.csv",
    }
    assert not any(row.flips for row in found.robustness)


@pytest.mark.parametrize(("value", "low", "high"), [(110.0, 108.0, 112.0), (130.0, 95.0, 165.0)])
def test_a_value_that_its_limit_or_its_accuracy_overtakes_is_graded_down(value: float, low: float, high: float) -> None:
    told = {FILTER[1]: finding(FILTER[1], "present", **measured(value, low, high))}
    told["oil.difference_low_at_failure"] = finding("oil.difference_low_at_failure", "present")
    told[FILTER[0]] = finding(FILTER[0], "cannot-tell")
    found = weigh(evidence(findings=told, trip="LOW OIL"))
    assert found.verdict.status is VerdictStatus.UNDETERMINED
    assert any(row.flips for row in found.robustness)
    assert found.hypothesis("oil-filter-plugged").capped_by


def test_losing_a_source_may_take_the_verdict_but_is_no_flip() -> None:
    told = {check: finding(check, "present", cites=(Cite("oil.csv", "x", (2, 9)),)) for check in FILTER}
    found = weigh(evidence(findings=told, trip="LOW OIL"))
    row = next(row for row in found.robustness if row.changed == "without oil.csv")
    assert row.verdict == "undetermined"
    assert not row.flips
    assert found.verdict.status is VerdictStatus.DETERMINED


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
    assert row.verdict == "undetermined"


def test_a_stored_outcome_that_its_number_does_not_settle_is_left_alone() -> None:
    odd = finding("oil.level_low", "present", value=50.0, limit=30.0, above=False, limit_name="oil.level_low")
    assert regraded(odd, limit=10.0) is odd
    plain = finding("oil.level_low", "present", value=20.0, limit=30.0, above=False, limit_name="oil.level_low")
    assert regraded(plain, limit=15.0).outcome is Outcome.ABSENT
    blind = finding("oil.level_low", "cannot-tell", value=20.0, limit=30.0, above=False)
    assert regraded(blind, limit=15.0) is blind
