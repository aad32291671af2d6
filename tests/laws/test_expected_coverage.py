"""How often the interval of a deviation holds what is true, on an invented machine that wanders and differs by run.

Nothing is wrong with the machine, so that the true deviation is nil. Its points wander with time constants of minutes
and every run lies a little apart, which no duty explains: an interval that takes readings as independent covers half.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pytest

from forensics.machine.duty.baseline import derived_of, duty_of, frame_of
from forensics.machine.duty.expected import Terms, expected_of
from forensics.model.vocabulary import Role
from tests.unit.signatures.running_machine import made, wanders

# quantity: the effect that its limit calls a fault
EFFECTS = {
    "discharge temperature, K": 8.0,
    "subcooling, K": 3.0,
    "condensing temperature, K": 5.0,
    "evaporator approach, K": 2.5,
    "oil difference, ln": 0.4,
}


@dataclass
class Seen:
    inside: list[bool] = field(default_factory=list)
    half: list[float] = field(default_factory=list)


def looked(seed: int, interval_s: float) -> dict[str, list[tuple[bool, float]]]:
    """For each quantity, over the last 1, 5 and 30 minutes: whether the interval holds nil, and its half-width."""
    subject = made(wanders(seed), interval_s=interval_s, seed=seed + 100)
    frame = frame_of(subject)
    derived = derived_of(subject, frame)
    difference = frame.values[Role.OIL_PRESSURE] - frame.values[Role.SUCTION_PRESSURE]
    readings = {
        "discharge temperature, K": (frame.values[Role.DISCHARGE_TEMPERATURE], True),
        "subcooling, K": (derived.subcooling_k, True),
        "condensing temperature, K": (derived.condensing_dew_c, False),
        "evaporator approach, K": (frame.values[Role.CHILLED_WATER_LEAVING] - derived.suction_dew_c, False),
        "oil difference, ln": (np.log(np.maximum(difference, 1.0)), True),
    }
    out: dict[str, list[tuple[bool, float]]] = {}
    for name, (reading, lift) in readings.items():
        duties = duty_of(subject, frame, lift=lift)
        found = expected_of(subject, frame, reading, duties, Terms(EFFECTS[name], interval_s))
        settled = np.flatnonzero(found.blocks.all_of(frame.settled))
        for count in (1, 5, 30):
            chosen = np.zeros(len(found.blocks.t), dtype=bool)
            chosen[settled[-count:]] = True
            estimate = found.over(chosen)
            assert estimate is not None
            out.setdefault(name, []).append((estimate.low <= 0.0 <= estimate.high, estimate.half_width))
    return out


@pytest.mark.slow
@pytest.mark.parametrize("interval_s", [1.0, 10.0, 60.0])
def test_intervals_hold_what_is_true(interval_s: float) -> None:
    seen = {name: Seen() for name in EFFECTS}
    for seed in range(40):
        for name, answers in looked(seed, interval_s).items():
            seen[name].inside += [inside for inside, _ in answers]
            seen[name].half += [half for _, half in answers]
    every = [inside for one in seen.values() for inside in one.inside]
    print(f"\nsamples every {interval_s:g} s: {len(every)} estimates, {np.mean(every):.3f} hold what is true")
    for name, one in seen.items():
        half = float(np.median(one.half))
        print(f"  {name:28s} {np.mean(one.inside):.3f}  half-width {half:.3g}, fault from {EFFECTS[name]:g}")
        assert half <= EFFECTS[name] / 2.0 or (name == "subcooling, K" and half <= EFFECTS[name])
    assert len(every) >= 400
    assert 0.93 <= float(np.mean(every)) <= 0.99


def test_a_few_machines_at_ten_seconds_lie_inside() -> None:
    answers = [inside for seed in range(3) for many in looked(seed, 10.0).values() for inside, _ in many]
    assert sum(answers) >= len(answers) - 4
