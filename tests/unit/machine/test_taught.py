"""What teaches like duty: the part before the machine left it. Readings are invented."""

from __future__ import annotations

import numpy as np

from forensics.machine.duty.baseline import cut_blocks
from forensics.machine.duty.frame import AlignedSamples
from forensics.machine.duty.taught import before_it_left
from forensics.model.points import NS, Span
from forensics.stats.surface import Surface, fit_surface

RUNS, BLOCKS = 8, 30
Readings = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]


def readings(*, step_k: float, from_run: int, duty_too: bool = False) -> Readings:
    """Duties in rooms, times in s, runs and readings in K of eight runs of half an hour each."""
    rng = np.random.default_rng(5)
    run = np.repeat(np.arange(RUNS), BLOCKS)
    t_s = 60.0 * np.arange(RUNS * BLOCKS) + 1800.0 * run
    left = run >= from_run
    duty = rng.uniform(-1.0, 1.0, len(run)) + (1.5 if duty_too else 0.0) * left
    value = 20.0 + 1.0 * duty + step_k * left + rng.normal(0.0, 0.2, len(run))
    return duty[:, None], t_s, run, value


def kept(given: Readings) -> set[int]:
    x, t_s, run, value = given

    def taught_by(at: np.ndarray) -> Surface | None:
        return fit_surface(x[at], t_s[at], run[at], value[at], effect=10.0, step=0.0)

    at = before_it_left(np.arange(len(run)), given, np.full(len(run), 60.0), taught_by, far=6.0, least_s=900.0)
    return set(run[at].tolist())


def test_a_machine_that_stays_as_it_was_teaches_with_all_of_it() -> None:
    assert kept(readings(step_k=0.0, from_run=5)) == set(range(RUNS))


def test_running_after_a_step_teaches_nothing_also_where_the_duty_changed_with_it() -> None:
    for duty_too in (False, True):
        assert kept(readings(step_k=18.0, from_run=5, duty_too=duty_too)) == set(range(5))


def test_a_single_run_that_comes_back_is_kept() -> None:
    x, t_s, run, value = readings(step_k=0.0, from_run=5)
    assert kept((x, t_s, run, value + 18.0 * (run == 4))) == set(range(RUNS))


def test_a_step_smaller_than_what_matters_is_kept() -> None:
    assert kept(readings(step_k=3.0, from_run=5)) == set(range(RUNS))


def test_history_that_is_looked_at_each_minute_counts_with_its_minutes() -> None:
    """A block of one sample stands for the minute up to it, not for the step of the window."""
    t = np.arange(0, 3600, 60, dtype=np.int64) * NS
    n = len(t)
    true = np.ones(n, dtype=bool)
    frame = AlignedSamples(
        t=t,
        run=np.zeros(n, dtype=np.int64),
        since_s=t / NS,
        left_s=np.full(n, 1e9),
        settled=true,
        judged=true,
        values={},
        points={},
        spans=(Span(0, 3600 * NS),),
        failing=0,
        step_s=10.0,
    )
    blocks = cut_blocks(frame, 10.0)
    assert abs(float(blocks.seconds.sum()) - 3600.0) <= 60.0
