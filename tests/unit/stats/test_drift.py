"""The decomposition of a drift is that of its correlation, made once for the same instants."""

from __future__ import annotations

import numpy as np
import pytest

from forensics.stats.drift import drift_axes


def test_the_axes_put_the_correlation_together_again() -> None:
    t = np.array([0.0, 30.0, 700.0, 5000.0])
    size, axes = drift_axes(t, 600.0)
    assert (axes * size) @ axes.T == pytest.approx(np.exp(-np.abs(t[:, None] - t) / 600.0))


def test_the_same_instants_are_decomposed_once_and_nobody_can_change_them() -> None:
    t = np.arange(5.0)
    size, axes = drift_axes(t, 60.0)
    assert drift_axes(t.copy(), 60.0)[1] is axes
    assert drift_axes(t, 61.0)[1] is not axes
    with pytest.raises(ValueError, match="read-only"):
        size[0] = 1.0
