"""Stops: table and checks on drawn records whose time constants, leaks and reversals are known."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from forensics.intake.load_case import load_case
from forensics.machine.rotation import NEITHER
from forensics.machine.stops.rotor_pressure import across_rotors
from forensics.model.points import NS
from forensics.model.record import LogLine
from forensics.model.vocabulary import Answer, Outcome, PreviousStop, Role, StopKind
from forensics.rules import read_checks
from forensics.signatures.core.catalogue import detectors_of
from signatures.machine import EPOCH, Cycle, Drawn, draw, healthy, subject_of

DETECTORS = detectors_of("coastdown")


def _outcome(subject, check):
    (finding,) = DETECTORS[f"coastdown.{check}"](subject)
    return finding.outcome


def _cycles(count=4, **last):
    cycles = [Cycle(900.0 + 1800.0 * i, 1500.0 + 1800.0 * i) for i in range(count)]
    for name, value in last.items():
        setattr(cycles[-1], name, value)
    return Drawn(cycles, 900.0 + 1800.0 * count)


@pytest.fixture(scope="module")
def well():
    return subject_of(draw(healthy(4)))


@pytest.fixture(scope="module")
def held():
    return subject_of(draw(_cycles(bypass_held=True, trip=True)))


def test_a_healthy_stop_is_equal_when_the_motor_stops(well):
    for stop in well.stops:
        assert stop.kind is StopKind.NORMAL
        assert stop.equal_at_motor_off is True
        assert stop.equalisation_time_constant_s is None
        assert stop.bypass_released is Answer.YES
        assert (stop.reverse_rotation, stop.reverse_basis) == (Outcome.ABSENT, "inferred")


def test_a_held_valve_and_what_it_lets_infer(held):
    stop = held.stops[-1]
    assert stop.kind is StopKind.TRIP
    assert stop.bypass_released is Answer.NO
    assert (stop.reverse_rotation, stop.reverse_basis) == (Outcome.PRESENT, "inferred")
    assert _outcome(held, "bypass_held") is Outcome.PRESENT
    assert _outcome(held, "reverse_rotation") is Outcome.PRESENT


def test_full_difference_for_seconds_turns_loaded_rotors_back_without_own_stops_to_compare():
    # at full load no rotors of the band run on for four seconds, and the gas is there for eight more
    subject = subject_of(draw(_cycles(1, bypass_held=True, trip=True)))
    stop = subject.stops[0]
    assert (stop.reverse_rotation, stop.reverse_basis) == (Outcome.PRESENT, "inferred")
    assert stop.reverse_speed_rpm.low > 60.0


def test_a_pressure_that_is_held_and_stays_turned_nothing():
    record = draw(_cycles(bypass_held=True, trip=True))
    point = record.samples[Role.DISCHARGE_PRESSURE][0]
    after = (point.t - EPOCH) / NS >= 6900.0
    stays = replace(point, v=np.where(after, 800.0, point.v))
    points = {r: p for r, p in record.samples.items() if r is not Role.CONDENSER_PRESSURE}
    subject = subject_of(replace(record, samples={**points, Role.DISCHARGE_PRESSURE: (stays,)}))
    assert subject.stops[-1].reverse_rotation is Outcome.CANNOT_TELL
    assert "behind the check valve" in subject.stops[-1].why_not["reverse_rotation"]


@pytest.mark.parametrize("step_s", [5.0, 10.0, 60.0])
def test_slow_samples_can_neither_show_nor_exclude(step_s):
    drawn = _cycles(bypass_held=True, trip=True)
    drawn.step_s = step_s
    subject = subject_of(draw(drawn))
    assert all(s.bypass_released is Answer.CANNOT_TELL for s in subject.stops)
    assert subject.stops[-1].reverse_rotation is Outcome.CANNOT_TELL
    (finding,) = DETECTORS["coastdown.reverse_rotation"](subject)
    assert finding.why_not == NEITHER == "This record can neither show nor exclude reverse rotation."


@pytest.mark.parametrize("step_s", [5.0, 10.0])
def test_slow_samples_exclude_only_what_no_gas_was_left_for(step_s):
    # the valve opened twenty seconds before the motor stopped: nothing was left that could turn the rotors
    drawn = healthy(4)
    drawn.step_s = step_s
    for stop in subject_of(draw(drawn)).stops:
        assert stop.reverse_rotation is Outcome.ABSENT
        assert stop.reverse_speed_rpm.high < 30.0


def test_signed_speed_measures_even_where_pressures_are_slow():
    drawn = _cycles(bypass_held=True, trip=True)
    drawn.speed = True
    subject = subject_of(draw(drawn))
    assert (subject.stops[-1].reverse_rotation, subject.stops[-1].reverse_basis) == (Outcome.PRESENT, "measured")
    assert subject.stops[0].reverse_basis == "measured"
    assert subject.stops[0].reverse_rotation is Outcome.ABSENT


def test_an_unsigned_pick_up_shows_the_rebound():
    drawn = _cycles(bypass_held=True, trip=True)
    drawn.speed = True
    record = draw(drawn)
    speed = record.samples[Role.SHAFT_SPEED][0]
    record = replace(record, samples={**record.samples, Role.SHAFT_SPEED: (replace(speed, v=np.abs(speed.v)),)})
    assert subject_of(record).stops[-1].reverse_rotation is Outcome.PRESENT


def test_a_machine_that_ran_backwards_already_is_not_called_backspin():
    drawn = _cycles(reversed_start=True, trip=True)
    drawn.speed = True
    assert subject_of(draw(drawn)).stops[-1].reverse_rotation is Outcome.CANNOT_TELL


def test_time_constant_of_a_drawn_exponential():
    # drawn with 2.0 s from the end of current; that moment is known to one sample, so the constant is too
    drawn = _cycles(trip=True)
    drawn.step_s = 0.5
    stop = subject_of(draw(drawn)).stops[-1]
    assert stop.equalisation_time_constant_s == pytest.approx(2.0, abs=0.5)
    assert stop.bypass_released is Answer.YES
    assert stop.reverse_rotation is Outcome.CANNOT_TELL


def test_a_leaking_check_valve_leaves_a_residual():
    drawn = _cycles(leak_kpa=60.0)
    drawn.cycles[-2].leak_kpa = drawn.cycles[-3].leak_kpa = 60.0
    subject = subject_of(draw(drawn))
    assert subject.stops[-1].residual_difference_kpa == pytest.approx(60.0, abs=12.0)
    assert _outcome(subject, "residual_difference") is Outcome.PRESENT


def test_offset_of_the_sensors_is_no_residual():
    record = draw(healthy(4))
    point = record.samples[Role.DISCHARGE_PRESSURE][0]
    record = replace(record, samples={**record.samples, Role.DISCHARGE_PRESSURE: (replace(point, v=point.v + 25.0),)})
    subject = subject_of(record)
    rotors = across_rotors(subject)
    assert rotors is not None
    assert rotors.offset_kpa == pytest.approx(25.0, abs=2.0)
    assert _outcome(subject, "residual_difference") is Outcome.ABSENT


def test_high_side_decay_is_the_one_drawn():
    subject = subject_of(draw(_cycles(high_side_tau_s=120.0)))
    assert subject.stops[-1].high_side_decay_s == pytest.approx(120.0, rel=0.1)
    assert _outcome(subject, "high_side_falls_fast") is Outcome.PRESENT
    assert _outcome(subject, "bleed_after_stop") is Outcome.PRESENT


def test_high_side_that_holds(well):
    assert _outcome(well, "high_side_falls_fast") is Outcome.ABSENT
    assert _outcome(well, "bleed_after_stop") is Outcome.ABSENT


def test_a_shared_condenser_tells_nothing():
    record = draw(_cycles(high_side_tau_s=120.0))
    subject = subject_of(record)
    shared = replace(subject, machine=subject.machine.model_copy(update={"shared_circuit": True}))
    assert _outcome(shared, "high_side_falls_fast") is Outcome.CANNOT_TELL


def test_check_valve_stuck_open(well):
    record = draw(healthy(4))
    condenser = record.samples[Role.CONDENSER_PRESSURE][0]
    discharge = replace(record.samples[Role.DISCHARGE_PRESSURE][0], v=condenser.v)
    open_ = subject_of(replace(record, samples={**record.samples, Role.DISCHARGE_PRESSURE: (discharge,)}))
    assert _outcome(open_, "discharge_follows_condenser") is Outcome.PRESENT
    assert _outcome(well, "discharge_follows_condenser") is Outcome.ABSENT


def test_place_of_the_pressure_not_known_cannot_tell():
    record = draw(_cycles(bypass_held=True, trip=True))
    points = dict(record.samples)
    (point,) = points.pop(Role.DISCHARGE_PRESSURE)
    points.pop(Role.CONDENSER_PRESSURE)
    points[Role.HIGH_SIDE_PRESSURE] = (replace(point, role=Role.HIGH_SIDE_PRESSURE),)
    subject = subject_of(replace(record, samples=points))
    assert all(s.bypass_released is Answer.CANNOT_TELL for s in subject.stops)
    assert "not known" in subject.stops[-1].why_not["bypass_released"]


def test_spin_down_against_own():
    drawn = _cycles(5)
    drawn.speed = True
    drawn.cycles[-1].bypass_held = True
    assert _outcome(subject_of(draw(drawn)), "spin_down_short") is Outcome.PRESENT


def test_loss_of_supply_is_a_trip_and_said_so():
    drawn = _cycles(3)
    record = draw(drawn)
    line = LogLine(
        time_ns=EPOCH + 3300 * NS,
        point="C1 ALARM",
        value="ALARM",
        text="POWER FAILURE",
        source="alarms.csv",
        clock="controller",
        row=5,
    )
    subject = subject_of(replace(record, log=(line,)))
    assert subject.stops[1].kind is StopKind.TRIP
    assert subject.starts[2].previous_stop is PreviousStop.POWER_LOSS


def test_power_that_returned_after_a_normal_stop_leaves_it_normal():
    record = draw(_cycles(3))
    line = LogLine(
        time_ns=EPOCH + 3400 * NS,
        point="C1",
        value="ALARM",
        text="Control power restored",
        source="alarms.csv",
        clock="controller",
        row=5,
    )
    assert subject_of(replace(record, log=(line,))).stops[1].kind is StopKind.NORMAL


def test_every_check_answers_and_names_what_is_missing():
    subject = subject_of(replace(draw(healthy(1)), samples={}, switches={}))
    for check, detector in DETECTORS.items():
        (finding,) = detector(subject)
        assert finding.outcome is Outcome.CANNOT_TELL, check
        assert finding.why_not
    assert {c for c in read_checks() if c.startswith("coastdown.")} == set(DETECTORS)


def test_stops_of_a_shared_incident(shared: Path):
    loaded = load_case(shared / "incidents" / "cases" / "case-12" / "case.toml")
    truth = json.loads((shared / "incidents" / "truth" / "case-12.json").read_text())["stops"]
    subject = subject_of(loaded.record, loaded.file.machine)
    assert len(subject.stops) == len(truth)
    for stop, true in zip(subject.stops, truth, strict=True):
        assert stop.kind.value == true["kind"]
        assert stop.bypass_released.value in (true["bypass_released"], "cannot-tell")
        assert true["reverse_rotation"] == "marginal" or stop.reverse_rotation.value == true["reverse_rotation"]
        if true["dp_time_to_37pc_s"]:
            assert stop.equalisation_time_constant_s == pytest.approx(true["dp_time_to_37pc_s"], rel=0.25)


def test_backwards_after_a_stop_and_during_a_start_are_two_answers():
    # the rotors turned back after the first stop; every start ran forward
    drawn = _cycles(3)
    drawn.speed = True
    drawn.cycles[0].bypass_held = True
    subject = subject_of(draw(drawn))
    assert [s.reverse_rotation for s in subject.stops] == [Outcome.PRESENT, Outcome.ABSENT, Outcome.ABSENT]
    assert all(s.reverse_rotation is Outcome.ABSENT for s in subject.starts)
    # and the other way round: a start that ran backwards is no backspin of the stop before or after it
    drawn = _cycles(3)
    drawn.speed = True
    drawn.cycles[1].reversed_start = True
    subject = subject_of(draw(drawn))
    assert [s.reverse_rotation for s in subject.starts] == [Outcome.ABSENT, Outcome.PRESENT, Outcome.ABSENT]
    assert subject.stops[0].reverse_rotation is Outcome.ABSENT
    assert subject.stops[1].reverse_rotation is not Outcome.PRESENT
