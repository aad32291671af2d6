"""Residual voltage: neighbours that induce anything are no reversal, and true reversals are found. Made records."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from signatures.made_waveforms import VOLTS, coast_down, record, seconds, three

from forensics.electrics.residual_voltage import residual_direction
from forensics.model.record import Waveform
from forensics.model.vocabulary import Outcome
from forensics.rules import read_limits

LIMITS = read_limits()
PER_S = 1920.0


def with_neighbour(base: Waveform, rng: np.random.Generator) -> Waveform:
    """A record with 1 to 5 V of a neighbour's drive at 5 to 55 Hz, constant or drifting, of either sequence."""
    t = base.time_s / base.time_s[-1]
    drifts = rng.random() < 0.5
    hertz = rng.uniform(5.0, 55.0) + t * 0.0
    volts = rng.uniform(1.0, 5.0) + t * 0.0
    if drifts:
        hertz = np.clip(hertz[0] + t * rng.uniform(-30.0, 30.0), 5.0, 55.0)
        volts = np.clip(volts[0] + t * rng.uniform(-3.0, 3.0), 1.0, 5.0)
    order = "ABC" if rng.random() < 0.5 else "ACB"
    angle = 2 * np.pi * np.cumsum(hertz) / PER_S + rng.uniform(0.0, 6.0)
    extra = three(angle, volts, order=order)
    return replace(base, analog={**base.analog, **{r: base.analog[r] + e for r, e in zip(VOLTS, extra, strict=True)}})


def sound_stop(rng: np.random.Generator) -> Waveform:
    """A rotor that comes to rest, or runs on, and does not turn back."""
    if rng.random() < 0.3:
        return coast_down(zero_s=rng.uniform(8.0, 40.0), reverse_hertz=0.0, remanence=0.0, tau_s=rng.uniform(0.3, 1.5))
    return coast_down(
        zero_s=rng.uniform(1.0, 6.0), reverse_hertz=0.0, remanence=rng.uniform(0.0, 0.01), tau_s=rng.uniform(0.3, 1.5)
    )


def true_reversal(rng: np.random.Generator) -> Waveform:
    """A rotor that stops, gathers speed backwards and stands again; 3 V or more at its fastest."""
    t = seconds(10.0, PER_S)
    zero_s, back_s, peak_hertz = rng.uniform(0.8, 4.0), rng.uniform(1.5, 5.0), rng.uniform(5.0, 30.0)
    after = np.maximum(t - 0.5, 0.0)
    late = after - zero_s
    speed = np.where(late < 0.0, 60.0 * (1 - after / zero_s), 0.0)
    speed = np.where((late >= 0.0) & (late < back_s), -peak_hertz * np.sin(np.pi * late / back_s), speed)
    speed = np.where(t < 0.5, 60.0, speed)
    tau_s = rng.uniform(0.4, 1.5)
    least = rng.uniform(3.0, 12.0) / (460.0 * peak_hertz / 60.0)
    flux = np.maximum(np.exp(-after / tau_s), least)
    angle = 2 * np.pi * np.cumsum(speed) / PER_S
    amps = three(2 * np.pi * 60 * t, np.where(t < 0.5, 100.0, 0.0))
    return record(t, three(angle, 460.0 * flux * np.abs(speed) / 60.0), amps, noise=0.2)


@pytest.mark.parametrize("count", [pytest.param(20, id="20"), pytest.param(200, id="200", marks=pytest.mark.slow)])
def test_no_neighbour_is_a_reversal(count: int) -> None:
    present = 0
    for seed in range(count):
        rng = np.random.default_rng(seed)
        present += residual_direction(with_neighbour(sound_stop(rng), rng), LIMITS).outcome is Outcome.PRESENT
    print(f"\nneighbours of 1 to 5 V called a reversal: {present} of {count}")
    assert present == 0


@pytest.mark.parametrize(
    ("count", "least"), [pytest.param(10, 9, id="10"), pytest.param(50, 45, id="50", marks=pytest.mark.slow)]
)
def test_true_reversals_are_found(count: int, least: int) -> None:
    found = [residual_direction(true_reversal(np.random.default_rng(seed)), LIMITS) for seed in range(count)]
    present = sum(one.outcome is Outcome.PRESENT for one in found)
    print(f"\nreversals of 3 V and more found: {present} of {count}; {sorted({o.why_not for o in found} - {''})}")
    assert present >= least


def test_true_reversals_beside_a_neighbour_are_never_called_absent() -> None:
    for seed in range(10):
        rng = np.random.default_rng(seed)
        found = residual_direction(with_neighbour(true_reversal(rng), rng), LIMITS)
        assert found.outcome is not Outcome.ABSENT


def test_what_turned_that_way_before_is_told() -> None:
    base = coast_down(zero_s=2.0, reverse_hertz=0.0, remanence=0.0)
    extra = three(2 * np.pi * 6.0 * base.time_s, 4.0, order="ACB")
    noisy = replace(base, analog={**base.analog, **{r: base.analog[r] + e for r, e in zip(VOLTS, extra, strict=True)}})
    found = residual_direction(noisy, LIMITS)
    assert found.outcome is Outcome.CANNOT_TELL
    assert "turns the other way" in found.why_not
