"""Lines: gaps are gaps, units are those of the case, names stand letter for letter."""

from __future__ import annotations

import base64
from typing import Any

import numpy as np
import pytest

from forensics.model.points import NS, Origin, Samples, Span
from forensics.model.vocabulary import Quality, Recorded, Role
from forensics.report.figures.figure import label
from forensics.report.figures.traces import draw, gap_positions, merge_close
from forensics.report.words.units import ReportTime

START_NS = 1_931_000_000 * NS
UTC = ReportTime("UTC", 0)


def unpack(packed: dict[str, str]) -> np.ndarray[Any, Any]:
    return np.frombuffer(base64.b64decode(packed["bdata"]), np.dtype("<" + packed["dtype"]))


def samples(
    t_s: list[float],
    v: list[float],
    *,
    role: Role = Role.MOTOR_AMPS,
    recorded: Recorded = Recorded.INSTANT,
    hold_s: float | None = None,
) -> Samples:
    t = START_NS + (np.array(t_s) * NS).astype(np.int64)
    q = np.where(np.isfinite(v), 0, int(Quality.MISSING)).astype(np.uint16)
    origin = Origin("a.csv", "Amps <b>", "a", recorded, hold_s)
    return Samples(role, origin, t, np.array(v, float), q, np.arange(len(t)) + 2)


def whole(s: Samples) -> Span:
    return Span(int(s.t[0]), int(s.t[-1]) + 1)


def test_a_row_without_reading_breaks_the_line() -> None:
    s = samples([0, 1, 2, 3, 4], [1.0, 2.0, np.nan, 4.0, 5.0])
    assert gap_positions(s).tolist() == [2]
    drawn = draw(s, UTC, "si", span=whole(s), place=0)
    assert drawn is not None
    y = unpack(drawn.trace["y"])
    assert np.isnan(y).tolist() == [False, False, True, False, False]
    assert drawn.row["without reading"] == "1"


def test_a_long_spacing_breaks_the_line_and_a_usual_one_does_not() -> None:
    s = samples([0, 1, 2, 3, 10, 11, 12, 13], [1.0] * 8)
    assert gap_positions(s).tolist() == [4]


@pytest.mark.parametrize(("hold_s", "gaps"), [(None, []), (60.0, [2])])
def test_a_log_of_changes_breaks_only_beyond_its_hold_limit(hold_s: float | None, gaps: list[int]) -> None:
    s = samples([0, 5, 5000], [1.0, 2.0, 1.0], recorded=Recorded.CHANGE, hold_s=hold_s)
    assert gap_positions(s).tolist() == gaps


def test_pressure_in_psi_is_the_factor_of_the_standard() -> None:
    """1 psi is 6.894757 kPa: NIST SP 811, appendix B.8."""
    s = samples([0, 1], [689.4757, 101.325], role=Role.DISCHARGE_PRESSURE)
    drawn = draw(s, UTC, "inch-pound", span=whole(s), place=0)
    assert drawn is not None
    assert unpack(drawn.trace["y"]) == pytest.approx([100.0, 14.69595], rel=1e-5)
    assert drawn.row["unit"] == "psia"


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("P < 20 & T > 90", "P &lt; 20 &amp; T &gt; 90"),
        ('<a href="https://example.invalid/">x</a>', '&lt;a href="https://example.invalid/"&gt;x&lt;/a&gt;'),
        ("<br>two\nlines", "&lt;br&gt;two lines"),
    ],
)
def test_chart_labels_are_escaped(text: str, shown: str) -> None:
    assert label(text) == shown


def test_spans_melt_together_over_their_narrowest_gaps() -> None:
    spans = [Span(0, 1), Span(2, 3), Span(10, 11), Span(100, 101)]
    assert merge_close(spans, 2) == [Span(0, 11), Span(100, 101)]
    assert merge_close(spans, 9) == spans
