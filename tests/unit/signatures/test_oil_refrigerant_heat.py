"""Families oil, refrigerant and heat: each check present, absent and cannot-tell on made machines."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forensics.model.findings import Finding
from forensics.model.record import LogLine
from forensics.model.vocabulary import Outcome, Role
from forensics.rules import read_checks, read_limits
from forensics.signatures.core.catalogue import detectors_of
from forensics.signatures.oil.filter import walther_cst

from .running_machine import FAILURE_S, LAST_S, REST_S, RUN_S, Change, Floats, late, made, only, since_start

DETECTORS = detectors_of("oil", "refrigerant", "heat")


def look(check: str, **machine: object) -> Finding:
    return only(DETECTORS[check](made(**machine)))  # type: ignore[arg-type]


def shift(by: float, last_s: float = 1200.0) -> Change:
    return lambda t, v: v + by * late(t, last_s)


def to(level: float, last_s: float = 1200.0) -> Change:
    return lambda t, v: np.where(late(t, last_s), level, v)


def scale(by: float, last_s: float = 1200.0) -> Change:
    return lambda t, v: np.where(late(t, last_s), v * by, v)


def at_start(shape: Change) -> Change:
    """Changes the minutes around the last start only."""
    return lambda t, v: np.where(t >= LAST_S - RUN_S - 600.0, shape(t, v), v)


def step_after(start_s: float, by: float) -> Change:
    return lambda t, v: v + by * np.clip((t - start_s) / 60.0, 0.0, 1.0)


def swing(amplitude: float, period_s: float, lag: float = 0.0) -> Change:
    return lambda t, v: v + amplitude * np.sin(2.0 * np.pi * t / period_s - lag) * late(t, 4000.0)


STOP_S = LAST_S - 600.0
OPENS = {
    Role.MOTOR_AMPS: step_after(STOP_S, -10.0),
    Role.SUCTION_PRESSURE: step_after(STOP_S, 40.0),
    Role.DISCHARGE_PRESSURE: step_after(STOP_S, -90.0),
    Role.CONDENSER_PRESSURE: step_after(STOP_S, -90.0),
    Role.DISCHARGE_TEMPERATURE: step_after(STOP_S + 30.0, 20.0),
}
COLD_REST: Change = lambda t, v: np.where(since_start(t) < 0.0, 10.0, v)  # noqa: E731

PRESENT: list[tuple[str, dict[Role, Change], dict[str, object]]] = [
    ("oil.difference_low_at_failure", {Role.OIL_PRESSURE: shift(-200.0, 300.0)}, {}),
    ("oil.sag_while_running", {Role.OIL_PRESSURE: shift(-120.0)}, {}),
    ("oil.filter_drop_high", {Role.OIL_FILTER_IN_PRESSURE: shift(110.0)}, {}),
    (
        "oil.filter_drop_growing",
        {Role.OIL_FILTER_IN_PRESSURE: lambda t, v: v + np.where(since_start(t) > 0, 60.0 * t / LAST_S, 0.0)},
        {},
    ),
    ("oil.level_low", {Role.OIL_LEVEL: to(15.0)}, {}),
    ("oil.level_low", {Role.OIL_LEVEL: shift(-30.0)}, {}),
    (
        "oil.difference_late_at_start",
        {Role.OIL_PRESSURE: at_start(lambda t, v: np.where((since_start(t) > 0) & (since_start(t) < 200), v - 240, v))},
        {},
    ),
    (
        "oil.foaming_at_start",
        {Role.OIL_LEVEL: at_start(lambda t, v: v + 20.0 * ((since_start(t) > 20) & (since_start(t) < 300)))},
        {},
    ),
    ("oil.diluted_before_start", {Role.OIL_TEMPERATURE: COLD_REST}, {}),
    (
        "oil.temperature_falls_after_start",
        {Role.OIL_TEMPERATURE: at_start(lambda t, v: v - 8.0 * np.clip(since_start(t) / 120.0, 0.0, 1.0))},
        {},
    ),
    ("refrigerant.superheat_low", {Role.SUCTION_TEMPERATURE: shift(-6.0)}, {}),
    ("refrigerant.superheat_high", {Role.SUCTION_TEMPERATURE: shift(7.0)}, {}),
    ("refrigerant.superheat_high", {Role.SUCTION_TEMPERATURE: lambda t, v: v + 14.0}, {}),
    ("refrigerant.discharge_superheat_low", {Role.DISCHARGE_TEMPERATURE: shift(-12.0)}, {}),
    ("refrigerant.discharge_superheat_low", {Role.DISCHARGE_TEMPERATURE: lambda t, v: np.full(len(t), 37.0)}, {}),
    ("refrigerant.discharge_superheat_high", {Role.DISCHARGE_TEMPERATURE: shift(15.0)}, {}),
    ("refrigerant.subcooling_low", {Role.LIQUID_TEMPERATURE: shift(5.0)}, {}),
    ("refrigerant.subcooling_high", {Role.LIQUID_TEMPERATURE: shift(-6.0)}, {}),
    ("refrigerant.condenser_approach_high", {Role.CONDENSER_PRESSURE: shift(90.0)}, {}),
    ("refrigerant.condensing_high", {Role.CONDENSER_PRESSURE: shift(250.0)}, {}),
    ("refrigerant.evaporator_approach_high", {Role.SUCTION_PRESSURE: shift(-40.0)}, {}),
    ("refrigerant.suction_low", {Role.SUCTION_PRESSURE: shift(-80.0)}, {}),
    (
        "refrigerant.hunting",
        {Role.SUCTION_TEMPERATURE: swing(5.0, 90.0), Role.EXPANSION_VALVE_POSITION: swing(15.0, 90.0, 2.5)},
        {"interval_s": 5.0},
    ),
    ("refrigerant.valve_wide_open", {Role.EXPANSION_VALVE_POSITION: to(100.0)}, {}),
    ("refrigerant.valve_shut", {Role.EXPANSION_VALVE_POSITION: to(0.0)}, {}),
    (
        "refrigerant.valve_position_mismatch",
        {Role.SUCTION_TEMPERATURE: shift(14.0), Role.EXPANSION_VALVE_POSITION: to(45.0)},
        {},
    ),
    (
        "refrigerant.liquid_slug",
        {
            Role.MOTOR_AMPS: lambda t, v: np.where(np.abs(t - STOP_S) < 1.5, v * 1.5, v),
            Role.DISCHARGE_TEMPERATURE: step_after(STOP_S, -12.0),
        },
        {"interval_s": 1.0},
    ),
    ("refrigerant.recirculation", OPENS, {}),
    ("refrigerant.capacity_lost", {Role.CHILLED_WATER_ENTERING: lambda t, v: np.where(late(t), 8.8, v)}, {}),
    (
        "refrigerant.water_flow_lost_condenser",
        {Role.CONDENSER_WATER_LEAVING: lambda t, v: np.where(late(t), 28.0 + 2.0 * (v - 28.0), v)},
        {},
    ),
    (
        "refrigerant.water_flow_lost_evaporator",
        {Role.CHILLED_WATER_ENTERING: lambda t, v: np.where(late(t), 8.0 + 2.0 * (v - 8.0), v)},
        {},
    ),
    (
        "refrigerant.non_condensables_at_rest",
        {Role.CONDENSER_PRESSURE: lambda t, v: np.where(since_start(t) < 0.0, 950.0, v)},
        {},
    ),
    ("heat.discharge_temperature_climbs", {Role.DISCHARGE_TEMPERATURE: step_after(LAST_S - 600.0, 14.0)}, {}),
    ("heat.discharge_temperature_high_at_failure", {Role.DISCHARGE_TEMPERATURE: step_after(LAST_S - 600.0, 45.0)}, {}),
    ("heat.injection_without_effect", {Role.INJECTION_SOLENOID: to(1.0, 400.0)}, {}),
    ("heat.winding_hot", {Role.WINDING_TEMPERATURE: to(125.0, 300.0)}, {}),
    ("heat.thermal_capacity_used", {Role.MOTOR_AMPS: to(200.0, 1800.0)}, {}),
    ("heat.oil_hot", {Role.OIL_TEMPERATURE: shift(15.0)}, {}),
    ("heat.oil_hot", {Role.OIL_TEMPERATURE: to(90.0)}, {}),
]


@pytest.mark.parametrize(("check", "changes", "machine"), PRESENT, ids=[f"{p[0]}-{i}" for i, p in enumerate(PRESENT)])
def test_the_effect_is_seen(check: str, changes: dict[Role, Change], machine: dict[str, object]) -> None:
    finding = look(check, changes=changes, **machine)
    assert finding.outcome is Outcome.PRESENT, (finding.statement, finding.why_not)
    assert finding.samples >= 2
    assert finding.cites
    assert finding.from_ns is not None
    assert finding.to_ns is not None
    assert finding.basis or not finding.limit_name
    if finding.above is True:
        assert finding.value is not None
        assert finding.limit is not None
        assert finding.value > finding.limit
    if finding.above is False:
        assert finding.value is not None
        assert finding.limit is not None
        assert finding.value < finding.limit


NEEDS_FAST = {"refrigerant.hunting": 5.0, "refrigerant.liquid_slug": 1.0}
NOT_ASKED = {"heat.injection_without_effect"}


@pytest.mark.parametrize("check", sorted(set(DETECTORS) - NOT_ASKED))
def test_a_healthy_machine_shows_nothing(check: str) -> None:
    finding = look(check, interval_s=NEEDS_FAST.get(check, 10.0))
    assert finding.outcome is Outcome.ABSENT, (finding.statement, finding.why_not)


@pytest.mark.parametrize("seed", range(2, 6))
def test_no_seed_of_a_healthy_machine_shows_anything(seed: int) -> None:
    subject = made(seed=seed)
    shown = [f.statement for detector in DETECTORS.values() for f in detector(subject) if f.outcome is Outcome.PRESENT]
    assert shown == []


NEEDED = [(check, need) for check in DETECTORS for need in read_checks()[check].needs]


@pytest.mark.parametrize(("check", "need"), NEEDED, ids=[f"{c}-{n.roles[0].value}" for c, n in NEEDED])
def test_a_missing_point_makes_it_cannot_tell(check: str, need: object) -> None:
    roles = need.roles  # type: ignore[attr-defined]
    finding = look(check, without=roles, interval_s=NEEDS_FAST.get(check, 10.0))
    assert finding.outcome is Outcome.CANNOT_TELL
    assert finding.why_not
    assert finding.unlocked_by


SLOW = [(c, max(n.longest_interval_s or 0.0 for n in read_checks()[c].needs)) for c in DETECTORS]


@pytest.mark.parametrize(("check", "limit_s"), [x for x in SLOW if 0.0 < x[1] <= 300.0])
def test_samples_too_far_apart_make_it_cannot_tell(check: str, limit_s: float) -> None:
    finding = look(check, interval_s=limit_s * 2.0)
    assert finding.outcome is Outcome.CANNOT_TELL


@pytest.mark.parametrize(("check", "changes", "machine"), PRESENT, ids=[f"{p[0]}-{i}" for i, p in enumerate(PRESENT)])
def test_stuck_sensors_are_no_proof_of_health(
    check: str, changes: dict[Role, Change], machine: dict[str, object]
) -> None:
    roles = {role for need in read_checks()[check].needs for role in need.roles if role is not Role.MOTOR_AMPS}
    finding = look(check, stuck=roles, **machine)
    if any(need.roles[0] not in {Role.MOTOR_AMPS, Role.OIL_HEATER} for need in read_checks()[check].needs):
        assert finding.outcome is Outcome.CANNOT_TELL, finding.statement


def test_without_saturation_data_what_rests_on_it_cannot_be_told() -> None:
    subject = made(refrigerant="R999Z")
    for check in ("refrigerant.superheat_low", "refrigerant.suction_low", "oil.diluted_before_start"):
        finding = only(DETECTORS[check](subject))
        assert finding.outcome is Outcome.CANNOT_TELL
        assert "R999Z" in finding.why_not
    assert only(DETECTORS["oil.filter_drop_high"](subject)).outcome is Outcome.ABSENT


def test_few_slow_points_never_stop_a_detector() -> None:
    every = [r for r in Role if r not in (Role.MOTOR_AMPS, Role.SUCTION_PRESSURE, Role.DISCHARGE_PRESSURE)]
    subject = made(without=every, interval_s=300.0)
    assert all(f.outcome is not Outcome.PRESENT for d in DETECTORS.values() for f in d(subject))


def test_a_jump_of_one_sample_is_no_climb() -> None:
    jump: Change = lambda t, v: np.where(late(t, 300.0), 130.0, v)  # noqa: E731
    for check in ("heat.discharge_temperature_climbs", "heat.discharge_temperature_high_at_failure"):
        finding = look(check, changes={Role.DISCHARGE_TEMPERATURE: jump})
        assert finding.outcome is Outcome.CANNOT_TELL
        assert "one sample" in finding.why_not


def test_an_unloading_slide_is_no_recirculation() -> None:
    slide = {**OPENS, Role.SLIDE_POSITION: step_after(STOP_S, -25.0)}
    assert look("refrigerant.recirculation", changes=slide).outcome is not Outcome.PRESENT


def test_a_swinging_slide_leaves_hunting_open() -> None:
    both = {Role.SUCTION_TEMPERATURE: swing(5.0, 90.0), Role.SLIDE_POSITION: swing(15.0, 90.0)}
    finding = look("refrigerant.hunting", changes=both, interval_s=5.0)
    assert finding.outcome is Outcome.CANNOT_TELL
    assert "slide" in finding.why_not


def test_without_the_slide_a_swinging_current_leaves_hunting_open() -> None:
    """A current that hardly moves tells that the valve leads; without the current as well, nothing does."""
    hunts = {Role.SUCTION_TEMPERATURE: swing(5.0, 90.0)}
    along = {**hunts, Role.MOTOR_AMPS: lambda t, v: v * (1.0 + 0.08 * np.sin(2.0 * np.pi * t / 90.0))}
    without = (Role.SLIDE_POSITION,)
    assert look("refrigerant.hunting", changes=hunts, interval_s=5.0, without=without).outcome is Outcome.PRESENT
    assert look("refrigerant.hunting", changes=along, interval_s=5.0, without=without).outcome is Outcome.CANNOT_TELL


def test_less_lift_with_hotter_gas_is_recirculation_whatever_the_amps_do() -> None:
    """The controller loads what is left, so that amps rise: no compression gets hotter with less lift."""
    opens = {**OPENS, Role.MOTOR_AMPS: step_after(STOP_S, 6.0)}
    assert look("refrigerant.recirculation", changes=opens, without=[Role.SLIDE_POSITION]).outcome is Outcome.PRESENT
    cooler = {**opens, Role.DISCHARGE_TEMPERATURE: step_after(STOP_S, -4.0)}
    less = look("refrigerant.recirculation", changes=cooler, without=[Role.SLIDE_POSITION])
    assert less.outcome is not Outcome.PRESENT


def test_a_small_fall_of_amps_without_the_slide_leaves_recirculation_open() -> None:
    """Less than a slide takes off is no proof without the slide, and with discharge hotter it is no disproof."""
    small = {**OPENS, Role.MOTOR_AMPS: lambda t, v: v * (1.0 - 0.09 * (t >= STOP_S))}
    without = (Role.SLIDE_POSITION,)
    assert look("refrigerant.recirculation", changes=small).outcome is Outcome.PRESENT
    found = look("refrigerant.recirculation", changes=small, without=without)
    assert found.outcome is Outcome.CANNOT_TELL
    assert "slide" in found.why_not


def test_hunting_names_period_and_phase() -> None:
    quarter: Change = lambda t, v: v - 15.0 * np.sin(2.0 * np.pi * (t + 20.0) / 80.0) * late(t, 4000.0)  # noqa: E731
    changes = {Role.SUCTION_TEMPERATURE: swing(5.0, 80.0), Role.EXPANSION_VALVE_POSITION: quarter}
    finding = look("refrigerant.hunting", changes=changes, interval_s=5.0)
    assert finding.outcome is Outcome.PRESENT
    assert finding.value == pytest.approx(5.0, rel=0.05)
    assert "period 80 s" in finding.statement
    assert "leads by 90 degrees" in finding.statement


def test_noise_is_no_hunting() -> None:
    rough: Change = lambda t, v: v + np.random.default_rng(3).normal(0.0, 4.0, len(t))  # noqa: E731
    finding = look("refrigerant.hunting", changes={Role.SUCTION_TEMPERATURE: rough}, interval_s=5.0)
    assert finding.outcome is Outcome.ABSENT


def test_cold_oil_alone_is_no_growing_filter() -> None:
    def cold(t: Floats, v: Floats) -> Floats:
        return np.asarray(v - 15.0 * t / LAST_S)

    colder = {
        Role.OIL_TEMPERATURE: cold,
        # drop in step with viscosity: VG 68 at 48 and 33 degC, ASTM D341
        Role.OIL_FILTER_IN_PRESSURE: lambda t, v: (
            v + 25.0 * (walther_cst(48.0 - 15.0 * t / LAST_S, (40, 68), (100, 8.7)) / 47.0 - 1.0) * (since_start(t) > 0)
        ),
    }
    assert look("oil.filter_drop_growing", changes=colder).outcome is not Outcome.PRESENT


def test_most_of_the_feed_lost_in_the_filter_is_seen_with_cold_oil() -> None:
    changes = {
        Role.OIL_PRESSURE: lambda t, v: np.where(since_start(t) > 0, v - 220.0 * late(t, RUN_S), v),
        Role.OIL_FILTER_IN_PRESSURE: lambda t, v: np.where(since_start(t) > 0, v - 160.0 * late(t, RUN_S), v),
    }
    finding = look("oil.filter_drop_high", changes=changes)
    assert finding.outcome is Outcome.PRESENT
    assert finding.limit_name == "oil.filter_share"


def test_heater_off_for_long_is_seen_and_one_that_does_not_heat_is_left_open() -> None:
    limits = read_limits().replaced({"oil.heater_off": (3000.0, "made")})
    subject = made({Role.OIL_HEATER: lambda t, v: np.zeros(len(t))})
    object.__setattr__(subject, "limits", limits)
    assert only(DETECTORS["oil.heater_off_at_rest"](subject)).outcome is Outcome.PRESENT
    dead = only(DETECTORS["oil.heater_off_at_rest"](made({Role.OIL_TEMPERATURE: COLD_REST})))
    assert dead.outcome is Outcome.CANNOT_TELL
    assert "may not heat" in dead.why_not


def test_injection_that_works_and_that_is_never_called() -> None:
    works = {
        Role.INJECTION_SOLENOID: to(1.0, 400.0),
        Role.DISCHARGE_TEMPERATURE: lambda t, v: v + 20.0 - 12.0 * np.clip((t - LAST_S + 400.0) / 200.0, 0.0, 1.0),
    }
    assert look("heat.injection_without_effect", changes=works).outcome is Outcome.ABSENT
    assert look("heat.injection_without_effect").outcome is Outcome.CANNOT_TELL


def test_a_duty_never_seen_before_widens_the_interval() -> None:
    rise = {Role.DISCHARGE_TEMPERATURE: shift(15.0)}
    like = look("heat.discharge_temperature_climbs", changes=rise)
    other = look("heat.discharge_temperature_climbs", changes={Role.SLIDE_POSITION: to(100.0), **rise})
    assert like.detectable is not None
    assert other.detectable is not None
    assert like.outcome is Outcome.PRESENT
    assert other.detectable > like.detectable
    assert other.outcome is not Outcome.ABSENT


def test_a_state_as_old_as_the_record_is_not_excluded() -> None:
    finding = look("refrigerant.condenser_approach_high", changes={Role.CONDENSER_PRESSURE: lambda t, v: v + 150.0})
    assert finding.outcome is Outcome.CANNOT_TELL
    assert "no change" in finding.why_not


def test_a_failure_at_rest_is_no_low_oil_difference() -> None:
    finding = look("oil.difference_low_at_failure", failure_s=FAILURE_S - RUN_S - REST_S / 2.0)
    assert finding.outcome is Outcome.CANNOT_TELL


def test_readings_that_end_early_leave_the_failing_run_open() -> None:
    gone: Change = lambda t, v: np.where(late(t, 3600.0), np.nan, v)  # noqa: E731
    assert look("heat.winding_hot", changes={Role.WINDING_TEMPERATURE: gone}).outcome is Outcome.CANNOT_TELL


def test_thinning_moves_only_towards_cannot_tell() -> None:
    for check, changes, machine in PRESENT:
        fast = look(check, changes=changes, **machine)
        slow = look(check, changes=changes, interval_s=60.0)
        assert slow.outcome in (fast.outcome, Outcome.CANNOT_TELL), check


NAMED = [
    ("refrigerant.condensing_high", "High discharge pressure"),
    ("heat.discharge_temperature_climbs", "High discharge temperature"),
    ("heat.discharge_temperature_high_at_failure", "High discharge temperature"),
    ("oil.difference_low_at_failure", "Low oil pressure"),
]


@pytest.mark.parametrize(("check", "text"), NAMED, ids=[n[0] for n in NAMED])
def test_what_the_trip_names_is_never_absent(check: str, text: str) -> None:
    subject = made()
    line = LogLine(
        time_ns=subject.record.failure_ns,
        point="C1 TRIP",
        value="ALARM",
        text=text,
        source="alarms.csv",
        clock="controller",
        row=9,
    )
    told = replace(subject, record=replace(subject.record, log=(line,)))
    assert only(DETECTORS[check](subject)).outcome is Outcome.ABSENT
    named = only(DETECTORS[check](told))
    assert named.outcome is Outcome.CANNOT_TELL
    assert "names it" in named.why_not


def test_what_is_absent_says_what_would_have_been_seen() -> None:
    subject = made()
    for check in ("refrigerant.condensing_high", "heat.discharge_temperature_climbs", "refrigerant.superheat_low"):
        found = only(DETECTORS[check](subject))
        assert found.outcome is Outcome.ABSENT
        assert found.detectable is not None
        assert found.limit is not None
        assert found.detectable > found.limit if found.above else found.detectable < found.limit


def test_a_rise_of_the_last_two_minutes_is_seen_before_the_run_has_settled_with_it() -> None:
    """A head that climbs for two minutes and trips: nineteen readings in twenty are normal."""
    climb: Change = lambda t, v: v + 500.0 * np.clip((t - LAST_S + 120.0) / 120.0, 0.0, 1.0)  # noqa: E731
    found = look("refrigerant.condensing_high", changes={Role.CONDENSER_PRESSURE: climb})
    assert found.outcome is Outcome.PRESENT
    assert found.from_ns is not None


def test_a_level_just_short_of_its_limit_is_open() -> None:
    found = look("oil.filter_drop_high", changes={Role.OIL_FILTER_IN_PRESSURE: shift(73.0)})
    assert found.outcome is Outcome.CANNOT_TELL


def test_a_machine_that_always_ran_flooded_has_not_flooded_back() -> None:
    """Saturated suction of the invented machine is at 5 degC: suction gas of 6 degC has 1 K of superheat."""
    wet: Change = lambda t, v: np.where(since_start(t) > 0.0, 6.0, v)  # noqa: E731
    found = look("refrigerant.superheat_low", changes={Role.SUCTION_TEMPERATURE: wet})
    assert found.outcome is Outcome.CANNOT_TELL
    assert "as it was before" in found.why_not


def test_every_check_has_a_detector_and_every_limit_a_source() -> None:
    for family in ("oil", "refrigerant", "heat"):
        listed = {c for c in read_checks() if c.startswith(f"{family}.")}
        assert listed == {c for c in DETECTORS if c.startswith(f"{family}.")}
    limits = read_limits()
    for name in limits:
        if name.split(".")[0] in {"oil", "refrigerant", "heat", "duty"}:
            assert len(limits.limit(name).basis) > 20


def test_condensing_far_above_all_that_was_seen_is_seen_at_another_duty() -> None:
    changes = {Role.SLIDE_POSITION: to(5.0), Role.CONDENSER_PRESSURE: shift(300.0)}
    finding = look("refrigerant.condensing_high", changes=changes)
    assert finding.outcome is Outcome.PRESENT
    like = look("refrigerant.condensing_high", changes={Role.CONDENSER_PRESSURE: shift(300.0)})
    assert finding.detectable is not None
    assert like.detectable is not None
    assert finding.detectable > like.detectable


def test_slow_samples_never_call_the_oil_difference_healthy() -> None:
    assert look("oil.difference_low_at_failure", interval_s=60.0).outcome is Outcome.CANNOT_TELL
    assert look("refrigerant.recirculation", interval_s=60.0).outcome is Outcome.CANNOT_TELL


@pytest.mark.parametrize("shape", ["no runs", "all missing", "no samples", "one sample", "still"])
def test_odd_records_never_stop_a_detector(shape: str) -> None:
    subject = made(interval_s=30.0)
    record = subject.record
    if shape == "no runs":
        subject = replace(subject, runs=())
    elif shape == "still":
        off = {Role.MOTOR_AMPS: lambda t, v: np.zeros(len(t))}
        subject = replace(made(off, interval_s=30.0), runs=())
    elif shape == "all missing":
        gone = {r: lambda t, v: np.full(len(t), np.nan) for r in record.samples}
        subject = made(gone, interval_s=30.0)
    else:
        keep = 0 if shape == "no samples" else 1
        cut = {r: tuple(x.between(0, int(x.t[0]) + keep) for x in p) for r, p in record.samples.items()}
        subject = replace(subject, record=replace(record, samples=cut, switches={}), runs=())
    for check, detector in DETECTORS.items():
        finding = only(detector(subject))
        assert finding.check == check
        if shape != "no runs":
            assert finding.outcome is not Outcome.PRESENT


FROM_RUN_S = 2 * (REST_S + RUN_S)


def since_third_run(by: float) -> Change:
    return lambda t, v: v + by * (t >= FROM_RUN_S) * (since_start(t) >= 0.0)


def water(share: float) -> Change:
    """Chilled water entering, so that it is cooled by a share of what it was from the third run on."""
    return lambda t, v: np.where((t >= FROM_RUN_S) & (since_start(t) >= 0.0), 8.0 + share * (v - 8.0), v)


def test_a_valve_that_opened_at_rest_shows_by_hotter_gas_and_less_cooling() -> None:
    """No moment of a run shows it; since then gas is hotter at equal pressures and the water is cooled less."""
    hot, less = since_third_run(12.0), water(0.7)
    both = {Role.DISCHARGE_TEMPERATURE: hot, Role.CHILLED_WATER_ENTERING: less}
    found = look("refrigerant.recirculation", changes=both)
    assert found.outcome is Outcome.PRESENT
    assert found.value is not None
    assert 0.6 < found.value < 0.8
    assert look("refrigerant.recirculation", changes={Role.DISCHARGE_TEMPERATURE: hot}).outcome is Outcome.ABSENT
    assert look("refrigerant.recirculation", changes={Role.CHILLED_WATER_ENTERING: less}).outcome is Outcome.ABSENT


def test_without_the_water_a_missing_moment_excludes_no_leak() -> None:
    hot = {Role.DISCHARGE_TEMPERATURE: since_third_run(12.0)}
    without = (Role.CHILLED_WATER_ENTERING, Role.CHILLED_WATER_LEAVING)
    assert look("refrigerant.recirculation", changes=hot, without=without).outcome is Outcome.CANNOT_TELL


def cold_before_run(k: int) -> Change:
    """Oil at saturation through the rest before run ``k``, counted from 0."""
    begin = k * (REST_S + RUN_S)
    return lambda t, v: np.where((t >= begin) & (t < begin + REST_S), 10.0, v)


def test_an_earlier_start_out_of_diluted_oil_is_the_one_that_is_asked_about() -> None:
    early = {Role.OIL_TEMPERATURE: cold_before_run(2)}
    found = look("oil.diluted_before_start", changes=early)
    assert found.outcome is Outcome.PRESENT
    assert "before the start that led into the failure" in found.statement
    assert look("oil.diluted_before_start").outcome is Outcome.ABSENT


def test_oil_that_foam_carries_off_sinks() -> None:
    """Level falls for minutes after the start out of diluted oil, and after no other."""
    begin = 3 * (REST_S + RUN_S) + REST_S
    sinks: Change = lambda t, v: v - 25.0 * ((t >= begin) & (t < begin + 280.0))  # noqa: E731
    found = look("oil.foaming_at_start", changes={Role.OIL_LEVEL: sinks})
    assert found.outcome is Outcome.PRESENT
    assert "sank" in found.statement
