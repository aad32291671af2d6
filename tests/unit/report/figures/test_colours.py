"""Colours of lines: dark enough on white, and apart from each other in grey and under colour blindness."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from forensics.report.figures.figure import DASHES, LINES, SYMBOLS
from forensics.report.svg.elements import ALERT, BLUE, GREY, INK

# Machado, Oliveira and Fernandes 2009, IEEE Trans. Visual. Comput. Graphics 15, 1291: severity 1.0 (from memory)
BLINDNESS = {
    "none": np.eye(3),
    "protan": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deutan": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritan": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}
LUMINANCE = np.array([0.2126, 0.7152, 0.0722])


def linear(colour: str) -> np.ndarray:
    parts = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)


def lab(rgb: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b*, white D65 (ISO/CIE 11664-4)."""
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    t = to_xyz @ np.clip(rgb, 0.0, 1.0) / np.array([0.9505, 1.0, 1.089])
    f = np.where(t > 0.008856, np.cbrt(t), 7.787 * t + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("colour", [*LINES, INK, GREY, ALERT, BLUE])
def test_three_to_one_on_white(colour: str) -> None:
    """WCAG 2.1, success criterion 1.4.11."""
    assert 1.05 / (float(LUMINANCE @ linear(colour)) + 0.05) >= 3.0


def test_no_two_lines_have_one_grey() -> None:
    lightness = sorted(lab(linear(c))[0] for c in LINES)
    assert min(np.diff(lightness)) >= 7.0


@pytest.mark.parametrize("kind", BLINDNESS)
def test_lines_stay_apart_under_colour_blindness(kind: str) -> None:
    """A difference of 10 and more is seen at a glance (common practice, no published source)."""
    seen = [lab(BLINDNESS[kind] @ linear(c)) for c in LINES]
    assert min(float(np.linalg.norm(a - b)) for a, b in combinations(seen, 2)) >= 10.0


def test_dash_and_symbol_tell_what_colour_tells() -> None:
    assert len(set(DASHES)) >= len(LINES)
    assert len(set(SYMBOLS)) >= len(LINES)
