"""What held commands tell of a path, on drawn slides: the rate over the usual one."""

from __future__ import annotations

import numpy as np
import pytest

from forensics.machine.slide.held import Held, Needs, held_commands
from forensics.machine.slide.windows import Course, Pulses
from forensics.model.points import NS

T0 = 1_900_000_000 * NS
USUAL = (100.0, -150.0)  # %/min, invented
NEEDS = Needs(8.0, 15.0, 1.5, 10.0, {1: True, -1: True})
BY_TIME = {1: True, -1: False}


def drawn(
    *, rate: float, begin_s: float = 300.0, held_s: float = 20.0, level: float = 80.0, every_s: float = 1.0
) -> tuple[Course, tuple[np.ndarray, np.ndarray]]:
    """A slide at a level, in which unload is held once; the motor stops when the command ends."""
    t_s = np.arange(0.0, 600.0, every_s)
    v = np.clip(level + rate / 60.0 * np.clip(t_s - begin_s, 0.0, held_s), 0.0, 100.0)
    t = T0 + (t_s * NS).astype(np.int64)
    whole = np.array([T0]), np.array([T0 + 600 * NS])
    on = (t_s >= begin_s) & (t_s < begin_s + held_s)
    command = Pulses(t[on][:1], t[on][-1:] + round(every_s * NS), every_s, True, whole)
    none = Pulses(t[:0], t[:0], every_s, True, whole)
    spans = np.array([T0]), np.array([T0 + round((begin_s + held_s) * NS)])
    return Course(t, v, every_s, False, *spans, none, command, lag_s=6.0, usual=USUAL), spans


def unload(
    course: Course, spans: tuple[np.ndarray, np.ndarray], needs: Needs = NEEDS, *, stop: bool = True
) -> list[Held]:
    return list(held_commands(course, spans, spans[1] if stop else spans[1][:0], needs)[-1])


@pytest.mark.parametrize("rate", [-150.0, -75.0, 0.0])
def test_the_interval_holds_the_share_that_was_drawn(rate: float) -> None:
    (found,) = unload(*drawn(rate=rate, level=90.0))
    assert found.low <= rate / USUAL[1] <= found.high


def test_a_path_that_moves_nothing_is_told_from_one_that_answers_by_the_fifth_that_the_limit_asks() -> None:
    (dead,), (alive,) = unload(*drawn(rate=0.0)), unload(*drawn(rate=-150.0))
    assert dead.high < 0.2 < alive.low


@pytest.mark.parametrize("rate", [-150.0, -60.0])
def test_the_time_that_a_slide_waits_at_its_end_counts_for_nothing(rate: float) -> None:
    (found,) = unload(*drawn(rate=rate, held_s=90.0, level=60.0))
    assert 0.2 < found.low <= rate / USUAL[1] <= found.high


def test_a_slide_that_creeps_through_a_minute_of_command_does_not_answer() -> None:
    (found,) = unload(*drawn(rate=-12.0, held_s=97.0, level=39.0))
    assert found.high < 0.2


def test_a_short_command_and_one_without_room_tell_nothing() -> None:
    assert unload(*drawn(rate=0.0, held_s=6.0)) == []
    assert unload(*drawn(rate=0.0, level=12.0)) == []


def test_a_command_that_met_its_opposite_tells_nothing() -> None:
    course, spans = drawn(rate=0.0)
    at = np.array([T0 + 305 * NS])
    load = Pulses(at, at + NS, 1.0, True, (np.array([T0]), np.array([T0 + 600 * NS])))
    assert unload(Course(**{**vars(course), "load": load}), spans) == []


def test_samples_too_far_apart_for_pulses_tell_at_a_normal_stop_alone() -> None:
    """Polled in step with its pulses a command of a tenth of the time looks held: it may move a tenth of that."""
    course, spans = drawn(rate=-15.0, held_s=60.0, every_s=5.0)
    assert unload(course, spans, stop=False) == []
    (found,) = unload(course, spans)
    assert found.high > 0.2


def test_a_valve_that_holds_a_position_is_judged_at_a_stop_alone() -> None:
    course, spans = drawn(rate=0.0)
    needs = Needs(8.0, 15.0, 1.5, 10.0, BY_TIME)
    assert unload(course, spans, needs, stop=False) == []
    assert len(unload(course, spans, needs)) == 1


@pytest.mark.parametrize("every_s", [1.0, 2.0, 5.0, 10.0])
def test_coarser_samples_widen_the_interval_and_never_turn_it_round(every_s: float) -> None:
    for rate, dead in ((0.0, True), (-150.0, False)):
        for found in unload(*drawn(rate=rate, held_s=20.0, every_s=every_s)):
            assert not (found.low > 0.2 if dead else found.high < 0.2)
