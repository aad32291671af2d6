"""Judging a start: amps limit, shaft load, power, voltage, own starts, slide, and a limit given for the machine."""

from __future__ import annotations

from dataclasses import replace

import pytest

from forensics.case.schema import Machine
from forensics.machine.duty.motor_circuit import Interval, MotorLoad, motor_load
from forensics.machine.starts.start_power import Beside, Motor
from forensics.machine.starts.unloaded import (
    BY_AMPS,
    BY_AMPS_AND_LOAD,
    BY_OWN,
    BY_POWER,
    BY_SLIDE,
    UnloadedCriterion,
    UnloadedVerdict,
    judge_starts,
    judge_unloaded,
    shaft_load,
)
from forensics.model.findings import Start
from forensics.model.vocabulary import Answer
from forensics.rules import read_limits

LIMITS = read_limits()
NO_POWER = Beside(no_power="no motor_power")


def circuit(no_load_ratio: float) -> MotorLoad:
    machine = Machine(refrigerant="R134a", rated_load_amps=100.0, no_load_amps=100.0 * no_load_ratio)
    found, _ = motor_load(machine, LIMITS)
    assert found is not None
    return found


def motor(no_load_ratio: float, reached: float = 0.95) -> Motor:
    return Motor(circuit(no_load_ratio), rated_kva=100.0, reached=reached)


def start(ratio: float, width: float = 0.01, source: str = "", slide: float | None = None) -> Start:
    return Start(
        0, 0, 0, ratio=ratio, low=ratio - width, high=ratio + width, ratio_from=source, slide_percent=slide,
        settled_samples=20,
    )  # fmt: skip


def power(no_load_ratio: float, shaft_fraction: float, error: float = 0.03) -> Beside:
    """What a power meter reads at a shaft load."""
    active = circuit(no_load_ratio).circuits[0].active_ratio(shaft_fraction)
    return Beside(Interval(active, active * (1 - error), active * (1 + error)))


def judged(one: Start, no_load: float | None, beside: Beside = NO_POWER, **changes: object) -> UnloadedVerdict:
    standard = UnloadedCriterion(LIMITS, None, motor(no_load) if no_load else Motor())
    return judge_unloaded(one, replace(standard, **changes), beside)


def test_without_no_load_amps_the_ratio_decides() -> None:
    assert judged(start(0.40), None) == UnloadedVerdict(Answer.YES, BY_AMPS)
    assert judged(start(0.54), None) == UnloadedVerdict(Answer.NO, BY_AMPS)
    straddles = judged(start(0.50), None)
    assert straddles.answer is Answer.CANNOT_TELL
    assert "straddles 0.5" in straddles.why


@pytest.mark.parametrize(
    ("no_load", "ratio", "answer"),
    [
        (0.33, 0.40, Answer.YES),
        (0.33, 0.60, Answer.NO),
        (0.44, 0.46, Answer.YES),
        (0.44, 0.54, Answer.CANNOT_TELL),  # above the amps limit, yet less shaft load than the limit stands for
        (0.44, 0.70, Answer.NO),
        (0.25, 0.40, Answer.YES),
        (0.25, 0.48, Answer.CANNOT_TELL),  # below the amps limit, yet more shaft load than it stands for
        (0.25, 0.60, Answer.NO),
    ],
)
def test_where_amps_limit_and_shaft_load_disagree_it_cannot_tell(no_load: float, ratio: float, answer: Answer) -> None:
    found = judged(start(ratio), no_load)
    assert found.answer is answer
    if answer is Answer.CANNOT_TELL:
        assert "amps mislead" in found.why
        assert "no motor_power" in found.why
    else:
        assert found.by == BY_AMPS_AND_LOAD


@pytest.mark.parametrize(
    ("no_load", "ratio", "shaft", "answer"),
    [
        (0.44, 0.54, 0.30, Answer.YES),
        (0.44, 0.54, 0.60, Answer.NO),
        (0.25, 0.48, 0.55, Answer.NO),
        (0.25, 0.48, 0.30, Answer.YES),
        (0.44, 0.54, 0.41, Answer.CANNOT_TELL),
    ],
)
def test_power_decides_between_the_two(no_load: float, ratio: float, shaft: float, answer: Answer) -> None:
    found = judged(start(ratio), no_load, power(no_load, shaft))
    assert found.answer is answer
    assert found.by == (BY_POWER if answer is not Answer.CANNOT_TELL else "")
    assert "motor power was" in found.why
    assert "amps mislead" in found.why


def test_power_that_contradicts_clear_amps_leaves_it_open() -> None:
    found = judged(start(0.40), 0.33, power(0.33, 0.80))
    assert found.answer is Answer.CANNOT_TELL
    assert "contradict" in found.why
    assert judged(start(0.40), 0.33, power(0.33, 0.25)) == UnloadedVerdict(Answer.YES, BY_AMPS_AND_LOAD)


def test_a_limit_of_this_machine_stands_over_shaft_load_and_power() -> None:
    given = LIMITS.replaced({"starts.unloaded_ratio_max": (0.55, "data sheet")})
    for beside in (NO_POWER, power(0.25, 0.80)):
        assert judged(start(0.53), 0.25, beside, limits=given) == UnloadedVerdict(Answer.YES, BY_AMPS)
    assert judged(start(0.58), 0.44, power(0.44, 0.10), limits=given) == UnloadedVerdict(Answer.NO, BY_AMPS)


def test_own_starts_come_before_the_limits() -> None:
    assert judged(start(0.44), 0.33, own=0.42) == UnloadedVerdict(Answer.YES, BY_OWN)
    assert judged(start(0.60), 0.33, own=0.40) == UnloadedVerdict(Answer.NO, BY_OWN)


