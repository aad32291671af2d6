"""Effective values over one cycle, and where the three cycles of raw samples are taken."""

from __future__ import annotations

import numpy as np
import pytest

from forensics.model.record import Waveform
from forensics.model.vocabulary import Role
from forensics.report.figures.waveforms import rms_over_cycle, waveform_plate, zoom_span
from forensics.report.words.units import ReportTime

HERTZ, STEP_S = 50.0, 0.001


def record(values: np.ndarray) -> Waveform:
    return Waveform(
        source="w.cfg",
        clock="recorder",
        start_ns=1_930_000_000 * 10**9,
        time_s=np.arange(len(values)) * STEP_S,
        analog={Role.VOLTS_AB: values},
        status={},
        trigger_s=None,
        line_hertz=HERTZ,
    )


def sine(seconds: float, amplitude: float = 650.0) -> np.ndarray:
    t = np.arange(round(seconds / STEP_S)) * STEP_S
    return amplitude * np.sin(2 * np.pi * HERTZ * t)


def test_the_effective_value_of_a_sine_is_its_amplitude_over_root_two() -> None:
    """Definition of the root mean square (IEC 60050-103-02-03, from memory)."""
    rms = rms_over_cycle(sine(0.5), 20)
    assert np.isnan(rms[:19]).all()
    assert rms[19:] == pytest.approx(650.0 / np.sqrt(2.0), rel=1e-9)


def test_a_gap_makes_no_effective_value() -> None:
    values = sine(0.5)
    values[100] = np.nan
    rms = rms_over_cycle(values, 20)
    assert np.isnan(rms[100:120]).all()
    assert np.isfinite(rms[120:]).all()


def test_fewer_samples_than_a_cycle_make_none() -> None:
    assert np.isnan(rms_over_cycle(np.ones(5), 20)).all()


@pytest.mark.parametrize("at_s", [0.2, 0.7])
def test_the_zoom_holds_the_largest_change(at_s: float) -> None:
    values = sine(1.0)
    values[np.arange(len(values)) * STEP_S >= at_s] *= 0.1
    low, high = zoom_span(record(values))
    assert low <= at_s <= high
    assert high - low == pytest.approx(3.0 / HERTZ, abs=2 * STEP_S)


@pytest.mark.parametrize("aligned", [True, False])
def test_the_caption_says_whose_time_it_is(aligned: bool) -> None:
    plate = waveform_plate(record(sine(1.0)), 1, ReportTime("UTC", 0), aligned=aligned)
    assert ("by the reference clock" in plate.caption) is aligned
    assert ("could not be aligned" in plate.caption) is not aligned
