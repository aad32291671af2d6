"""Chains from provable order only."""

from __future__ import annotations

from typing import Any

from forensics.hypotheses import weigh
from forensics.model.findings import Ordered
from forensics.model.points import NS
from forensics.model.vocabulary import Provable

from .made import FAILURE_NS, evidence, finding

LOADED = ("slide.no_response_to_unload", "slide.loaded_at_stop", "starts.loaded_repeatedly")


def at(check: str, from_s: float, to_s: float, **more: Any) -> Any:
    span = {"from_ns": FAILURE_NS + round(from_s * NS), "to_ns": FAILURE_NS + round(to_s * NS)}
    return finding(check, "present", sample_interval_s=1.0, **span, **more)


def test_a_later_effect_stands_after_its_cause() -> None:
    told = {check: at(check, -9000, -8000) for check in LOADED}
    told |= {
        "electrical.overload": at("electrical.overload", -60, -30),
        "heat.winding_hot": at("heat.winding_hot", -20, 0),
    }
    chain = weigh(evidence(findings=told, trip="OVERLOAD")).verdict.chain
    assert chain[0] == "unload-path-failed"
    assert chain.index("electrical.overload") < chain.index("heat.winding_hot")


def test_effects_whose_order_is_not_provable_are_not_put_in_order() -> None:
    told = {check: at(check, -9000, -8000) for check in LOADED}
    told |= {
        "electrical.overload": at("electrical.overload", -60, 0),
        "heat.winding_hot": at("heat.winding_hot", -60, 0),
    }
    chain = weigh(evidence(findings=told, trip="OVERLOAD")).verdict.chain
    assert not {"electrical.overload", "heat.winding_hot"} <= set(chain)


def test_what_provably_began_before_the_cause_is_no_effect_of_it() -> None:
    told = {check: at(check, -9000, -8000) for check in LOADED}
    told["heat.winding_hot"] = at("heat.winding_hot", -90_000, -80_000)
    assert "heat.winding_hot" not in weigh(evidence(findings=told, trip="OVERLOAD")).verdict.chain


def test_a_clock_that_is_off_takes_the_order_away() -> None:
    first = {c: at(c, -900, -800) for c in ("electrical.voltage_unbalance", "electrical.current_unbalance")}
    meter = {c: at(c, -700, -600, cross_clock=("meter",)) for c in ("oil.filter_drop_growing", "oil.filter_drop_high")}
    sure = evidence(findings={**first, **meter}, trip="t", clock_uncertainty_s={"meter": 5.0})
    assert weigh(sure).verdict.mode == "supply-unbalance"
    unsure = evidence(findings={**first, **meter}, trip="t", clock_uncertainty_s={"meter": 500.0})
    told = weigh(unsure)
    assert {told.verdict.mode, *told.verdict.also} == {"supply-unbalance", "oil-filter-plugged"}
    # each is proven by itself; without an order neither is said to have come first
    assert not told.verdict.chain or "supply-unbalance" not in " ".join(told.verdict.chain[:1])


def test_an_order_that_was_worked_out_counts() -> None:
    both = (
        "electrical.voltage_unbalance",
        "electrical.current_unbalance",
        "oil.filter_drop_growing",
        "oil.filter_drop_high",
    )
    order = (Ordered("oil-filter-plugged", "supply-unbalance", Provable.BEFORE),)
    assert weigh(evidence(both, trip="t", order=order)).verdict.mode == "oil-filter-plugged"
