"""What the property library says of a refrigerant, as one table: dew, bubble and vapour entropy over pressure.

The tables that ship are made by this module (``python -m forensics.refrigerants.build_tables``), so that a report needs
no property library at run time; a refrigerant without a shipped table is computed here when it is asked for.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

KELVIN = 273.15
LOG_STEP = 0.05
"""Spacing of the pressure rows in ln p. With cubic interpolation the error stays far below 0.01 K (tested)."""
SUPERHEAT_NODES = 31
SUPERHEAT_MAX_K = 150.0
_LOWEST_KPA = 8.0
_LOWEST_C = -65.0
_HIGHEST_SHARE_OF_CRITICAL = 0.85
_HIGHEST_KPA = 4500.0
_HIGH_ENOUGH_C = 55.0
_SAME_K = 1e-6


@dataclass(frozen=True)
class PropertyTable:
    """Saturation and vapour entropy of one refrigerant, equally spaced in ln p.

    Attributes
    ----------
    pressure_kpa
        Absolute, kPa, shape (n,).
    bubble_c, dew_c
        Bubble and dew temperature, degC, shape (n,).
    entropy
        Specific entropy of the vapour, kJ/(kg K), at the superheats of ``superheat_nodes_k``, shape (n, m); empty
        (n, 0) for a table that was given without it.
    origin
        Where the numbers come from, for the report.
    """

    pressure_kpa: NDArray[np.float64]
    bubble_c: NDArray[np.float64]
    dew_c: NDArray[np.float64]
    entropy: NDArray[np.float64]
    origin: str


def superheat_nodes_k() -> NDArray[np.float64]:
    """Superheats of the entropy columns, K: denser near saturation, where vapour curves most."""
    share = np.linspace(0.0, 1.0, SUPERHEAT_NODES)
    return np.asarray(SUPERHEAT_MAX_K * share**2, dtype=np.float64)


INSTALL = "pip install 'screw-forensics[refrigerants]'"


def library_version() -> str:
    """Name and version of the installed property library; empty where none is."""
    from importlib.metadata import PackageNotFoundError, version

    try:
        return f"CoolProp {version('CoolProp')}"
    except PackageNotFoundError:
        return ""


def knows(name: str) -> bool:
    """Whether a library is installed that has a fluid or a predefined mixture of exactly this name."""
    if not library_version():
        return False
    import CoolProp.CoolProp as library  # noqa: N813 (the library names its module so)

    try:
        return bool(library.PropsSI("Tcrit", name) > 0.0)
    except ValueError:
        return False


def compute(name: str) -> PropertyTable:
    """Compute the table of a fluid or predefined mixture.

    Parameters
    ----------
    name
        As the library spells it, such as ``R134a`` or ``R407C.mix``.

    Raises
    ------
    ValueError
        The library does not know it, or what it gives breaks the order bubble <= dew.
    """
    import CoolProp.CoolProp as library  # noqa: N813 (the library names its module so)

    state = library.AbstractState("HEOS", name)
    low_kpa = max(_LOWEST_KPA, _pressure_at(name, max(_LOWEST_C, library.PropsSI("Tmin", name) - KELVIN + 1.0)))
    rows: list[tuple[float, float, float, list[float]]] = []
    for step in range(int(np.ceil(np.log(low_kpa) / LOG_STEP)), int(np.log(_highest_kpa(name)) / LOG_STEP) + 1):
        row = _row(state, float(np.exp(step * LOG_STEP)))
        if row is None or (rows and row[2] <= rows[-1][2]):
            break
        rows.append(row)
    if not rows or rows[-1][2] < _HIGH_ENOUGH_C:
        raise ValueError(f"the property library gives no usable saturation line for '{name}'")
    pressure_kpa, bubble_c, dew_c, entropy = (np.array(column, dtype=np.float64) for column in zip(*rows, strict=True))
    return PropertyTable(pressure_kpa, bubble_c, dew_c, entropy, f"computed: {library_version()} {name}")


def _highest_kpa(name: str) -> float:
    """Share of the critical pressure; for mixtures without one, where the rows stop being sound decides."""
    import CoolProp.CoolProp as library  # noqa: N813 (the library names its module so)

    try:
        return float(library.PropsSI("pcrit", name)) / 1e3 * _HIGHEST_SHARE_OF_CRITICAL
    except ValueError:
        return _HIGHEST_KPA


def _row(state: Any, kpa: float) -> tuple[float, float, float, list[float]] | None:
    """Bubble, dew and vapour entropies at one pressure; None where the library's answer is not sound."""
    import CoolProp

    try:
        state.unspecify_phase()
        state.update(CoolProp.PQ_INPUTS, kpa * 1e3, 0.0)
        bubble_k = state.T()
        state.update(CoolProp.PQ_INPUTS, kpa * 1e3, 1.0)
        dew_k, entropy = state.T(), [state.smass() / 1e3]
        state.specify_phase(CoolProp.iphase_gas)
        for above_k in superheat_nodes_k()[1:]:
            state.update(CoolProp.PT_INPUTS, kpa * 1e3, dew_k + above_k)
            entropy.append(state.smass() / 1e3)
    except ValueError:
        return None
    sound = bubble_k <= dew_k + _SAME_K and bool(np.all(np.diff(entropy) > 0.0))
    return (kpa, bubble_k - KELVIN, dew_k - KELVIN, entropy) if sound else None


def _pressure_at(name: str, temperature_c: float) -> float:
    import CoolProp.CoolProp as library  # noqa: N813 (the library names its module so)

    return float(library.PropsSI("P", "T", temperature_c + KELVIN, "Q", 1, name)) / 1e3
