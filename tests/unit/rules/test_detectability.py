"""Chance of catching a short event: min(1, d / T), against arithmetic and a count over all sampling phases."""

from __future__ import annotations

import numpy as np
import pytest

from forensics.model.points import NS, Origin, Samples, Span
from forensics.model.record import Record
from forensics.model.vocabulary import Recorded, Role
from forensics.rules.detectability import chance_of_a_sample, detection_limits, read_short_events


@pytest.mark.parametrize(
    ("length_s", "interval_s", "chance"), [(3, 10, 0.30), (3, 60, 0.05), (3, 300, 0.01), (3, 1, 1.0)]
)
def test_arithmetic(length_s: float, interval_s: float, chance: float) -> None:
    assert chance_of_a_sample(length_s, interval_s) == pytest.approx(chance)


@pytest.mark.parametrize(("length_s", "interval_s"), [(1.5, 10.0), (6.0, 5.0), (6.0, 60.0), (0.2, 1.0)])
def test_same_as_a_count_over_all_phases(length_s: float, interval_s: float) -> None:
    phases = (np.arange(20_000) + 0.5) / 20_000 * interval_s
    caught = np.ceil((0.0 - phases) / interval_s) * interval_s + phases < length_s
    assert chance_of_a_sample(length_s, interval_s) == pytest.approx(float(np.mean(caught)), abs=1e-3)


def _record(interval_s: float, recorded: Recorded = Recorded.INSTANT) -> Record:
    t = (np.arange(100) * interval_s * NS).astype(np.int64)
    v = np.ones(100)
    amps = Samples(Role.MOTOR_AMPS, Origin("a", "b", "c", recorded), t, v, np.zeros(100, np.uint16), np.arange(100))
    span = Span(0, int(t[-1]))
    return Record(
        samples={Role.MOTOR_AMPS: (amps,)},
        switches={},
        waveforms=(),
        log=(),
        failure_ns=int(t[-1]),
        window=span,
        history=span,
    )


def test_the_fastest_point_counts_and_a_missing_one_has_no_chance() -> None:
    found = {row.event.title: row for row in detection_limits(_record(10.0))}
    inrush = next(row for title, row in found.items() if title.startswith("inrush"))
    assert (inrush.role, inrush.interval_s, inrush.chance, inrush.shape) == (Role.MOTOR_AMPS, 10.0, 0.1, False)
    dip = next(row for title, row in found.items() if title.startswith("dip"))
    assert (dip.role, dip.chance) == (None, 0.0)


def test_a_recorded_maximum_proves_presence_without_shape() -> None:
    row = next(r for r in detection_limits(_record(60.0, Recorded.MAXIMUM)) if r.event.title.startswith("inrush"))
    assert (row.chance, row.shape) == (1.0, False)


def test_every_event_names_checks_of_the_catalogue_and_a_source() -> None:
    assert len(read_short_events()) > 8
    assert all(event.source and event.checks for event in read_short_events())
