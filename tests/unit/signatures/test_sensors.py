"""Sensors: every check present, absent and cannot-tell on made shapes; trip texts in several languages."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from forensics.case.schema import Machine
from forensics.machine.subject import Subject
from forensics.machine.trip_words import plain, quantity_of, read_trip_words, trip_texts
from forensics.model.findings import Finding
from forensics.model.points import NS
from forensics.model.record import LogLine
from forensics.model.vocabulary import Outcome, Role
from forensics.rules import read_checks
from forensics.signatures.core.catalogue import detectors_of

from .running_machine import FAILURE_S, Change, Floats, made, only, since_start
from .test_electrical import STOP_S, electric, then

DETECTORS = detectors_of("sensors")

PRESENT, ABSENT, CANNOT_TELL = Outcome.PRESENT, Outcome.ABSENT, Outcome.CANNOT_TELL


def same(_: Floats, old: Floats) -> Floats:
    return old


def late(change: Callable[[Floats], Floats], last_s: float = 1.5) -> Change:
    """The healthy reading, changed in the last moments before the stop."""
    return then(same, STOP_S - last_s, STOP_S + 60, change)


def subject(changes: dict[Role, Change] | None = None, text: str = "", **more: object) -> Subject:
    found = electric(changes, **more)
    if not text:
        return found
    line = LogLine(
        time_ns=found.record.failure_ns,
        point="C1 TRIP",
        value="ALARM",
        text=text,
        source="alarms.csv",
        clock="controller",
        row=9,
    )
    return replace(found, record=replace(found.record, log=(line,)))


def ask(one: Subject, name: str) -> Finding:
    return only(DETECTORS[f"sensors.{name}"](one))


def test_every_check_of_the_family_has_its_detector() -> None:
    assert set(DETECTORS) == {c for c in read_checks() if c.startswith("sensors.")}


def test_a_healthy_machine_shows_nothing() -> None:
    one = subject(text="High discharge temperature")
    found = [only(detector(one)) for detector in DETECTORS.values()]
    present = [f.check for f in found if f.outcome is PRESENT]
    # the trip speaks of a temperature that never left its range: that is what it should say, and nothing else
    assert present == ["sensors.trip_text_unsupported", "sensors.trip_named"]


@pytest.mark.parametrize("check", sorted(DETECTORS))
def test_without_points_every_check_is_cannot_tell(check: str) -> None:
    assert only(DETECTORS[check](made(without=tuple(Role), interval_s=300.0))).outcome is CANNOT_TELL


@pytest.mark.parametrize("interval_s", [60.0, 300.0])
def test_at_minutes_no_jump_and_no_text_is_judged(interval_s: float) -> None:
    one = subject({Role.DISCHARGE_TEMPERATURE: late(lambda v: v + 80)}, "Discharge temp high", interval_s=interval_s)
    for name in ("jump_at_trip", "neighbours_unmoved", "trip_text_unsupported"):
        assert ask(one, name).outcome is CANNOT_TELL


class TestJump:
    def test_temperature_to_its_rail(self) -> None:
        one = subject({Role.DISCHARGE_TEMPERATURE: late(lambda v: v * 0 + 150)}, "High discharge temperature")
        found = ask(one, "jump_at_trip")
        assert found.outcome is PRESENT
        assert found.statement.startswith(
            "A sensor jumped within a sample just before the stop: present. Discharge temperature stepped by +"
        )
        # a text that only a step bears out which no metal follows is not borne out
        assert ask(one, "trip_text_unsupported").outcome is PRESENT

    def test_a_step_that_metal_can_follow_leaves_the_text_open(self) -> None:
        """40 K within ten seconds is more than gas lines do, but not more than one can."""
        change = {Role.DISCHARGE_TEMPERATURE: late(lambda v: v + 40, 15.0)}
        one = subject(change, "High discharge temperature", interval_s=10.0)
        assert ask(one, "trip_text_unsupported").outcome is CANNOT_TELL

    def test_a_climb_is_no_jump(self) -> None:
        def climbing(t: Floats, old: Floats) -> Floats:
            return old + np.clip(t - (STOP_S - 900), 0, 900) / 900 * 45

        def warming(t: Floats, old: Floats) -> Floats:
            return old + np.clip(t - (STOP_S - 900), 0, 900) / 900 * 15

        both = {Role.DISCHARGE_TEMPERATURE: climbing, Role.OIL_TEMPERATURE: warming}
        one = subject(both, "High discharge temperature")
        assert ask(one, "jump_at_trip").outcome is ABSENT
        assert ask(one, "trip_text_unsupported").outcome is ABSENT

    def test_pressure_alone_against_pressure_with_its_neighbours(self) -> None:
        high = late(lambda v: v + 900, 3.5)
        alone = subject({Role.DISCHARGE_PRESSURE: high}, "High discharge pressure")
        assert ask(alone, "jump_at_trip").outcome is PRESENT
        both = {Role.DISCHARGE_PRESSURE: high, Role.CONDENSER_PRESSURE: high}
        assert ask(subject(both, "High discharge pressure"), "jump_at_trip").outcome is not PRESENT

    def test_a_pressure_that_falls_as_the_motor_stops_is_no_jump(self) -> None:
        after = {Role.DISCHARGE_PRESSURE: then(same, STOP_S, FAILURE_S, lambda v: v - 300)}
        assert ask(subject(after, "High discharge pressure"), "jump_at_trip").outcome is ABSENT

    def test_the_unloading_valve_opening_is_no_jump(self) -> None:
        """It may be released before the motor is off: discharge falls and suction rises at once, current hardly."""
        opened = {
            Role.DISCHARGE_PRESSURE: late(lambda v: v - 300, 20),
            Role.SUCTION_PRESSURE: late(lambda v: v + 200, 20),
        }
        without = (Role.OIL_PRESSURE, Role.OIL_FILTER_IN_PRESSURE, Role.CONDENSER_PRESSURE)
        one = subject(opened, "High discharge pressure", without=without)
        assert ask(one, "jump_at_trip").outcome is not PRESENT

    def test_oil_pressure_that_is_shut_off_is_no_jump_but_below_suction_is(self) -> None:
        """A closed feed takes oil pressure to suction within a second; no feed takes it below."""
        shut = {Role.OIL_PRESSURE: late(lambda v: v - 240, 20)}
        assert ask(subject(shut, "Low oil pressure"), "jump_at_trip").outcome is not PRESENT
        rail = {Role.OIL_PRESSURE: late(lambda v: v * 0 + 100, 20)}
        assert ask(subject(rail, "Low oil pressure"), "jump_at_trip").outcome is PRESENT

    def test_an_unlogged_sensor_of_the_trip_is_cannot_tell(self) -> None:
        one = subject(text="High discharge temperature", without=(Role.DISCHARGE_TEMPERATURE,))
        assert ask(one, "jump_at_trip").outcome is CANNOT_TELL

    def test_a_clock_that_is_unsure_is_cannot_tell(self) -> None:
        one = subject({Role.DISCHARGE_TEMPERATURE: late(lambda v: v * 0 + 150)}, "High discharge temperature")
        record = replace(one.record, clock_uncertainty_s={"controller": 600.0})
        assert ask(replace(one, record=record), "jump_at_trip").outcome is not PRESENT


class TestText:
    def test_low_suction_that_nothing_followed(self) -> None:
        low = {Role.SUCTION_PRESSURE: late(lambda v: v - 250, 20)}
        assert ask(subject(low, "Low suction pressure"), "neighbours_unmoved").outcome is PRESENT

    def test_low_suction_with_the_current(self) -> None:
        low = {Role.SUCTION_PRESSURE: late(lambda v: v - 250, 20), Role.MOTOR_AMPS: late(lambda v: v * 0.6, 20)}
        assert ask(subject(low, "Low suction pressure"), "neighbours_unmoved").outcome is ABSENT

    def test_oil_pressure_has_no_neighbour_that_must_move(self) -> None:
        low = {Role.OIL_PRESSURE: late(lambda v: v - 240, 20)}
        assert ask(subject(low, "Low oil pressure"), "neighbours_unmoved").outcome is CANNOT_TELL

    def test_oil_text_against_its_sensor(self) -> None:
        assert ask(subject(text="Low oil differential"), "trip_text_unsupported").outcome is PRESENT
        low = {Role.OIL_PRESSURE: late(lambda v: v - 240, 20)}
        assert ask(subject(low, "Low oil differential"), "trip_text_unsupported").outcome is ABSENT

    def test_overload_needs_all_three_phases(self) -> None:
        assert ask(subject(text="Motor overload"), "trip_text_unsupported").outcome is PRESENT
        one = subject(text="Motor overload", without=(Role.AMPS_B,))
        assert ask(one, "trip_text_unsupported").outcome is CANNOT_TELL

    def test_normal_range_near_the_protections_level_is_cannot_tell(self) -> None:
        """A machine that always runs at 52 degC condensing may trip there: nothing is unsupported."""
        hot: dict[Role, Change] = {
            role: (lambda t, old: np.where(since_start(t) >= 0, old + 480, old))
            for role in (Role.DISCHARGE_PRESSURE, Role.CONDENSER_PRESSURE)
        }
        assert ask(subject(hot, "High condensing pressure"), "trip_text_unsupported").outcome is CANNOT_TELL

    def test_no_text(self) -> None:
        assert ask(subject(), "trip_text_unsupported").outcome is CANNOT_TELL
        assert ask(subject(), "neighbours_unmoved").outcome is CANNOT_TELL


class TestAgainstEachOther:
    def test_frozen_across_stops(self) -> None:
        stuck: dict[Role, Change] = {Role.DISCHARGE_PRESSURE: lambda t, old: np.where(t > 9000, 812.0, old)}
        found = ask(subject(stuck), "frozen")
        assert found.outcome is PRESENT
        assert "present. Discharge pressure did not move across" in found.statement
        assert ask(subject(), "frozen").outcome is ABSENT

    def test_out_of_range(self) -> None:
        rail: dict[Role, Change] = {Role.OIL_TEMPERATURE: late(lambda v: v * 0 + 250, 30)}
        assert ask(subject(rail), "out_of_range").outcome is PRESENT
        assert ask(subject(), "out_of_range").outcome is ABSENT
        once: dict[Role, Change] = {Role.OIL_TEMPERATURE: then(same, 5000, 5001, lambda v: v * 0 + 250)}
        assert ask(subject(once), "out_of_range").outcome is CANNOT_TELL
        long_ago: dict[Role, Change] = {Role.OIL_TEMPERATURE: then(same, 5000, 5100, lambda v: v * 0 + 250)}
        assert ask(subject(long_ago), "out_of_range").outcome is CANNOT_TELL

    @pytest.mark.parametrize(("offset", "outcome"), [(0, ABSENT), (60, ABSENT), (160, PRESENT), (-60, PRESENT)])
    def test_at_rest(self, offset: float, outcome: Outcome) -> None:
        """Discharge 60 kPa above suction may be a leaking check valve; below suction has no cause in the machine."""
        shifted: dict[Role, Change] = {Role.DISCHARGE_PRESSURE: lambda _, old: old + offset}
        one = subject(shifted, interval_s=10.0, without=(Role.OIL_PRESSURE,))
        assert ask(one, "disagree_at_rest").outcome is outcome

    def test_while_running(self) -> None:
        cold: dict[Role, Change] = {Role.SUCTION_TEMPERATURE: lambda _, old: old - 15}
        found = ask(subject(cold, interval_s=10.0), "disagree_running")
        assert found.outcome is PRESENT
        assert "dew point" in found.statement
        flooded: dict[Role, Change] = {Role.SUCTION_TEMPERATURE: lambda t, old: np.where(t > 20000, old - 7.5, old)}
        assert ask(subject(flooded, interval_s=10.0), "disagree_running").outcome is ABSENT

    def test_counter(self) -> None:
        starts: dict[Role, Change] = {Role.START_COUNT: lambda t, _: 500.0 + np.floor((t + 7200) / 10900)}
        assert ask(subject(starts, interval_s=10.0), "counter_mismatch").outcome is ABSENT
        more: dict[Role, Change] = {Role.START_COUNT: lambda t, _: 500.0 + 4 * np.floor((t + 7200) / 10900)}
        assert ask(subject(more, interval_s=10.0), "counter_mismatch").outcome is PRESENT

    @pytest.mark.parametrize(("factor", "outcome"), [(1.0, ABSENT), (1.4, PRESENT), (0.3, PRESENT)])
    def test_power_factor(self, factor: float, outcome: Outcome) -> None:
        power: dict[Role, Change] = {Role.MOTOR_POWER: lambda t, _: np.where(since_start(t) >= 0, 55.0 * factor, 0.0)}
        assert ask(subject(power, interval_s=10.0), "power_mismatch").outcome is outcome

    def test_power_factor_without_voltage(self) -> None:
        one = subject(interval_s=10.0, without=(Role.VOLTS_AB, Role.VOLTS_BC, Role.VOLTS_CA))
        one = replace(one, machine=Machine(refrigerant="R134a", rated_load_amps=100.0))
        assert ask(one, "power_mismatch").outcome is CANNOT_TELL


class TestWords:
    @pytest.mark.parametrize(
        ("text", "name"),
        [
            ("LOW OIL DIFFERENTIAL", "oil_pressure"),
            ("Öldruck zu niedrig", "oil_pressure"),
            ("Pression huile basse", "oil_pressure"),
            ("Low oil level", "oil_level"),
            ("MOTOR OVERLOAD", "overload"),
            ("Motor Überlast", "overload"),
            ("Surintensité moteur", "overload"),
            ("Thermistor motor", "winding_temperature"),
            ("WINDING TEMPERATURE HIGH", "winding_temperature"),
            ("Phase current imbalance", "phase"),
            ("Earth fault, instantaneous", "ground_fault"),
            ("Heissgastemperatur", "discharge_temperature"),
            ("Hochdruck", "high_pressure"),
            ("Low suction pressure", "low_pressure"),
            ("Supply undervoltage", "supply_voltage"),
            ("EMERGENCY STOP PRESSED", "hand"),
            ("LOW LEAVING WATER", "freeze"),
        ],
    )
    def test_what_a_text_speaks_of(self, text: str, name: str) -> None:
        found = quantity_of(text)
        assert found is not None
        assert found.name == name

    @pytest.mark.parametrize("text", ["HIGH LEAVING WATER", "Compressor started", "", "Soil moisture", "42"])
    def test_texts_that_speak_of_no_protection(self, text: str) -> None:
        assert quantity_of(text) is None

    def test_case_and_accents_do_not_matter(self) -> None:
        assert plain("Élévation-ÖLDRUCK") == plain("elevation oldruck")

    def test_each_quantity_has_a_source_and_known_roles(self) -> None:
        quantities, _, _ = read_trip_words()
        assert all(q.source and q.title and q.words for q in quantities.values())

    def test_resets_and_far_lines_are_left_out_and_trips_come_first(self) -> None:
        base = subject()
        at = base.record.failure_ns

        def line(seconds: float, point: str, value: str, text: str) -> LogLine:
            return LogLine(
                time_ns=at + round(seconds * NS),
                point=point,
                value=value,
                text=text,
                source="alarms.csv",
                clock="controller",
                row=3,
            )

        log = (
            line(-4000, "C1 TRIP", "ALARM", "Low suction pressure"),
            line(-2, "C1 INFO", "ON", "Oil heater"),
            line(1, "C1 TRIP", "ALARM", "Motor overload"),
            line(30, "C1 TRIP", "NORMAL", "High condensing pressure reset"),
        )
        found = trip_texts(replace(base, record=replace(base.record, log=log)))
        assert [quantity.name for quantity, _ in found] == ["overload"]
