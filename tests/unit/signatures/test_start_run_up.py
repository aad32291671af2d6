"""Run-up: what nameplate, starter and supply let expect is told beside how long the inrush lasted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forensics.model.points import NS
from forensics.model.vocabulary import Outcome, Role, Starter
from forensics.rules import read_limits
from forensics.signatures.core.catalogue import detectors_of
from forensics.signatures.starts.run_up import expected_inrush, torque_share
from signatures.machine import EPOCH, draw, healthy, machine, subject_of

DETECTORS = detectors_of("starts")

LIMITS = read_limits()
VOLTS = 460.0


@pytest.mark.parametrize(
    ("starter", "expected"),
    [
        (Starter.ACROSS_THE_LINE, (1200.0, 1200.0)),
        (Starter.STAR_DELTA, (400.0, 1200.0)),
        (Starter.PART_WINDING, (600.0, 1200.0)),
        (Starter.SOFT_START, None),
        (Starter.VARIABLE_SPEED, None),
        (None, None),
    ],
)
def test_expected_inrush(starter: Starter | None, expected: tuple[float, float] | None) -> None:
    found = expected_inrush(machine(starter=starter), LIMITS)
    assert found == (None if expected is None else pytest.approx(expected))
    assert expected_inrush(machine(starter=starter, locked_rotor_amps=None), LIMITS) is None


def _inrush(longer_s: float, volts: float | None):
    record = draw(healthy(6))
    amps = record.samples[Role.MOTOR_AMPS][0]
    since_s = (amps.t - EPOCH) / NS - (900.0 + 1800.0 * 5)
    held = (since_s >= 0.0) & (since_s < longer_s)
    samples = {**record.samples, Role.MOTOR_AMPS: (replace(amps, v=np.where(held, 600.0, amps.v)),)}
    if volts is not None:
        samples[Role.VOLTS_AB] = (replace(amps, role=Role.VOLTS_AB, v=np.full(len(amps.v), volts)),)
    subject = subject_of(replace(record, samples=samples), machine(supply_volts=VOLTS))
    (finding,) = DETECTORS["starts.prolonged_inrush"](subject)
    return finding


def test_a_long_inrush_says_what_the_supply_left_of_the_torque() -> None:
    finding = _inrush(12.0, 0.85 * VOLTS)
    assert finding.outcome is Outcome.PRESENT
    assert "0.85 of its rated voltage meanwhile, which leaves 0.72 of the run-up torque" in finding.statement
    assert "by nameplate and starter it is 400 to 1200 A" in finding.statement
    assert torque_share(0.5) == 0.25


@pytest.mark.parametrize("volts", [None, VOLTS, 0.97 * VOLTS])
def test_a_sound_supply_is_not_blamed(volts: float | None) -> None:
    finding = _inrush(12.0, volts)
    assert finding.outcome is Outcome.PRESENT
    assert "torque" not in finding.statement


def test_a_usual_inrush_is_absent_whatever_the_supply() -> None:
    assert _inrush(0.0, 0.85 * VOLTS).outcome is Outcome.ABSENT
