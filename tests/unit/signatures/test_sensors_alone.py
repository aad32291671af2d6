"""A reading that drifts alone is a sensor's; one that its company follows is true. Made machines."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forensics.machine.subject import Subject
from forensics.model.points import NS
from forensics.model.record import LogLine
from forensics.model.vocabulary import Outcome, Role
from forensics.signatures.core.catalogue import detectors_of

from .running_machine import LAST_S, Change, Floats, made, only

DETECTORS = detectors_of("sensors")

PRESENT, ABSENT, CANNOT_TELL = Outcome.PRESENT, Outcome.ABSENT, Outcome.CANNOT_TELL


def drift(by: float, over_s: float = 1800.0) -> Change:
    """A steady move that ends at the failure with its whole size."""
    return lambda t, v: v + by * np.clip((t - LAST_S + over_s) / over_s, 0.0, 1.0)


def share(by: float) -> Change:
    return lambda t, v: v * (1.0 + by * np.clip((t - LAST_S + 1800.0) / 1800.0, 0.0, 1.0))


def ask(name: str, changes: dict[Role, Change], without: tuple[Role, ...] = ()) -> Outcome:
    return only(DETECTORS[f"sensors.{name}"](made(changes, without=without))).outcome


@pytest.mark.parametrize(
    ("rise_k", "oil_k", "outcome"),
    [
        (50.0, 0.0, PRESENT),  # no efficiency of a turning screw makes gas so hot at these pressures
        (50.0, 12.0, ABSENT),  # the oil went with it
        (50.0, 4.0, CANNOT_TELL),  # the oil moved by too little to count and too much to count as still
        (15.0, 0.0, CANNOT_TELL),  # so hot the gas may be, with oil that is cooled apart
        (0.0, 0.0, CANNOT_TELL),  # nothing left its usual
    ],
)
def test_discharge_temperature(rise_k: float, oil_k: float, outcome: Outcome) -> None:
    changes = {Role.DISCHARGE_TEMPERATURE: drift(rise_k), Role.OIL_TEMPERATURE: drift(oil_k)}
    assert ask("discharge_temperature_alone", changes) is outcome
    assert ask("discharge_temperature_alone", changes, (Role.OIL_TEMPERATURE,)) is CANNOT_TELL


def test_two_sensors_of_the_high_side() -> None:
    one = {Role.CONDENSER_PRESSURE: drift(300.0)}
    assert ask("high_side_alone", one) is PRESENT
    assert ask("high_side_alone", {**one, Role.DISCHARGE_PRESSURE: drift(300.0)}) is ABSENT


def test_one_sensor_of_the_high_side_is_held_against_work_and_gas() -> None:
    alone = {Role.CONDENSER_PRESSURE: drift(300.0)}
    assert ask("high_side_alone", alone, (Role.DISCHARGE_PRESSURE,)) is PRESENT
    hot = {**alone, Role.DISCHARGE_TEMPERATURE: drift(12.0)}
    assert ask("high_side_alone", hot, (Role.DISCHARGE_PRESSURE,)) is ABSENT
    little = (Role.DISCHARGE_PRESSURE, Role.DISCHARGE_TEMPERATURE)
    assert ask("high_side_alone", alone, little) is CANNOT_TELL


def test_suction() -> None:
    alone = {Role.SUCTION_PRESSURE: drift(-120.0)}
    assert ask("suction_alone", alone) is PRESENT
    assert ask("suction_alone", {**alone, Role.MOTOR_AMPS: share(-0.2)}) is ABSENT
    assert ask("suction_alone", {**alone, Role.DISCHARGE_TEMPERATURE: drift(8.0)}) is ABSENT
    water = (Role.CHILLED_WATER_ENTERING, Role.DISCHARGE_TEMPERATURE)
    assert ask("suction_alone", alone, water) is CANNOT_TELL


@pytest.mark.parametrize("seed", range(5))
def test_a_healthy_machine_has_nothing_to_ask(seed: int) -> None:
    for name in ("discharge_temperature_alone", "high_side_alone", "suction_alone"):
        assert only(DETECTORS[f"sensors.{name}"](made(seed=seed))).outcome is CANNOT_TELL


def spoken(subject: Subject, text: str) -> Subject:
    line = LogLine(
        time_ns=subject.record.failure_ns,
        point="C1 TRIP",
        value="ALARM",
        text=text,
        source="alarms.csv",
        clock="controller",
        row=9,
    )
    return replace(subject, record=replace(subject.record, log=(line,)))


@pytest.mark.parametrize(("second", "outcome"), [(None, PRESENT), (drift(300.0), ABSENT)])
def test_a_trip_on_a_reading_that_drifted_alone_is_not_borne_out(second: Change | None, outcome: Outcome) -> None:
    changes = {Role.CONDENSER_PRESSURE: drift(300.0)}
    if second is not None:
        changes[Role.DISCHARGE_PRESSURE] = second
    one = spoken(made(changes), "High condensing pressure")
    found = only(DETECTORS["sensors.trip_text_unsupported"](one))
    assert found.outcome is outcome
    assert ("alone among what must move with it" in found.statement) is (outcome is PRESENT)


@pytest.mark.parametrize(("offset", "outcome"), [(0.0, ABSENT), (-80.0, PRESENT), (160.0, PRESENT), (60.0, ABSENT)])
def test_pressures_apart_since_the_failure(offset: float, outcome: Outcome) -> None:
    """The machine fails half an hour before the record ends; what drifted before it stands apart at that rest."""
    fails_s = LAST_S - 1800.0

    def ends(t: Floats, v: Floats) -> Floats:
        return np.where(t > fails_s, 0.0, v)

    def rests(by: float) -> Change:
        return lambda t, v: np.where(t > fails_s + 60.0, 500.0 + by, v)

    changes: dict[Role, Change] = {
        Role.MOTOR_AMPS: ends,
        Role.SUCTION_PRESSURE: rests(0.0),
        Role.DISCHARGE_PRESSURE: rests(offset),
    }
    subject = made(changes, without=(Role.OIL_PRESSURE,), failure_s=fails_s)
    last = subject.runs[-1]
    end_ns = subject.record.failure_ns
    assert last.end is not None
    edge = replace(last.end, earliest_ns=end_ns, latest_ns=end_ns + NS)
    subject = replace(subject, runs=(*subject.runs[:-1], replace(last, end=edge, last_ns=end_ns)))
    assert only(DETECTORS["sensors.disagree_at_rest"](subject)).outcome is outcome
