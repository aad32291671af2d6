"""Operating states on the timeline are told apart without colour: each has a lane of its own with its name."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forensics.demo import DEMO_CASES
from forensics.model.points import NS, Recorded, Span, Switch
from forensics.model.vocabulary import Role, State
from forensics.report.context import ReportContext, open_sheet
from forensics.report.figures.panels import left_margin
from forensics.report.figures.timeline import LANES, STATE_COLOURS, STATE_ROW, timeline


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
        assert {t["name"] for t in traces} == {
            f"{state.value}, inferred" if s.inferred else state.value for s in inside if s.state is state
        }
        assert all({y for y in t["y"] if y is not None} == {row} for t in traces)
        ends = [pair for t in traces for pair in zip(t["x"][::3], t["x"][1::3], strict=True)]
        clipped = [s for s in (Span(s.start_ns, s.end_ns).overlap(window) for s in inside if s.state is state) if s]
        drawn = sum(x1 - x0 for x0, x1 in ends) / 1000.0
        assert drawn == pytest.approx(sum(s.seconds for s in clipped), rel=1e-3, abs=1.0)
    assert plate.figure["layout"]["margin"]["l"] == left_margin(names)


def test_an_inferred_state_is_thinner_and_says_so(sheet: ReportContext) -> None:
    work = sheet.investigation
    assert any(s.inferred for s in work.spans)
    plate = timeline(work.record, work.spans, sheet.clock, "si", span=work.record.window, key="k", about="All.")
    widths = {
        t["name"]: t["line"]["width"]
        for t in plate.figure["data"]
        if isinstance(t["y"], list) and STATE_ROW in str(t["y"][:1])
    }
    inferred = {name for name in widths if name.endswith(", inferred")}
    assert inferred
    assert max(widths[name] for name in inferred) < min(
        [w for name, w in widths.items() if name not in inferred] or [9]
    )
    assert "inferred" in plate.caption


def test_a_change_of_state_that_may_lie_beyond_the_axis_is_hatched_up_to_its_end(sheet: ReportContext) -> None:
    """A status of one reading in five minutes: where it changed is not known, and it must not be drawn as simply on."""
    work = sheet.investigation
    told = next(s for r in LANES if (s := work.record.switch(r)) is not None)
    at = np.arange(work.record.window.start_ns, work.record.window.end_ns, 300 * NS, dtype=np.int64)
    state = (np.arange(len(at)) % 4 < 2).astype(np.int8)
    origin = replace(told.origin, recorded=Recorded.INSTANT)
    slow = Switch(Role.RUN_STATUS, origin, at, state, np.arange(len(at), dtype=np.int64))
    record = replace(work.record, switches={**work.record.switches, Role.RUN_STATUS: (slow,)})
    edge = slow.edges[len(slow.edges) // 2]
    assert edge.width_s == 300.0
    middle = (edge.earliest_ns + edge.latest_ns) // 2
    span = Span(edge.earliest_ns - 30 * NS, middle)
    plate = timeline(record, work.spans, sheet.clock, "si", span=span, key="k", about="Close.")
    bars = [t for t in plate.figure["data"] if t["type"] == "bar"]
    drawn = [(float(b), float(b) + float(x)) for t in bars for b, x in zip(t["base"], t["x"], strict=True)]
    low, high = (float(v) for v in sheet.clock.axis_ms(np.array([edge.earliest_ns, middle], np.int64)))
    assert any(one == pytest.approx((low, high), abs=1.0) for one in drawn)
    assert all(end <= high + 1.0 for _, end in drawn)
    assert all("somewhere between" in words for t in bars for words in t["text"])


def test_states_differ_by_shade_too() -> None:
    """Relative luminance by WCAG 2.1; lanes carry the names, shades only help."""

    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    for colour in STATE_COLOURS.values():
        assert 1.05 / (luminance(colour) + 0.05) >= 1.9, f"{colour} fades on white paper"
