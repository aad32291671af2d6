"""Thinning keeps what matters: extremes of every bucket, both ends, the neighbours of gaps."""

from __future__ import annotations

import gzip

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forensics.report.figures.downsample import thin

NO_GAPS = np.zeros(0, np.int64)


def _seconds(n: int) -> np.ndarray:
    return np.arange(n, dtype=np.int64) * 1_000_000_000


def test_few_points_are_all_drawn() -> None:
    chosen = thin(_seconds(100), np.arange(100.0), NO_GAPS)
    assert chosen.index.tolist() == list(range(100))
    assert chosen.note == "100 readings, all drawn"


@pytest.mark.parametrize("n", [4001, 4097, 20_000, 86_399])
@pytest.mark.parametrize("peak_at", [1, 13_337, -2, -1])
def test_a_peak_of_one_sample_is_kept_wherever_it_is(n: int, peak_at: int) -> None:
    values = np.full(n, 115.0)
    at = peak_at % n
    values[at] = 412.0
    chosen = thin(_seconds(n), values, NO_GAPS)
    assert at in chosen.index
    assert len(chosen.index) <= 4000
    assert chosen.index[0] == 0
    assert chosen.index[-1] == n - 1


def test_neighbours_of_gaps_are_kept_and_the_line_breaks_there() -> None:
    n = 50_000
    time = _seconds(n)
    time[30_123:] += 3_600_000_000_000
    chosen = thin(time, np.sin(np.arange(n) / 50.0), np.array([30_123]))
    assert {30_122, 30_123} <= set(chosen.index.tolist())
    assert chosen.index[chosen.breaks].tolist() == [30_123]


def test_more_gaps_than_fit_keep_the_widest() -> None:
    n = 30_000
    time = _seconds(n)
    gaps = np.arange(10, n, 10)
    time[gaps[1500] :] += 7_200_000_000_000
    chosen = thin(time, np.random.default_rng(1).normal(size=n), gaps)
    assert len(chosen.index) <= 4000
    assert int(gaps[1500]) in chosen.index[chosen.breaks]


@settings(max_examples=60)
@given(seed=st.integers(0, 10_000), n=st.integers(1, 3000), most=st.integers(40, 400))
def test_whole_range_is_kept_in_at_most_so_many_points(seed: int, n: int, most: int) -> None:
    values = np.random.default_rng(seed).normal(size=n)
    chosen = thin(_seconds(n), values, NO_GAPS, most=most)
    assert len(chosen.index) <= most or len(chosen.index) == n <= most
    assert values[chosen.index].min() == values.min()
    assert values[chosen.index].max() == values.max()
    assert (np.diff(chosen.index) > 0).all()


def test_the_spike_of_the_messy_export_is_drawn(shared) -> None:  # type: ignore[no-untyped-def]
    """Right value: EXPECT.md of folder 59 of the shared messy exports."""
    text = gzip.decompress(
        (shared / "messy/59-page-too-big-or-peak-thinned-away/ch2_spike.csv.gz").read_bytes()
    ).decode()
    values = np.array([float(line.split(",")[1]) for line in text.splitlines()[1:]])
    chosen = thin(_seconds(len(values)), values, NO_GAPS)
    assert len(values) == 20_000
    assert len(chosen.index) <= 4000
    assert 13_337 in chosen.index
    assert values[13_337] == 412.0
    assert values[chosen.index].min() == 115.0
    assert chosen.note == f"20000 readings, drawn as {len(chosen.index)} points, minimum and maximum kept"
