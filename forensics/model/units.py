"""The unit table: which texts name a unit, and how a reading becomes the canonical unit of its role.

Gauge and absolute are two units; a temperature and a temperature difference are two dimensions.
Factors: The International System of Units (BIPM, 9th edition) and NIST SP 811 appendix B.8
(psi 6.894757 kPa, inHg at 0 degC 3.386389 kPa, kgf/cm2 98.0665 kPa, hp(550 ft lbf/s) 0.7456999 kW).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from forensics.model.vocabulary import ROLE_FACTS, Dimension, Role

STANDARD_ATMOSPHERE_KPA = 101.325


class Datum(StrEnum):
    """What zero of a pressure stands for."""

    ABSOLUTE = "absolute"
    GAUGE = "gauge"
    UNSTATED = "unstated"


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit as it was read: ``canonical = reading * factor + offset``."""

    text: str
    dimension: Dimension
    factor: float
    offset: float = 0.0
    datum: Datum = Datum.UNSTATED
    of_rated_amps: bool = False


_PRESSURE_KPA = {
    "pa": 0.001,
    "kpa": 1.0,
    "mpa": 1000.0,
    "mbar": 0.1,
    "hpa": 0.1,
    "bar": 100.0,
    "psi": 6.894757293168361,
    "inhg": 3.386389,
    "kgf/cm2": 98.0665,
    "kg/cm2": 98.0665,
}
_SIMPLE: dict[str, tuple[Dimension, float, float]] = {
    "a": (Dimension.CURRENT, 1.0, 0.0),
    "amp": (Dimension.CURRENT, 1.0, 0.0),
    "amps": (Dimension.CURRENT, 1.0, 0.0),
    "ma": (Dimension.CURRENT, 0.001, 0.0),
    "ka": (Dimension.CURRENT, 1000.0, 0.0),
    "v": (Dimension.VOLTAGE, 1.0, 0.0),
    "kv": (Dimension.VOLTAGE, 1000.0, 0.0),
    "w": (Dimension.POWER, 0.001, 0.0),
    "kw": (Dimension.POWER, 1.0, 0.0),
    "hp": (Dimension.POWER, 0.745699871582270, 0.0),
    "hz": (Dimension.FREQUENCY, 1.0, 0.0),
    "rpm": (Dimension.SPEED, 1.0, 0.0),
    "1/min": (Dimension.SPEED, 1.0, 0.0),
    "min-1": (Dimension.SPEED, 1.0, 0.0),
    "r/min": (Dimension.SPEED, 1.0, 0.0),
    "u/min": (Dimension.SPEED, 1.0, 0.0),
    "tr/min": (Dimension.SPEED, 1.0, 0.0),
    "degc": (Dimension.TEMPERATURE, 1.0, 0.0),
    "c": (Dimension.TEMPERATURE, 1.0, 0.0),
    "°c": (Dimension.TEMPERATURE, 1.0, 0.0),
    "degf": (Dimension.TEMPERATURE, 5.0 / 9.0, -160.0 / 9.0),
    "f": (Dimension.TEMPERATURE, 5.0 / 9.0, -160.0 / 9.0),
    "°f": (Dimension.TEMPERATURE, 5.0 / 9.0, -160.0 / 9.0),
    "deg c": (Dimension.TEMPERATURE, 1.0, 0.0),
    "° c": (Dimension.TEMPERATURE, 1.0, 0.0),
    "℃": (Dimension.TEMPERATURE, 1.0, 0.0),
    "celsius": (Dimension.TEMPERATURE, 1.0, 0.0),
    "deg f": (Dimension.TEMPERATURE, 5.0 / 9.0, -160.0 / 9.0),
    "° f": (Dimension.TEMPERATURE, 5.0 / 9.0, -160.0 / 9.0),
    "℉": (Dimension.TEMPERATURE, 5.0 / 9.0, -160.0 / 9.0),
    "fahrenheit": (Dimension.TEMPERATURE, 5.0 / 9.0, -160.0 / 9.0),
    "k": (Dimension.TEMPERATURE, 1.0, -273.15),
    "%": (Dimension.FRACTION, 1.0, 0.0),
    "percent": (Dimension.FRACTION, 1.0, 0.0),
    "fraction": (Dimension.FRACTION, 100.0, 0.0),
    "mm/s": (Dimension.VELOCITY, 1.0, 0.0),
    "in/s": (Dimension.VELOCITY, 25.4, 0.0),
    "s": (Dimension.DURATION, 1.0 / 3600.0, 0.0),
    "min": (Dimension.DURATION, 1.0 / 60.0, 0.0),
    "h": (Dimension.DURATION, 1.0, 0.0),
    "hrs": (Dimension.DURATION, 1.0, 0.0),
    "hours": (Dimension.DURATION, 1.0, 0.0),
    "1": (Dimension.COUNT, 1.0, 0.0),
}
_RATED_AMPS = {"%rla", "%fla", "% rla", "% fla", "%rated amps"}
_PRESSURE_TEXT = re.compile(
    r"^(?P<base>kgf/cm2|kg/cm2|kpa|mpa|hpa|pa|mbar|bar|psi|inhg)\s*\(?\s*(?P<datum>g|a|gauge|gage|abs|absolute)?\.?\s*\)?$"
)

