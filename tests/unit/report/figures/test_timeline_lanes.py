"""Operating states on the timeline are told apart without colour: each has a lane of its own with its name."""

from __future__ import annotations

import pytest

from forensics.demo import DEMO_CASES
from forensics.model.points import Span
from forensics.model.vocabulary import State
from forensics.report.context import ReportContext, open_sheet
from forensics.report.figures.panels import left_margin
from forensics.report.figures.timeline import STATE_COLOURS, STATE_ROW, timeline


@pytest.fixture(scope="module")
def sheet() -> ReportContext:
    return open_sheet(case=DEMO_CASES["cannot-tell"])


def test_every_state_has_its_own_lane_named_in_words(sheet: ReportContext) -> None:
    work = sheet.investigation
    window = work.record.window
    plate = timeline(work.record, work.spans, sheet.clock, "si", span=window, key="k", about="All.")
    inside = [s for s in work.spans if s.end_ns > window.start_ns and s.start_ns < window.end_ns]
    states = {s.state for s in inside}
    assert len(states) >= 4
    axis = plate.figure["layout"]["yaxis"]
    names = axis["categoryarray"][::-1]
    # left to itself an axis drops every other name where lanes are narrow, as they are in print
    assert (axis["tickmode"], axis["tickvals"]) == ("array", axis["categoryarray"])
    expected = [f"{STATE_ROW}{state.value}" for state in State if state in states]
    assert [n for n in names if n.startswith(STATE_ROW)] == expected
    for state in states:
        row = f"{STATE_ROW}{state.value}"
        traces = [t for t in plate.figure["data"] if row in t["y"]]
        assert len(traces) == 1
        assert {y for y in traces[0]["y"] if y is not None} == {row}
        drawn = sum(x1 - x0 for x0, x1 in zip(traces[0]["x"][::3], traces[0]["x"][1::3], strict=True)) / 1000.0
        clipped = [s for s in (Span(s.start_ns, s.end_ns).overlap(window) for s in inside if s.state is state) if s]
        assert drawn == pytest.approx(sum(s.seconds for s in clipped), rel=1e-3, abs=1.0)
    assert plate.figure["layout"]["margin"]["l"] == left_margin(names)


def test_states_differ_by_shade_too() -> None:
    """Relative luminance by WCAG 2.1; lanes carry the names, shades only help."""

    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    for colour in STATE_COLOURS.values():
        assert 1.05 / (luminance(colour) + 0.05) >= 1.9, f"{colour} fades on white paper"
