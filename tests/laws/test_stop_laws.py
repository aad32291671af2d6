"""Thinning a record of stops widens what is told of them and never turns present into absent or back."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "unit"))
from machine.simulated_stops import join, machines, record_of, run_down, subject_of, variant

from forensics.model.record import Record
from forensics.model.vocabulary import Answer, Outcome
from forensics.signatures.core.catalogue import detectors_of

DETECTORS = detectors_of("coastdown")

KINDS = ((0.0, False), (0.0, True), (150.0, False), (150.0, True), (3000.0, False), (3000.0, True))
THINNED = (2, 5, 10, 30)
OPPOSITE = {Outcome.PRESENT: Outcome.ABSENT, Outcome.ABSENT: Outcome.PRESENT}
OTHER_WAY = {Answer.YES: Answer.NO, Answer.NO: Answer.YES}


def thinned(record: Record, factor: int, first: int) -> Record:
    samples = {
        role: tuple(
            replace(p, t=p.t[first::factor], v=p.v[first::factor], q=p.q[first::factor], row=p.row[first::factor])
            for p in points
        )
        for role, points in record.samples.items()
    }
    return replace(record, samples=samples)


@pytest.mark.parametrize("count", [pytest.param(2, id="2"), pytest.param(20, id="20", marks=pytest.mark.slow)])
def test_thinning_turns_no_answer_round(count: int) -> None:
    sound = machines(count, 77)
    course = run_down(join(sound, *(variant(sound, leak_mm2=leak, shut=shut) for leak, shut in KINDS)))
    widths: dict[int, list[float]] = {factor: [] for factor in (1, *THINNED)}
    for place in range(len(KINDS)):
        for machine in range(count):
            row = count * (place + 1) + machine
            whole = record_of([(course, machine)] * 3 + [(course, row)] * 2, 1.0, 1000 * place + machine)
            fine = subject_of(whole)
            told = {check: detector(fine)[0].outcome for check, detector in DETECTORS.items()}
            widths[1] += _widths(fine)
            for factor in THINNED:
                coarse = subject_of(thinned(whole, factor, machine % factor))
                widths[factor] += _widths(coarse)
                for check, detector in DETECTORS.items():
                    (found,) = detector(coarse)
                    assert found.outcome is not OPPOSITE.get(told[check]), (check, factor, KINDS[place], machine)
                if len(coarse.stops) != len(fine.stops):
                    continue
                for one, other in zip(fine.stops, coarse.stops, strict=True):
                    assert other.reverse_rotation is not OPPOSITE.get(one.reverse_rotation), (factor, KINDS[place])
                    assert one.bypass_released is not None
                    assert other.bypass_released is not OTHER_WAY.get(one.bypass_released), (factor, KINDS[place])
    medians = [float(np.median(widths[factor])) for factor in (1, 2, 5) if widths[factor]]
    print(f"\nmedian width of the time to 1/e, thinned by 1, 2, 5: {medians}")
    assert medians == sorted(medians)


def _widths(subject: object) -> list[float]:
    found = [stop.equalisation_s for stop in subject.stops]  # type: ignore[attr-defined]
    return [b.high - b.low for b in found if b is not None and b.low is not None and b.high is not None]
