"""What is told of a stop where suction is no absolute pressure. The numbers are invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from signatures.machine import Cycle, Drawn, draw, subject_of

from forensics.machine.stops.bypass_release import collapse
from forensics.machine.stops.rotor_pressure import Difference
from forensics.model.vocabulary import Outcome, Role


@pytest.mark.parametrize("suction_kpa", [0.0, -20.0, float("nan")])
def test_suction_that_is_no_pressure_before_a_stop_gives_no_ratio(suction_kpa: float) -> None:
    record = draw(Drawn([Cycle(900.0 + 4000 * i, 2000.0 + 4000 * i) for i in range(3)], 11_000.0))
    sound = subject_of(record)
    (point,) = record.samples[Role.SUCTION_PRESSURE]
    v = point.v.copy()
    for run in sound.runs:
        v[np.abs(point.t - run.last_ns) < 200 * 10**9] = suction_kpa
    bad = replace(record, samples={**record.samples, Role.SUCTION_PRESSURE: (replace(point, v=v),)})
    subject = subject_of(bad)
    assert len(subject.stops) == len(sound.stops) == 3
    assert {stop.reverse_rotation for stop in subject.stops} == {Outcome.CANNOT_TELL}


@pytest.mark.parametrize(("suction_kpa", "known"), [(400.0, True), (0.0, False), (-20.0, False), (float("nan"), False)])
def test_the_ratio_across_the_rotors_needs_an_absolute_suction(suction_kpa: float, known: bool) -> None:
    record = draw(Drawn([Cycle(900.0, 2000.0)], 3000.0))
    subject = subject_of(record)
    (run,) = subject.runs
    (upper,) = record.samples[Role.DISCHARGE_PRESSURE]
    (lower,) = record.samples[Role.SUCTION_PRESSURE]
    other = replace(lower, v=np.full(len(lower.v), suction_kpa))
    rotors = Difference(upper, other, upper.t, upper.v - 400.0, upper.interval_s)
    course = collapse(subject, run, None, run.last_ns + 600 * 10**9, rotors)
    assert course is not None
    assert np.isfinite(course.pressure_ratio) == known
