"""Refrigerants, orifices and the gas in the rotors: what pressures, flows and torques belong together.

Saturation lines are Antoine fits to the reference equations of state (CoolProp); flow is that of an orifice with a
fixed coefficient; work is that of a closed cell with a built-in volume ratio (textbook). Pressures in kPa absolute.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

from ..saturation import Saturation, property_library, saturation

KELVIN = 273.15
TAU = 2.0 * math.pi
GAS_K = 325.0
"""Temperature of the gas between rotors and check valve, taken as constant."""
BUILT_IN_RATIO = 2.6
EXPONENT = 1.10
"""Polytropic exponent of oil-flooded compression (estimate)."""
ORIFICE = 0.7
COMPRESS = (BUILT_IN_RATIO ** (EXPONENT - 1.0) - 1.0) / (EXPONENT - 1.0) - 1.0
EXPAND = (1.0 + (1.0 - BUILT_IN_RATIO ** (1.0 - EXPONENT)) / (EXPONENT - 1.0)) / BUILT_IN_RATIO
_MOST_EXPANSION_RATIO = 0.45


@dataclass(frozen=True, slots=True)
class Fluid:
    """What the machine needs of a refrigerant.

    Attributes
    ----------
    dew
        Saturation line of the vapour.
    glide_k
        Dew minus bubble temperature at 35 degC; 0 for a single substance.
    latent_kj_kg
        Vapour at 5 degC less liquid at 35 degC.
    """

    name: str
    dew: Saturation
    glide_k: float
    latent_kj_kg: float

    @property
    def gas(self) -> float:
        """Specific gas constant times compressibility, kJ/(kg K)."""
        return self.dew.gas_constant_kj_kg_k


@lru_cache(maxsize=32)
def fluid(name: str) -> Fluid:
    """The refrigerant by its ASHRAE 34 designation; ValueError where the property library does not know it."""
    PropsSI = property_library()
    line = saturation(name)
    dew_c = line.temperature_c(PropsSI("P", "T", 35.0 + KELVIN, "Q", 0, name) / 1e3)
    latent = (PropsSI("H", "T", 5.0 + KELVIN, "Q", 1, name) - PropsSI("H", "T", 35.0 + KELVIN, "Q", 0, name)) / 1e3
    glide = dew_c - 35.0
    return Fluid(name, line, glide if glide > 0.5 else 0.0, latent)


def orifice_kg_s(area_mm2: float, up_kpa: float, down_kpa: float, gas_kj_kg: float) -> float:
    """Flow of vapour from `up` to `down`, kg/s, zero where there is no fall; limited where it would choke."""
    drop = up_kpa - down_kpa
    if area_mm2 <= 0.0 or drop <= 0.0:
        return 0.0
    drop = min(drop, _MOST_EXPANSION_RATIO * up_kpa)
    return ORIFICE * area_mm2 * 1e-6 * math.sqrt(2e3 * up_kpa / gas_kj_kg * drop)


def steady_plenum_kpa(flow_kg_s: float, area_mm2: float, suction_kpa: float, gas_kj_kg: float) -> float:
    """Pressure at which an opening to suction passes a flow (the larger root of the orifice equation; no choking)."""
    if area_mm2 <= 0.0:
        return math.inf
    per = flow_kg_s / (ORIFICE * area_mm2 * 1e-6)
    product = per * per * gas_kj_kg / 2e3
    free = 0.5 * (suction_kpa + math.sqrt(suction_kpa * suction_kpa + 4.0 * product))
    choked = math.sqrt(product / _MOST_EXPANSION_RATIO)
    return max(free, choked) if choked * (1.0 - _MOST_EXPANSION_RATIO) > suction_kpa else free


def gas_torque_nm(swept_m3: float, rpm: float, low_kpa: float, high_kpa: float) -> float:
    """Torque of the gas against forward rotation, N m: compressing forward, expanding backward."""
    if rpm > 0.0:
        work = low_kpa * COMPRESS + high_kpa / BUILT_IN_RATIO
    else:
        work = high_kpa * EXPAND - low_kpa
        if rpm > -1.0:
            work = max(work, 0.0)
    return float(swept_m3 * work * 1e3 / TAU * min(1.0, 0.75 + abs(rpm) / 2000.0))
