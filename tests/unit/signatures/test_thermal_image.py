"""Thermal image: the base it is held against, and the heating by negative sequence."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.record import LogLine
from forensics.model.vocabulary import Outcome, Role
from forensics.signatures.heat.motor import thermal_capacity_used

from .running_machine import Change, made, only
from .test_oil_refrigerant_heat import to

PRESENT, ABSENT, CANNOT_TELL = Outcome.PRESENT, Outcome.ABSENT, Outcome.CANNOT_TELL
THREE = (Role.AMPS_A, Role.AMPS_B, Role.AMPS_C)


def ask(subject: Subject, **plate: float) -> Finding:
    return only(thermal_capacity_used(replace(subject, machine=subject.machine.model_copy(update=plate))))


@pytest.mark.parametrize(
    ("plate", "outcome"),
    [
        # 125 % of rated-load amps for an hour: what it means depends on what the motor may draw
        ({}, CANNOT_TELL),
        ({"overload_setting_amps": 140.0}, ABSENT),
        ({"overload_setting_amps": 105.0}, PRESENT),
        ({"max_continuous_amps": 150.0, "overload_setting_amps": 105.0}, ABSENT),
    ],
)
def test_the_base_is_the_setting_and_not_the_rated_load_amps(plate: dict[str, float], outcome: Outcome) -> None:
    found = ask(made({Role.MOTOR_AMPS: to(125.0, 7200.0)}), **plate)
    assert found.outcome is outcome
    assert found.low <= found.value <= found.high


def test_what_the_protection_says_is_a_second_witness() -> None:
    subject = made({Role.MOTOR_AMPS: to(125.0, 7200.0)})
    line = LogLine(
        time_ns=subject.record.failure_ns,
        point="C1 TRIP",
        value="ALARM",
        text="MOTOR OVERLOAD",
        source="alarms.csv",
        clock="controller",
        row=9,
    )
    assert ask(replace(subject, record=replace(subject.record, log=(line,)))).outcome is PRESENT


def test_unbalance_heats_more_than_the_mean_says() -> None:
    """Lines of 1 : 1 : 0 have equal sequences, I_1 = I_2 (symmetrical components): I_eq^2 = (1 + q) I^2 of the mean."""

    def phases(*levels: float) -> dict[Role, Change]:
        return {role: to(level, 7200.0) for role, level in zip(THREE, levels, strict=True)}

    even = ask(made({Role.MOTOR_AMPS: to(90.0, 7200.0)} | phases(90.0, 90.0, 90.0)), overload_setting_amps=100.0)
    uneven = ask(made({Role.MOTOR_AMPS: to(90.0, 7200.0)} | phases(110.0, 110.0, 50.0)), overload_setting_amps=100.0)
    assert even.outcome is ABSENT
    assert np.isfinite(uneven.value)
    assert uneven.value > 1.2 * even.value
    assert uneven.outcome is not ABSENT
