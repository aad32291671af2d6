"""Coverage of the intervals of starts and currents, with their median width, by sampling: one table.

Each meter is drawn anew: its ratio error is normal with the stated accuracy as two standard deviations. The shapes are
drawn, so that every true value is known; coverage is held with its 95 % score interval.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "unit"))

from signatures.machine import RATED, Cycle, Drawn, draw, machine, subject_of
from signatures.test_electrical import STOP_S, ask, electric
from signatures.test_electrical import draw as amps_of
from signatures.test_electrical import then as change_then

from forensics.case.schema import CurrentSensor
from forensics.model.vocabulary import Role
from forensics.stats.proportions import wilson

ACCURACY = 2.0
MACHINES, STARTS = 60, 7
LEAST = 0.93


def _told(name: str, step_s: float, inside: list[bool], widths: list[float]) -> None:
    low, high = wilson(sum(inside), len(inside))
    print(
        f"{name:28s} {step_s:4.0f} s  {sum(inside)}/{len(inside)} = {sum(inside) / len(inside):.3f} "
        f"({low:.3f} to {high:.3f})  median width {np.median(widths):.3g}"
    )
    assert high >= LEAST
    assert sum(inside) / len(inside) >= LEAST


@pytest.mark.slow
@pytest.mark.parametrize("step_s", [1.0, 2.0, 5.0, 10.0])
def test_settled_ratio(step_s: float) -> None:
    rng = np.random.default_rng(11)
    cycles = [Cycle(900.0 + 1800.0 * i, 1500.0 + 1800.0 * i) for i in range(STARTS)]
    record = draw(Drawn(cycles, 900.0 + 1800.0 * STARTS, step_s=step_s, slide=False))
    plate = machine(current_sensor=CurrentSensor(ratio_error_percent=ACCURACY))
    point = record.samples[Role.MOTOR_AMPS][0]
    inside, widths = [], []
    for _ in range(MACHINES):
        gain = 1.0 + rng.normal(0.0, ACCURACY / 200.0)
        noisy = point.v * gain + np.where(point.v > 1.0, rng.normal(0.0, 0.005 * RATED, len(point.v)), 0.0)
        drawn = replace(record, samples={**record.samples, Role.MOTOR_AMPS: (replace(point, v=noisy),)})
        for start in subject_of(drawn, plate).starts:
            if start.low is not None and start.high is not None:
                inside.append(start.low <= 0.40 <= start.high)
                widths.append(start.high - start.low)
    assert len(inside) >= 400
    _told("settled over rated amps", step_s, inside, widths)


@pytest.mark.slow
@pytest.mark.parametrize("step_s", [10.0, 60.0])
@pytest.mark.parametrize("check", ["current_unbalance", "overload"])
def test_unbalance_and_overload(check: str, step_s: float) -> None:
    """One phase 15 % above the others, all of them at 1.1 of what the motor may draw, to the stop."""
    rng = np.random.default_rng(12)
    true = {"current_unbalance": 100 * 2 * 15.0 / 315.0, "overload": 1.15 * 1.1}[check]
    inside, widths = [], []
    for _ in range(400):
        gains = 1.0 + rng.normal(0.0, ACCURACY / 200.0, 3)
        changes = {
            role: change_then(amps_of(110.0 * gain, k), 0.0, STOP_S, lambda v, s=share: v * s)
            for k, (role, gain, share) in enumerate(
                zip((Role.AMPS_A, Role.AMPS_B, Role.AMPS_C), gains, (1.15, 1.0, 1.0), strict=True)
            )
        }
        subject = electric(changes, interval_s=step_s, without=(Role.MOTOR_AMPS,))
        subject = replace(subject, machine=subject.machine.model_copy(update={"overload_setting_amps": 100.0}))
        found = ask(subject, check)
        assert found.low is not None
        assert found.high is not None
        inside.append(found.low <= true <= found.high)
        widths.append(found.high - found.low)
    _told(check, step_s, inside, widths)
