"""The motor: amps and volts from torque, and how it comes up to speed by starter."""

from __future__ import annotations

import math

from .builds import Build

STARTER_CURRENT = {
    "across-the-line": 1.0,
    "star-delta": 1.0 / 3.0,
    "star-delta-closed": 1.0 / 3.0,
    "part-winding": 0.6,
    "autotransformer": 0.42,
    "soft-start": 0.48,
    "variable-speed": 0.17,
}
"""Share of the across-the-line current and torque while the starter reduces them: star a third (textbook)."""
REDUCED_S = {
    "across-the-line": 0.0,
    "part-winding": 1.0,
    "soft-start": 5.0,
    "variable-speed": 8.0,
    "autotransformer": 4.0,
}
_SLIP_AT_PEAK = 0.2
_PEAK_TORQUE = 2.7


def reduced_s(starter: str) -> float:
    """Seconds until the starter gives the full voltage."""
    return REDUCED_S.get(starter, 5.0)


def running_amps_pu(build: Build, load_pu: float, volts_pu: float) -> float:
    """Amps over rated amps at a torque over rated torque: magnetising part at right angles to the load part."""
    volts = max(volts_pu, 0.3)
    useful = math.sqrt(1.0 - build.no_load_ratio**2) * max(load_pu, 0.0) / volts
    return math.hypot(build.no_load_ratio * volts, useful)


def drive_amps_pu(build: Build, load_pu: float, speed_pu: float) -> float:
    """Line-side amps of a drive over rated amps: they follow power, the drive supplies the magnetising part."""
    return 0.03 + 0.92 * max(load_pu, 0.0) * speed_pu


def slip_amps_pu(build: Build, slip: float, share: float, volts_pu: float) -> float:
    """Amps in run-up at a slip, over rated amps."""
    return build.locked_rotor_ratio * share * volts_pu * slip / math.sqrt(slip * slip + 0.03)


def pull_nm(build: Build, slip: float, share: float, volts_pu: float) -> float:
    """Torque in run-up at a slip (Kloss' formula with a peak of 2.7 at 0.2), N m."""
    slip = max(slip, 1e-3)
    shape = 2.0 * _PEAK_TORQUE / (slip / _SLIP_AT_PEAK + _SLIP_AT_PEAK / slip)
    return build.rated_torque_nm * shape * share * volts_pu**2
