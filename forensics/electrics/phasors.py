"""Three-phase quantities from samples: space vector, sequence components, RMS over a cycle, unbalance.

Convention, stated because labels swap under another one: *positive* sequence means that A leads B leads C by a third
of a turn (ABC); *negative* means ACB.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from forensics.model.vocabulary import Role

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

VOLTS = (Role.VOLTS_AB, Role.VOLTS_BC, Role.VOLTS_CA)
AMPS = (Role.AMPS_A, Role.AMPS_B, Role.AMPS_C)
_A = np.exp(2j * np.pi / 3)


def sequence_components(a: Complexes, b: Complexes, c: Complexes) -> tuple[Complexes, Complexes, Complexes]:
    """Zero, positive and negative sequence of three phasors, referred to phase A (Fortescue 1918).

    Shapes follow the arguments; units too. Positive is ABC.
    """
    a, b, c = np.asarray(a), np.asarray(b), np.asarray(c)
    return (a + b + c) / 3, (a + _A * b + _A**2 * c) / 3, (a + _A**2 * b + _A * c) / 3


def unbalance_percent(values: Floats) -> Floats:
    """Largest deviation from the mean over the mean, in %, along the first axis of shape (3, n).

    The definition of NEMA MG 1, clause 14.36, for voltages, and the same method for currents. It is not the
    negative-sequence factor. NaN where the mean is not above zero.
    """
    values = np.asarray(values, dtype=np.float64)
    mean = values.mean(axis=0)
    spread = np.abs(values - mean).max(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.where(mean > 0, 100.0 * spread / mean, np.nan))


def negative_sequence_percent(line_volts: Floats) -> Floats:
    """Negative over positive sequence of three line-to-line RMS voltages, shape (3, n), in %.

    Magnitude formula of IEC 61000-4-30 (and IEC 61000-2-1): the three magnitudes close a triangle, so no angles
    are needed. NaN where they close none.
    """
    squares = np.asarray(line_volts, dtype=np.float64) ** 2
    with np.errstate(invalid="ignore", divide="ignore"):
        beta = (squares**2).sum(axis=0) / squares.sum(axis=0) ** 2
        root = np.sqrt(3 - 6 * beta)
        return np.asarray(100.0 * np.sqrt((1 - root) / (1 + root)))


def space_vector(analog: Mapping[Role, Floats]) -> tuple[Complexes | None, str]:
    """Voltage space vector (Clarke, amplitude invariant, phase-to-neutral volts) of line-to-line voltages.

    Two of the three voltages are enough, since the three add up to nothing. It turns counter-clockwise, that is with
    a growing angle, for ABC.

    Returns
    -------
    vector, why_not
        None and the reason where fewer than two line voltages were recorded.
    """
    ab, bc, ca = (analog.get(role) for role in VOLTS)
    if sum(v is not None for v in (ab, bc, ca)) < 2:  # noqa: PLR2004 - two line voltages make a vector
        return None, "needs at least two line-to-line voltages of one record"
    if ca is None and ab is not None and bc is not None:
        ca = -(ab + bc)
    elif bc is None and ab is not None and ca is not None:
        bc = -(ab + ca)
    elif ab is None and bc is not None and ca is not None:
        ab = -(bc + ca)
    assert ab is not None and bc is not None and ca is not None  # noqa: PT018
    return np.asarray((ab - ca) / 3 + 1j * bc / np.sqrt(3)), ""


def current_vector(analog: Mapping[Role, Floats]) -> tuple[Complexes | None, str]:
    """Current space vector of three line currents (Clarke, amplitude invariant, peak A)."""
    phases = [analog.get(role) for role in AMPS]
    a, b, c = phases
    if a is None or b is None or c is None:
        return None, "needs the three line currents of one record"
    return np.asarray((2 * a - b - c) / 3 + 1j * (b - c) / np.sqrt(3)), ""


def sliding_mean(values: NDArray[np.generic], width: int) -> NDArray[np.generic]:
    """Mean over the last ``width`` samples at every sample from the ``width``-th on; shape (n - width + 1,)."""
    total = np.concatenate((np.zeros(1, values.dtype), np.cumsum(values)))
    return np.asarray((total[width:] - total[:-width]) / width)


def cycle_rms(values: Floats, width: int) -> Floats:
    """RMS over one cycle of ``width`` samples, at every sample from the ``width``-th on (IEC 61000-4-30, Urms)."""
    return np.sqrt(np.maximum(sliding_mean(np.asarray(values, np.float64) ** 2, width).real.astype(np.float64), 0.0))


def cycle_phasors(values: Floats, time_s: Floats, hertz: float, width: int) -> Complexes:
    """Fundamental phasor (RMS) over the last cycle, at every sample from the ``width``-th on.

    A discrete Fourier sum at the given frequency over one cycle (as in IEEE C37.118 phasor estimation, without its
    filters).
    """
    turned = np.asarray(values * np.exp(-2j * np.pi * hertz * time_s), dtype=np.complex128)
    return np.asarray(sliding_mean(turned, width) * np.sqrt(2), dtype=np.complex128)