def test_slide_comes_first_and_a_contradiction_stays_open() -> None:
    assert judged(start(0.40, slide=0.0), 0.33) == UnloadedVerdict(Answer.YES, BY_SLIDE)
    contrary = judged(start(0.44, source="motor_power", slide=2.0), 0.33, power(0.33, 0.80))
    assert contrary.answer is Answer.CANNOT_TELL or contrary.by == BY_SLIDE
    far = judged(start(0.80, source="motor_power", slide=2.0), 0.33, power(0.33, 0.80))
    assert far.answer is Answer.CANNOT_TELL
    assert "motor power contradict" in far.why


@pytest.mark.parametrize(("shaft", "answer"), [(0.2, Answer.YES), (0.41, Answer.CANNOT_TELL), (0.7, Answer.NO)])
def test_a_ratio_from_power_is_judged_by_power(shaft: float, answer: Answer) -> None:
    one = start(circuit(0.33).amps_ratio(shaft).value, source="motor_power")
    found = judged(one, 0.33, power(0.33, shaft))
    assert found.answer is answer
    assert "motor power was" in found.why


@pytest.mark.parametrize(
    ("ratio", "volts", "answer"),
    [
        (0.40, 1.00, Answer.YES),
        (0.40, 0.85, Answer.YES),  # even so far from rated it can't reach the limit
        (0.46, 0.95, Answer.YES),
        (0.46, 0.85, Answer.CANNOT_TELL),
        (0.55, 0.85, Answer.CANNOT_TELL),
        (0.70, 0.85, Answer.NO),
        (0.60, 1.15, Answer.CANNOT_TELL),
    ],
)
def test_amps_far_from_rated_voltage_tell_less(ratio: float, volts: float, answer: Answer) -> None:
    found = judged(start(ratio), None, replace(NO_POWER, volts_share=volts))
    assert found.answer is answer
    if answer is Answer.CANNOT_TELL:
        assert f"{volts:.2f} of supply_volts" in found.why


def test_far_from_rated_voltage_power_decides() -> None:
    found = judged(start(0.47), 0.33, replace(power(0.33, 0.2), volts_share=0.85))
    assert found.answer is Answer.YES
    assert found.by == BY_POWER
    assert "supply_volts" in found.why


def _starts(ratios: list[float], beside: Beside, reached: float = 0.95, no_load: float = 0.33) -> list[Start]:
    starts = [start(ratio) for ratio in ratios]
    return list(judge_starts(starts, [beside] * len(starts), motor(no_load, reached), LIMITS))


def test_amps_below_the_no_load_amps_tell_nothing_of_any_start() -> None:
    for one in _starts([0.22, 0.22, 0.23, 0.45], NO_POWER):
        assert one.unloaded is Answer.CANNOT_TELL
        assert "below the motor's no-load amps in 3 of 4 starts" in one.why_not
        assert "no motor_power" in one.why_not


def test_no_load_amps_are_held_with_tolerance_and_low_voltage() -> None:
    assert all(one.unloaded is Answer.YES for one in _starts([0.29, 0.30, 0.31], NO_POWER))


def test_then_power_decides_unless_the_same_sensor_may_read_it_low() -> None:
    loaded, idle = power(0.33, 0.7), power(0.33, 0.2)
    assert {one.unloaded for one in _starts([0.2, 0.2, 0.2], loaded)} == {Answer.NO}
    assert {one.judged_by for one in _starts([0.2, 0.2, 0.2], idle)} == {BY_POWER}
    assert {one.unloaded for one in _starts([0.2, 0.2, 0.2], idle)} == {Answer.YES}
    for one in _starts([0.2, 0.2, 0.2], idle, reached=0.5):
        assert one.unloaded is Answer.CANNOT_TELL
        assert "same sensor" in one.why_not


def test_ratios_from_power_and_from_amps_are_not_mixed() -> None:
    """Three unloaded starts read from amps are no history for one whose ratio comes from power."""
    starts = [*(start(0.38) for _ in range(3)), start(0.45, source="motor_power")]
    beside = [NO_POWER] * 3 + [power(0.33, 0.33)]
    by = [one.judged_by for one in judge_starts(starts, beside, motor(0.33), LIMITS)]
    assert by == [BY_OWN, BY_OWN, BY_OWN, BY_POWER]


def test_shaft_load_of_a_ratio() -> None:
    plain = UnloadedCriterion(LIMITS, None, motor(0.33))
    found = shaft_load(start(0.40), plain, NO_POWER)
    assert found is not None
    assert found.low < 0.247 < found.high
    assert shaft_load(start(0.40), UnloadedCriterion(LIMITS), NO_POWER) is None
    assert shaft_load(start(0.20), plain, NO_POWER) is None
    assert shaft_load(Start(0, 0, 0), plain, NO_POWER) is None


def test_shaft_load_by_power_is_the_narrower() -> None:
    plain = UnloadedCriterion(LIMITS, None, motor(0.33))
    by_amps = shaft_load(start(circuit(0.33).amps_ratio(0.3).value), plain, NO_POWER)
    by_power = shaft_load(start(0.40, source="motor_power"), plain, power(0.33, 0.3))
    misled = shaft_load(start(0.20), replace(plain, misleading="amps are wrong"), power(0.33, 0.3))
    assert by_amps is not None
    assert by_power is not None
    assert by_power == misled
    assert by_power.low < 0.3 < by_power.high
    assert by_power.high - by_power.low < by_amps.high - by_amps.low
    assert shaft_load(start(0.20), replace(plain, misleading="amps are wrong"), NO_POWER) is None
