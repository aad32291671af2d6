"""How much of a word's decibans a finding carries, and what several add: laws and fixed points on made numbers."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forensics.case.schema import Measurement
from forensics.hypotheses import scale as scale_module
from forensics.hypotheses import weigh
from forensics.hypotheses.combine import combine
from forensics.hypotheses.evidence import Cell
from forensics.hypotheses.scale import Curve, by_words, each_by_itself, points_of, read_scale
from forensics.hypotheses.strength import Amount, chance_beyond, part_of, scale_of, share_of
from forensics.model.findings import Cite
from forensics.model.vocabulary import Grade, Outcome, VerdictStatus

from .made import evidence, finding, named_checks

CURVE = Curve(at_limit=0.5, cap=1.3, limit_doubt=0.1, source="trade")
P, A = Outcome.PRESENT, Outcome.ABSENT


def amount(value: float, half: float = 0.0, *, above: bool = True, detectable: float | None = None) -> Amount:
    return Amount(
        value=value, low=value - half, high=value + half, limit=100.0, above=above, unit="kPa", detectable=detectable
    )


def test_a_word_carries_its_decibans_at_one_scale_beyond_the_limit_and_saturates() -> None:
    assert part_of(P, amount(200.0), CURVE) == pytest.approx(1.0)
    assert part_of(P, amount(1e6), CURVE) == pytest.approx(1.3)
    assert part_of(P, amount(125.0), CURVE) == pytest.approx(0.67, abs=0.05)
    assert part_of(P, amount(50.0, above=False), CURVE) == pytest.approx(1.0)


def test_a_value_at_its_limit_carries_nothing_either_way() -> None:
    for outcome in (P, A):
        assert part_of(outcome, amount(100.0), CURVE) == pytest.approx(0.0)
    assert part_of(P, amount(102.0), CURVE) < 0.15
    assert part_of(A, amount(98.0), CURVE) < 0.15


@given(st.floats(0, 500), st.floats(0, 200), st.floats(1.0, 2.0))
def test_the_part_grows_with_the_effect_and_falls_with_the_doubt(value: float, half: float, wider: float) -> None:
    far = 100.0 + value
    assert part_of(P, amount(far + 1.0, half), CURVE) >= part_of(P, amount(far, half), CURVE) - 1e-12
    assert part_of(P, amount(far, half * wider), CURVE) <= part_of(P, amount(far, half), CURVE) + 1e-12
    assert 0.0 <= part_of(P, amount(far, half), CURVE) <= CURVE.cap


@pytest.mark.parametrize(("seen", "least", "most"), [(50.0, 0.99, 1.0), (100.0, 0.45, 0.55), (200.0, 0.0, 0.0)])
def test_an_absence_carries_by_the_smallest_effect_that_would_have_been_seen(
    seen: float, least: float, most: float
) -> None:
    bare = replace(amount(10.0, detectable=seen), low=None, high=None)
    assert least <= part_of(A, bare, CURVE) <= most + 1e-9


def test_an_interval_that_excludes_the_limit_rules_out_what_might_have_been_missed() -> None:
    dropped = Amount(-1.2, -3.8, 1.4, -4.0, above=False, unit="K", detectable=-8.7)
    assert part_of(A, dropped, CURVE) >= 0.5
    assert part_of(A, replace(dropped, low=-7.0), CURVE) < 0.5


def test_an_absence_whose_interval_holds_a_fault_worth_the_name_carries_nothing() -> None:
    """One start of six loaded, 3 to 56 % at 95 % (Wilson): at a limit of 20 % nothing was shown to be absent."""
    one_of_six = Amount(0.167, 0.03, 0.564, 0.2, above=True, unit="1")
    assert part_of(A, one_of_six, CURVE) == pytest.approx(0.0)


def test_the_scale_of_a_ratio_is_its_distance_from_one_and_of_a_share_from_its_end() -> None:
    assert scale_of(Amount(1.19, None, None, 1.05, above=True, unit="1"), CURVE, None) == pytest.approx(0.05)
    assert scale_of(Amount(95.0, None, None, 80.0, above=True, unit="%"), CURVE, None) == pytest.approx(20.0)
    assert scale_of(Amount(120.0, None, None, 110.0, above=True, unit="degC"), CURVE, 10.0) == 10.0
    assert scale_of(Amount(1.0, None, None, 0.0, above=True), CURVE, None) is None


def test_the_chance_of_lying_beyond_is_the_normal_tail() -> None:
    """Normal distribution: 97.5 % at 1.96 standard deviations (tables)."""
    sharp = CURVE.model_copy(update={"limit_doubt": 1e-9})
    assert chance_beyond(amount(110.0, 10.0), sharp) == pytest.approx(0.975, abs=1e-4)
    assert chance_beyond(amount(90.0, 10.0), sharp) == pytest.approx(0.025, abs=1e-4)


def cell(check: str, full: float, group: str = "") -> Cell:
    return Cell(
        mode="m",
        finding=check,
        check=check,
        outcome=P,
        effect="for",
        weight="strong",
        points=full,
        counted=True,
        basis="b",
        full=full,
        group=group or check,
    )


def test_one_effect_counts_once_one_chain_by_halves_one_look_by_quarters() -> None:
    scale = replace(read_scale(), chains={"a": "c", "b": "c", "d": "c"})
    assert combine([cell("x", 13.0, "g"), cell("y", 7.0, "g")], {}, scale).points == pytest.approx(13.0)
    assert combine([cell("x", 13.0), cell("y", 7.0)], {}, scale).points == pytest.approx(20.0)
    chain = combine([cell("a", 13.0), cell("b", 7.0), cell("d", 7.0)], {}, scale)
    assert chain.points == pytest.approx(13.0 + 7.0 * scale.chain_share + 7.0 * scale.chain_share**2)
    look = {"x": {("f", "c"): (1, 9)}, "y": {("f", "c"): (5, 20)}, "z": {("f", "c"): (30, 40)}}
    assert combine([cell("x", 8.0), cell("y", 8.0)], look, scale).points == pytest.approx(
        8.0 + 8.0 * scale.sensor_share
    )
    assert combine([cell("x", 8.0), cell("z", 8.0)], look, scale).points == pytest.approx(16.0)


def test_the_links_of_the_loaded_chain_do_not_multiply() -> None:
    """Five links as strong as their words would make 50 003 to one if they were independent."""
    links = ("slide.no_response_to_unload", "slide.loaded_at_stop", "starts.loaded_repeatedly", "starts.loaded_growing")
    whole = weigh(evidence(links, absent=())).hypothesis("unload-path-failed").decibans
    first = weigh(evidence(links[:1], absent=())).hypothesis("unload-path-failed").decibans
    assert first < whole < first + points_of(5.0)


def test_one_check_never_makes_a_cause_probable() -> None:
    for check in sorted(named_checks()):
        found = weigh(evidence([check], absent=(), trip="t"))
        assert found.verdict.status is not VerdictStatus.DETERMINED, check


def test_a_cause_that_is_not_in_the_list_is_a_rival_and_never_leads() -> None:
    found = weigh(evidence(("oil.filter_drop_growing", "oil.filter_drop_high"), trip="LOW OIL"))
    assert found.verdict.mode == "oil-filter-plugged"
    assert 0.0 < found.unlisted.decibans < found.hypothesis("oil-filter-plugged").decibans
    assert "not in the list" in found.unlisted.reason
    assert "unlisted" not in {row.mode for row in found.hypotheses}


def test_a_value_a_hair_under_its_limit_excludes_nothing() -> None:
    def grade(value: float) -> Grade:
        told = finding("starts.too_frequent", "absent", value=value, low=value, high=value, limit=4.0, above=True)
        return weigh(evidence(findings={told.id: told})).hypothesis("short-cycling").grade

    assert grade(1.0) is Grade.EXCLUDED
    assert grade(3.9) is Grade.NOT_OBSERVABLE


def test_what_excludes_says_the_smallest_effect_that_would_have_been_seen() -> None:
    told = finding(
        "starts.too_frequent", "absent", value=1.0, low=1.0, high=1.0, limit=4.0, above=True, unit="1/h", detectable=2.0
    )
    assert "from 2 1/h" in weigh(evidence(findings={told.id: told})).hypothesis("short-cycling").reason


def test_a_dip_of_one_sample_and_a_value_at_its_limit_clear_nothing_and_condemn_nothing() -> None:
    at = finding(
        "electrical.current_unbalance", "present", value=8.17, low=8.0, high=8.3, limit=8.0, above=True, unit="%"
    )
    found = weigh(evidence(findings={at.id: at}))
    assert found.verdict.status is VerdictStatus.NO_FAULT_FOUND
    assert found.hypothesis("supply-unbalance").grade is not Grade.PROBABLE
    gross = replace(at, value=25.0, low=24.0, high=26.0)
    assert weigh(evidence(findings={at.id: gross})).verdict.status is not VerdictStatus.NO_FAULT_FOUND


def test_findings_that_were_read_together_share_one_sensor() -> None:
    both = ("refrigerant.superheat_low", "refrigerant.discharge_superheat_low")
    apart = {c: finding(c, "present", cites=(Cite("a.csv", c, (2, 20)),)) for c in both}
    one = {c: finding(c, "present", cites=(Cite("a.csv", "suction", (2, 20)),)) for c in both}
    weight = [
        weigh(evidence(findings=told, absent=())).hypothesis("liquid-floodback").decibans for told in (apart, one)
    ]
    assert weight[0] > weight[1]


def test_absences_alone_speak_for_no_mode() -> None:
    """Elimination is no finding: what is absent counts beside what was seen, and for no more than that."""
    nothing = {row.mode: row.decibans for row in weigh(evidence()).hypotheses}
    assert max(nothing.values()) <= 0.0
    weak = finding("slide.responds_slowly", "present")
    assert weigh(evidence(findings={weak.id: weak})).hypothesis("unload-path-failed").decibans <= 2 * points_of(2.0)


def test_late_or_gross_signs_exclude_nothing_by_their_absence() -> None:
    grades = {row.mode: row.grade for row in weigh(evidence()).hypotheses}
    for mode in ("bearing-or-rotor-damage", "oil-supply-lost", "discharge-check-leaking"):
        assert grades[mode] is Grade.NOT_OBSERVABLE
        assert "not excluded" in weigh(evidence()).hypothesis(mode).reason
    assert grades["short-cycling"] is Grade.EXCLUDED


def test_two_faults_that_no_order_parts_are_both_named_and_no_order_is_told() -> None:
    volts, drop = ("electrical.voltage_unbalance", "electrical.current_unbalance"), "oil.filter_drop"
    found = weigh(evidence((*volts, f"{drop}_growing", f"{drop}_high"), trip="t"))
    assert {found.verdict.mode, *found.verdict.also} == {"supply-unbalance", "oil-filter-plugged"}
    assert len(found.verdict.chain) == 1
    grades = {row.mode: row.grade for row in found.hypotheses}
    assert grades["supply-unbalance"] is grades["oil-filter-plugged"] is Grade.PROBABLE


def test_a_rival_whose_own_signs_were_all_absent_is_not_held_for_what_it_would_bring() -> None:
    """A check valve that leaks would empty the high side; seen tight, it is no rival of the valve that stayed shut."""
    signs = ("coastdown.bypass_held", "coastdown.reverse_rotation")
    own = ("coastdown.residual_difference", "coastdown.discharge_follows_condenser", "coastdown.high_side_falls_fast")
    tight = weigh(evidence(signs, absent=own, trip="t"))
    assert tight.verdict.mode == "bypass-not-released"
    blind = weigh(evidence(signs, absent=(), trip="t"))
    assert blind.verdict.status is VerdictStatus.UNDETERMINED


def test_one_sample_that_a_measurement_bears_out_is_firm() -> None:
    trip = finding("electrical.instant_trip", "present", samples=1)
    dead = Measurement(time=datetime(2030, 3, 20, 9, 0), kind="insulation_resistance", value=0.02, unit="Mohm")
    told = {trip.id: trip}
    assert weigh(evidence(findings=told, trip="t")).verdict.status is VerdictStatus.UNDETERMINED
    found = weigh(evidence(findings=told, measurements=(dead,), trip="t")).verdict
    assert (found.mode, found.grade) == ("insulation-failure", Grade.PROBABLE)


def test_a_sound_machine_is_told_with_the_smallest_effect_that_would_have_been_seen() -> None:
    told = finding(
        "starts.too_frequent", "absent", value=1.0, low=1.0, high=1.0, limit=4.0, above=True, unit="1/h", detectable=2.0
    )
    found = weigh(evidence(findings={told.id: told}))
    assert found.verdict.status is VerdictStatus.NO_FAULT_FOUND
    assert "short-cycling: starts.too_frequent from 2 1/h" in found.hypothesis("none").reason
    blind = replace(told, detectable=9.0, high=9.0)
    assert weigh(evidence(findings={told.id: blind})).verdict.status is VerdictStatus.UNDETERMINED


def test_a_verdict_that_rests_on_one_export_says_so() -> None:
    signs = ("oil.filter_drop_growing", "oil.filter_drop_high")
    one = weigh(evidence(signs, trip="LOW OIL")).verdict
    assert "in one export: trend.csv" in one.statement
    two = {c: finding(c, "present", cites=(Cite(f"{n}.csv", c, (2, 20)),)) for n, c in enumerate(signs)}
    assert "one export" not in weigh(evidence(findings=two, trip="LOW OIL")).verdict.statement


def test_what_the_study_found_a_word_worth_is_taken_of_all_its_decibans() -> None:
    half = CURVE.model_copy(update={"present_share": 0.5, "absent_share": 0.25})
    for found in (amount(125.0), amount(1e6, 10.0), amount(130.0, 20.0)):
        assert part_of(P, found, half) == pytest.approx(0.5 * part_of(P, found, CURVE))
    missed = amount(20.0, detectable=40.0)
    assert part_of(A, missed, CURVE) > 0.0
    assert part_of(A, missed, half) == pytest.approx(0.25 * part_of(A, missed, CURVE))
    assert share_of(Outcome.CANNOT_TELL, half) == 0.0


def test_shares_of_the_study_reach_their_sign_and_no_other(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    fit = "share = 0.4, low = 0.2, high = 0.6, true = 3, true_of = 9, false = 2, false_of = 99"
    study = 'cases = 9\nmachines = 9\nseed = 1\nhalf = "A"\nversion = "1"\ndate = "d"\nrules = "r"\ncode = "c"'
    signs = tmp_path / "signs.toml"
    signs.write_text(
        f'fit = [{{ check = "heat.x", mode = "high-head", outcome = "present", {fit} }}]\n[study]\n{study}\n'
    )
    monkeypatch.setattr(scale_module, "SIGNS", signs)
    curves = read_scale.__wrapped__().curves
    assert curves.of("heat.x", "high-head").present_share == 0.4
    assert curves.of("heat.x", "high-head").absent_share == 1.0
    assert curves.of("heat.x", "high-head").source == "study"
    assert curves.of("heat.x", "low-suction").present_share == 1.0
    assert read_scale.__wrapped__(with_study=False).curves.of("heat.x", "high-head").source == "trade"


def test_without_amounts_a_word_weighs_the_same_however_far_beyond_the_limit() -> None:
    curve = by_words(read_scale()).curves.of("heat.x", "high-head")
    assert part_of(P, amount(101.0), curve, 1.0) == part_of(P, amount(1e5), curve, 1.0) == pytest.approx(1.0)


def test_each_by_itself_knows_no_chain() -> None:
    scale = each_by_itself(read_scale())
    assert (scale.chains, scale.chain_share, scale.sensor_share) == ({}, 1.0, 1.0)
