"""What the nameplate of a made motor stands for: speed of the field, shaft power, torque."""

from __future__ import annotations

import math


class RatedMotor:
    """What follows from rated line current, line-to-line voltage and frequency (A, V, Hz)."""

    __slots__ = ()
    rated_amps: float
    volts: float
    hertz: float

    @property
    def synchronous_rpm(self) -> float:
        """Speed of a two-pole field at rated frequency."""
        return 60.0 * self.hertz

    @property
    def shaft_kw(self) -> float:
        """Shaft power at rated amps (power factor times efficiency taken as 0.82)."""
        return math.sqrt(3.0) * self.volts * self.rated_amps * 0.82e-3

    @property
    def rated_torque_nm(self) -> float:
        """Torque at rated amps and rated slip."""
        return self.shaft_kw * 1e3 / (self.synchronous_rpm / 60.0 * math.tau * 0.985)
