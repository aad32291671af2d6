"""How pressure and temperature belong together at saturation, for the demonstration machine."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

_KELVIN = 273.15


@dataclass(frozen=True, slots=True)
class Saturation:
    """A saturation line ``ln(p) = a - b / (t + c)`` (Antoine's form).

    Attributes
    ----------
    a, b_k, c_k
        Coefficients: p in kPa absolute, t in degC.
    gas_constant_kj_kg_k
        Specific gas constant of the vapour times its compressibility at 5 degC.
    isentropic_superheat_k
        Superheat after isentropic compression of saturated vapour from 5 to 40 degC saturation.
    """

    a: float
    b_k: float
    c_k: float
    gas_constant_kj_kg_k: float
    isentropic_superheat_k: float

    def pressure_kpa(self, temperature_c: float) -> float:
        """Saturation pressure, kPa absolute."""
        return math.exp(self.a - self.b_k / (temperature_c + self.c_k))

    def temperature_c(self, pressure_kpa: float) -> float:
        """Saturation temperature, degC, of an absolute pressure above zero."""
        return self.b_k / (self.a - math.log(pressure_kpa)) - self.c_k


def property_library() -> Callable[..., float]:
    """The function of the property library that machines are made with.

    Raises
    ------
    ValueError
        The library is not installed; the message names the extra that brings it.
    """
    try:
        from CoolProp.CoolProp import PropsSI
    except ImportError:
        raise ValueError(
            "machines are made with a property library, which is not installed: "
            "pip install 'screw-forensics[refrigerants]'"
        ) from None
    return PropsSI


@lru_cache(maxsize=32)
def saturation(refrigerant: str) -> Saturation:
    """Fit a saturation line to a refrigerant of ASHRAE 34.

    Parameters
    ----------
    refrigerant
        Designation as CoolProp knows it, such as ``R134a``.

    Returns
    -------
    Saturation
        Exact at -20, 20 and 65 degC; within 0.3 K between them for the refrigerants tested.

    Raises
    ------
    ValueError
        If the library does not know the refrigerant.
    """
    PropsSI = property_library()
    points_c = (-20.0, 20.0, 65.0)
    try:
        logs = [math.log(PropsSI("P", "T", t + _KELVIN, "Q", 1, refrigerant) / 1e3) for t in points_c]
        density = PropsSI("D", "T", 5.0 + _KELVIN, "Q", 1, refrigerant)
        pressure = PropsSI("P", "T", 5.0 + _KELVIN, "Q", 1, refrigerant) / 1e3
        entropy = PropsSI("S", "T", 5.0 + _KELVIN, "Q", 1, refrigerant)
        high = PropsSI("P", "T", 40.0 + _KELVIN, "Q", 1, refrigerant)
        hot = PropsSI("T", "P", high, "S", entropy, refrigerant) - PropsSI("T", "P", high, "Q", 1, refrigerant)
    except ValueError as error:
        raise ValueError(f"no saturation data for refrigerant '{refrigerant}': use an ASHRAE 34 designation") from error
    (y0, y1, y2), (t0, t1, t2) = logs, points_c
    # y (t + c) = a (t + c) - b at three temperatures: eliminate a and b, then c follows
    s01, s12 = (y1 - y0) / (t1 - t0), (y2 - y1) / (t2 - t1)
    c = (s12 * t2 - s01 * t0) / (s01 - s12)
    b = s01 * (t0 + c) * (t1 + c)
    a = y0 + b / (t0 + c)
    return Saturation(a, b, c, pressure / (density * (5.0 + _KELVIN)), max(hot, 2.0))
