"""Pictures of our own: the same bytes, words that do not lie on each other or leave the picture, round ticks."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forensics.report.svg.elements import text_width
from forensics.report.svg.multiples import Across, Multiple, Note, Series, small_multiples
from forensics.report.svg.scale import time_ticks, value_ticks
from forensics.report.words.units import ReportTime

NASTY = "<script>x</script> & ]]> \u202e"
WIDE, NARROW = (720.0, 300.0), (345.0, 380.0)


def drawn(size: tuple[float, float] = WIDE, words: str = "tripped at 05:02") -> str:
    line = [[(float(x), float(x % 7)) for x in range(60)]]
    one = Multiple("A quantity with a rather long name (below zero: backwards), rpm", [Series(line, end="this stop")])
    notes = [Note(5.0, 5.0, words), Note(6.0, 6.0, words), Note(40.0, 3.0, "36.5 psi at the failure")]
    two = Multiple("Another, psi", [Series(line, end="a"), Series(line, end="b")], [(4.0, "limit, 4 psi")], notes)
    across = Across(0.0, 59.0, [(float(x), f"{x}") for x in range(0, 60, 10)], "seconds", [(30.0, "failure")])
    return small_multiples([one, two], across, size=size, title="t", about="d", key="k", ends_px=80)


def boxes(picture: str) -> list[tuple[str, float, float, float, float]]:
    root = ET.fromstring(picture)
    found = []
    for one in root.iter("{http://www.w3.org/2000/svg}text"):
        size, words = float(one.attrib["font-size"]), one.text or ""
        wide = text_width(words, size)
        x = float(one.attrib["x"])
        left = {"start": x, "middle": x - wide / 2, "end": x - wide}[one.attrib.get("text-anchor", "start")]
        y = float(one.attrib["y"])
        found.append((words, left, y - 0.8 * size, left + wide, y))
    return found


@pytest.mark.parametrize("size", [WIDE, NARROW])
def test_no_words_leave_the_picture_or_lie_on_each_other(size: tuple[float, float]) -> None:
    found = boxes(drawn(size))
    assert len(found) > 10
    for words, left, top, right, bottom in found:
        assert left >= -4, words
        assert right <= size[0] + 4, words
        assert top >= -1, words
        assert bottom <= size[1] + 1, words
    for n, a in enumerate(found):
        for b in found[n + 1 :]:
            across, down = min(a[3], b[3]) - max(a[1], b[1]), min(a[4], b[4]) - max(a[2], b[2])
            assert across <= 2 or down <= 2, (a[0], b[0])


def test_the_same_numbers_give_the_same_bytes() -> None:
    assert drawn() == drawn()


def test_words_from_outside_stay_words() -> None:
    picture = drawn(words=NASTY)
    assert "<script" not in picture
    assert "\u202e" not in picture
    ET.fromstring(picture)


@given(st.floats(-1e6, 1e6), st.floats(1e-3, 1e6))
def test_ticks_are_round_and_span_the_range(low: float, width: float) -> None:
    ticks = value_ticks(low, low + width)
    assert ticks[0] <= low + 1e-6 * width
    assert ticks[-1] >= low + width - 1e-6 * width
    steps = np.diff(ticks)
    assert np.ptp(steps) <= 1e-5 * steps[0] + 1e-9
    mantissa = steps[0] / 10.0 ** np.floor(np.log10(steps[0] * (1 + 1e-9)))
    assert min(abs(mantissa - m) for m in (1.0, 2.0, 2.5, 5.0)) < 1e-3


def test_time_ticks_stand_on_round_local_times() -> None:
    clock = ReportTime("Asia/Kolkata", 19_800)
    begin = 1_930_000_000 * 10**9
    ticks = time_ticks(clock, begin, begin + 8 * 3600 * 10**9)
    assert len(ticks) >= 3
    for at_ns, words in ticks:
        stamp = clock.local(at_ns)
        assert stamp.minute == 0
        assert words in {f"{stamp:%H:%M}", f"{stamp.day} {stamp:%b}"}


def picture_of(panel: Multiple, marked: float | None = None) -> list[tuple[str, float, float, float, float]]:
    across = Across(0.0, 100.0, [(0.0, "0")], "seconds", [] if marked is None else [(marked, "failure")])
    return boxes(small_multiples([panel], across, size=WIDE, title="t", about="d", key="k", ends_px=80))


def test_a_quantity_that_hardly_moves_does_not_fill_its_panel() -> None:
    """92 psi with two pounds of noise is level: the axis spans at least a fifth of it, as the words on it show."""
    noise = [[(float(x), 92.0 + float(x % 3) - 1.0) for x in range(100)]]
    words = {w for w, *_ in picture_of(Multiple("q", [Series(noise)]))}
    ticks = sorted(float(w) for w in words if w.replace(".", "").isdigit() and float(w) > 50)
    assert ticks[-1] - ticks[0] >= 10.0


def test_a_span_that_a_panel_asks_for_is_kept_and_zero_stays_at_its_foot() -> None:
    noise = [[(float(x), 0.1 * float(x % 2)) for x in range(100)]]
    words = {w for w, *_ in picture_of(Multiple("q", [Series(noise)], from_zero=True, least_span=20.0))}
    assert {"0", "20"} <= words


def test_a_note_stands_off_the_curve_and_off_an_upright_line() -> None:
    step = [[(float(x), 150.0 if x < 50 else 0.0) for x in range(100)]]
    panel = Multiple("q", [Series(step)], notes=[Note(49.0, 150.0, "153 A at the failure")])
    note = next(b for b in picture_of(panel, marked=50.0) if b[0].startswith("153"))
    line_x = 48.0 + 50.0 / 100.0 * (WIDE[0] - 80 - 48.0)
    assert note[3] <= line_x or note[1] >= line_x


def test_thousands_are_separated_on_an_axis() -> None:
    line = [[(float(x), 40.0 * x) for x in range(100)]]
    assert "2,000" in {w for w, *_ in picture_of(Multiple("q", [Series(line)]))}
