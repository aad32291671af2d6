"""Silence of a whole source: what a log of changes wrote last is believed no longer than its source speaks."""

from __future__ import annotations

import numpy as np
import pytest

from forensics.machine.runs import find_runs
from forensics.model.points import NS, OFF, ON, UNKNOWN, Origin, Samples, Span
from forensics.model.record import Record
from forensics.model.silence import silences, with_silences
from forensics.model.switches import Switch
from forensics.model.vocabulary import Recorded, Role

EPOCH = 1_900_000_000 * NS
GAP = (4000.0, 7000.0)


def _record(gap: tuple[float, float] | None = GAP, recorded: Recorded = Recorded.CHANGE) -> Record:
    """A source that writes pressures every few seconds, a current and a command on change; it falls silent once."""
    origin = Origin("cov.csv", "x", "controller", recorded)

    def times(seconds: np.ndarray) -> np.ndarray:
        kept = seconds if gap is None else seconds[(seconds <= gap[0]) | (seconds >= gap[1])]
        return EPOCH + np.round(kept * NS).astype(np.int64)

    rng = np.random.default_rng(3)
    often = times(np.cumsum(rng.uniform(1.0, 9.0, 2000)))
    pressure = Samples(
        Role.SUCTION_PRESSURE, origin, often, rng.normal(400, 5, len(often)), np.zeros(len(often), np.uint16),
        np.arange(len(often)),
    )  # fmt: skip
    amps_t = times(np.array([0.0, 1000.0, 2000.0, 3000.0, 8000.0, 9000.0]))
    amps_v = np.array([0.0, 100.0, 0.0, 100.0, 0.0, 100.0])[: len(amps_t)]
    amps = Samples(Role.MOTOR_AMPS, origin, amps_t, amps_v, np.zeros(len(amps_t), np.uint16), np.arange(len(amps_t)))
    load_t = times(np.array([0.0, 3500.0, 7500.0]))
    load = Switch(
        Role.LOAD_SOLENOID, origin, load_t, np.array([OFF, ON, OFF], np.int8)[: len(load_t)], np.arange(len(load_t))
    )
    window = Span(EPOCH, EPOCH + 10_000 * NS)
    points = {Role.SUCTION_PRESSURE: (pressure,), Role.MOTOR_AMPS: (amps,)}
    return Record(
        samples=points,
        switches={Role.LOAD_SOLENOID: (load,)},
        waveforms=(),
        log=(),
        failure_ns=window.end_ns,
        window=window,
        history=window,
    )


def _cut(record: Record) -> Record:
    return with_silences(record, least_s=600.0, times_usual=10.0)


def test_the_gap_of_all_points_is_a_silence_and_that_of_one_is_none() -> None:
    record = _record()
    every = [record.samples[Role.SUCTION_PRESSURE][0], record.samples[Role.MOTOR_AMPS][0]]
    ((begin, end),) = silences(every, least_s=600.0, times_usual=10.0)
    assert (begin - EPOCH) / NS == pytest.approx(GAP[0], abs=10.0)
    assert (end - EPOCH) / NS == pytest.approx(GAP[1], abs=10.0)
    assert silences(every[1:], least_s=600.0, times_usual=10.0) == ()


def test_a_command_is_unknown_from_the_silence_to_its_next_row() -> None:
    load = _cut(_record()).switches[Role.LOAD_SOLENOID][0]
    at = {s: load.at(EPOCH + round(s * NS)) for s in (3600.0, 5000.0, 7200.0, 8000.0)}
    assert at == {3600.0: ON, 5000.0: UNKNOWN, 7200.0: UNKNOWN, 8000.0: OFF}
    assert load.on_spans[0].seconds == pytest.approx(GAP[0] - 3500.0, abs=12.0)
    (off,) = [e for e in load.edges if e.to == OFF]
    assert off.width_s == pytest.approx(7500.0 - GAP[0], abs=12.0)


def test_a_reading_is_not_held_through_it() -> None:
    amps = _cut(_record()).samples[Role.MOTOR_AMPS][0]
    values = amps.at(EPOCH + np.array([3500, 5000, 7900, 8500], dtype=np.int64) * NS)
    assert np.array_equal(values, [100.0, np.nan, np.nan, 0.0], equal_nan=True)


def test_an_edge_behind_a_silence_is_as_wide_as_it() -> None:
    """The current may have ended at any moment of the silence, not at the row that says so."""
    ends = [run.end for run in find_runs(_cut(_record()), rated_load_amps=100.0) if run.end is not None]
    assert ends[0].width_s < 2.0
    assert ends[1].width_s > 3000.0
    exact = [run.end for run in find_runs(_record(None), rated_load_amps=100.0) if run.end is not None]
    assert all(end.width_s < 2.0 for end in exact)


def test_without_a_silence_and_for_periodic_logs_nothing_changes() -> None:
    whole = _record(None)
    assert _cut(whole) is whole
    periodic = _cut(_record(recorded=Recorded.INSTANT))
    assert len(periodic.switches[Role.LOAD_SOLENOID][0]) == 3


def test_what_is_picked_of_a_point_keeps_its_silence() -> None:
    """Readings that are trusted, or lie in a window, are held no longer than those of the whole log."""
    amps = _cut(_record()).samples[Role.MOTOR_AMPS][0]
    at = EPOCH + np.array([3500, 5000, 7900, 8500], dtype=np.int64) * NS
    whole = amps.at(at)
    assert np.isnan(whole[1:3]).all()
    for part in (amps.trusted, amps.usable, amps.between(EPOCH, EPOCH + 9500 * NS), amps.shifted(NS).shifted(-NS)):
        assert np.array_equal(part.at(at), whole, equal_nan=True)
    assert amps.trusted.before(int(at[1])) is None
