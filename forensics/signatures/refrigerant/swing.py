"""A swing in a stretch of equal steps: one line of the spectrum, with what goes along with it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forensics.machine.duty.baseline import Floats
from forensics.model.vocabulary import Role


@dataclass(frozen=True, slots=True)
class Swing:
    """One oscillation in one stretch: its period (s), amplitudes and the phase by which the valve leads (degrees).

    ``slide`` (%) and ``amps`` (A) are NaN where they are not logged.
    """

    start_ns: int
    end_ns: int
    period_s: float
    amplitude: float
    slide: float
    amps: float
    valve: float
    valve_leads_deg: float


def swing_of(
    t: np.ndarray[tuple[int], np.dtype[np.int64]],
    lead: Floats,
    data: dict[Role, Floats],
    step_s: float,
    periods_s: tuple[float, float],
    least_share: float,
) -> Swing | None:
    """The swing of a stretch of equal steps: one line that holds ``least_share`` of the power; None where none does."""
    n = len(lead)
    frequency = np.fft.rfftfreq(n, step_s)
    band = (frequency >= 1.0 / periods_s[1]) & (frequency <= 1.0 / periods_s[0])
    if not band.any():
        return None
    spectrum = spectrum_of(lead)
    power = np.abs(spectrum) ** 2
    total = float(power[1:].sum())
    if total <= 0.0:
        return None
    peak = int(np.argmax(np.where(band, power, -1.0)))
    near = slice(max(peak - 2, 1), peak + 3)
    if float(power[near].sum()) / total < least_share:
        return None

    def amplitude(part: Floats) -> float:
        # a Hann window spreads a line's power over three bins; its incoherent gain is 3/8
        return float(np.sqrt(4.0 * np.sum(np.abs(spectrum_of(part)[near]) ** 2) / (n * n * 0.375)))

    def along(role: Role) -> float:
        part = data.get(role)
        return amplitude(part) if part is not None and np.all(np.isfinite(part)) else float("nan")

    valve = data.get(Role.EXPANSION_VALVE_POSITION)
    phase = float("nan")
    if valve is not None and np.all(np.isfinite(valve)):
        # opening the valve lowers superheat: its lead is counted to the fall
        phase = float(np.degrees(np.angle(spectrum_of(valve)[peak] * np.conj(-spectrum[peak]))))
    return Swing(
        start_ns=int(t[0]),
        end_ns=int(t[-1]),
        period_s=1.0 / float(frequency[peak]),
        amplitude=amplitude(lead),
        slide=along(Role.SLIDE_POSITION),
        amps=along(Role.MOTOR_AMPS),
        valve=amplitude(valve) if valve is not None and np.all(np.isfinite(valve)) else 0.0,
        valve_leads_deg=phase,
    )


def spectrum_of(values: Floats) -> np.ndarray[tuple[int], np.dtype[np.complex128]]:
    """Spectrum of values at equal steps, their straight line taken off, through a Hann window."""
    n = len(values)
    x = np.arange(n) - (n - 1) / 2.0
    centred = values - values.mean()
    trend = float(x @ centred) / float(x @ x)
    return np.asarray(np.fft.rfft((centred - trend * x) * np.hanning(n)))