_DIFFERENTIAL = re.compile(r"^(kpa|mpa|mbar|bar|psi) ?\(?d(?:iff)?\)?$")  # a difference has no zero of its own


def read_unit(text: str) -> Unit | None:
    """Read the name of a unit; None where it is not one that the workbook knows.

    Parameters
    ----------
    text
        As written in a header, a unit row, a cell or the case file: ``psig``, ``kPa(g)``, ``°F``, ``%RLA``.
    """
    clean = text.strip().replace("º", "°").replace("²", "2").replace("^2", "2")
    lower = re.sub(r"\s+", " ", clean.lower()).replace("deg. ", "deg ").replace("in hg", "inhg")
    if lower in _RATED_AMPS:
        return Unit(clean, Dimension.CURRENT, 0.01, of_rated_amps=True)
    if clean == "MPa" or lower == "mpa":
        lower = "mpa"
    if lower in _SIMPLE:
        dimension, factor, offset = _SIMPLE[lower]
        return Unit(clean, dimension, factor, offset)
    match = _PRESSURE_TEXT.match(_DIFFERENTIAL.sub(r"\1", lower))
    if match is None:
        return None
    letter = match["datum"]
    datum = Datum.UNSTATED if letter is None else (Datum.GAUGE if letter.startswith("g") else Datum.ABSOLUTE)
    return Unit(clean, Dimension.PRESSURE, _PRESSURE_KPA[match["base"]], datum=datum)


def fits(unit: Unit, role: Role) -> bool:
    """Whether a reading in this unit can stand for the role."""
    wanted = ROLE_FACTS[role].dimension
    if wanted is Dimension.PRESSURE_DIFFERENCE:
        return unit.dimension is Dimension.PRESSURE
    return unit.dimension is wanted


def needs_datum(unit: Unit, role: Role) -> bool:
    """Whether gauge or absolute must be asked for: a pressure role whose unit does not say."""
    return ROLE_FACTS[role].dimension is Dimension.PRESSURE and unit.datum is Datum.UNSTATED


def to_canonical(
    values: NDArray[np.float64],
    unit: Unit,
    role: Role,
    *,
    air_pressure_kpa: float | None = None,
    rated_amps: float | None = None,
) -> NDArray[np.float64]:
    """Turn readings into the canonical unit of their role.

    Parameters
    ----------
    values
        Readings, shape (n,); NaN stays NaN. They are given back as they are where nothing is to be converted.
    air_pressure_kpa
        Needed for a gauge pressure of a role that is absolute.
    rated_amps
        Needed for % of rated amps.

    Raises
    ------
    ValueError
        The unit does not fit the role, or what the conversion needs was not given.
    """
    if not fits(unit, role):
        raise ValueError(f"unit '{unit.text}' does not fit role {role}")
    if needs_datum(unit, role):
        raise ValueError(f"unit '{unit.text}' does not say gauge or absolute")
    if unit.of_rated_amps:
        if rated_amps is None:
            raise ValueError("rated_load_amps is needed for % of rated amps")
        return values * (unit.factor * rated_amps)
    result = values if unit.factor == 1.0 else values * unit.factor
    if unit.offset:
        result = result + unit.offset
    if ROLE_FACTS[role].dimension is Dimension.PRESSURE and unit.datum is Datum.GAUGE:
        if air_pressure_kpa is None:
            raise ValueError("altitude_m or air_pressure_kpa is needed for a gauge pressure")
        result = result + air_pressure_kpa
    return result


def air_pressure_at_kpa(altitude_m: float) -> float:
    """Air pressure of the standard atmosphere below 11 km, in kPa (ISO 2533:1975)."""
    return float(STANDARD_ATMOSPHERE_KPA * (1.0 - 2.25577e-5 * altitude_m) ** 5.25588)
