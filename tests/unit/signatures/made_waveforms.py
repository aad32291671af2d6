"""Made waveform records: a supply, a motor that coasts down, starts, loses a phase."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from forensics.model.record import Waveform
from forensics.model.vocabulary import Role

Floats = NDArray[np.float64]
VOLTS = (Role.VOLTS_AB, Role.VOLTS_BC, Role.VOLTS_CA)
AMPS = (Role.AMPS_A, Role.AMPS_B, Role.AMPS_C)


def seconds(length_s: float = 6.0, per_s: float = 1920.0) -> Floats:
    return np.arange(round(length_s * per_s)) / per_s


def three(angle: Floats, rms: Floats | float, *, order: str = "ABC") -> list[Floats]:
    """Three quantities a third of a turn apart, from an angle in rad and an RMS value."""
    sense = -1.0 if order == "ABC" else 1.0
    return [np.sqrt(2) * rms * np.cos(angle + sense * k * 2 * np.pi / 3) for k in range(3)]


def record(
    t: Floats,
    volts: list[Floats] | None = None,
    amps: list[Floats] | None = None,
    *,
    side: str = "",
    hertz: float = 60.0,
    noise: float = 0.1,
    start_ns: int = 0,
) -> Waveform:
    rng = np.random.default_rng(7)
    analog = {}
    for roles, found in ((VOLTS, volts), (AMPS, amps)):
        for role, values in zip(roles, found or [], strict=False):
            analog[role] = np.asarray(values + rng.normal(0.0, noise, len(t)))
    return Waveform(
        source="stop.cfg",
        clock="recorder",
        start_ns=start_ns,
        time_s=t,
        analog=analog,
        status={},
        trigger_s=0.5,
        line_hertz=hertz,
        measured_at=side,
    )


def coast_down(
    *,
    zero_s: float = 2.5,
    reverse_hertz: float = 18.0,
    remanence: float = 0.012,
    side: str = "",
    cut: str = "",
    tau_s: float = 0.8,
) -> Waveform:
    """460 V until 0.5 s, then a residual voltage whose speed falls to nothing at ``zero_s`` and may turn back.

    ``reverse_hertz`` 0: it stays still. A huge ``zero_s`` is a rotor that keeps turning forward.
    """
    t = seconds(8.0)
    after = np.maximum(t - 0.5, 0.0)
    speed = np.where(after <= zero_s, 60.0 * (1 - after / zero_s), 0.0)
    late = np.maximum(after - zero_s, 0.0)
    speed = np.where(after > zero_s, -reverse_hertz * (1 - np.exp(-late / 0.8)), speed)
    flux = np.maximum(np.exp(-after / tau_s), remanence)
    angle = 2 * np.pi * np.cumsum(speed) / 1920.0
    volts = three(angle, 460.0 * flux * np.abs(speed) / 60.0)
    amps = three(2 * np.pi * 60 * t, np.where(t < 0.5, 100.0, 0.0))
    if cut == "line":
        volts = three(2 * np.pi * 60 * t, 460.0)
    return record(t, volts[:2] if cut == "two" else volts, None if cut == "no amps" else amps, side=side, noise=0.15)


def start(*, order: str = "ABC", stalled: bool = False, breaks: int = 0, rated: float = 100.0) -> Waveform:
    """A start at 0.5 s: inrush six times rated that falls after a second, or does not and is cut off at 6 s."""
    t = seconds(8.0)
    level = np.where(t < 0.5, 0.0, 6.0 * rated)
    level = np.where(t >= 6.0, 0.0, level) if stalled else np.where(t > 1.5, 0.4 * rated, level)
    for k in range(breaks):
        level = np.where((t >= 3.0 + 0.2 * k) & (t < 3.03 + 0.2 * k), 0.0, level)
    amps = three(2 * np.pi * 60 * t - 0.6, level, order=order)
    return record(t, three(2 * np.pi * 60 * t, 460.0, order=order), amps)


def running(*, amps: tuple[complex, complex, complex] | None = None, dip: float | None = None) -> Waveform:
    """Four seconds of running at 100 A; from 1 s on with other current phasors, or with a dip of 0.3 s at 2 s."""
    t = seconds(4.0)
    turn = np.exp(2j * np.pi * 60 * t) * np.sqrt(2)
    sound = [100.0 * np.exp(-2j * np.pi * k / 3) for k in range(3)]
    later = amps or tuple(sound)
    currents = [np.real(turn * np.where(t < 1.0, a, b)) for a, b in zip(sound, later, strict=True)]
    depth = np.where((t >= 2.0) & (t < 2.3), dip if dip is not None else 1.0, 1.0)
    return record(t, three(2 * np.pi * 60 * t, 460.0 * depth), currents)
