"""Samples, switches and spans on invented shapes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forensics.model.points import NS, OFF, ON, UNKNOWN, Origin, Samples, Span, iso
from forensics.model.switches import Switch
from forensics.model.vocabulary import Quality, Recorded, Role

T0 = 1_718_440_200 * NS


def _samples(
    pairs: list[tuple[float, float]], *, recorded: Recorded = Recorded.INSTANT, hold_s: float | None = None
) -> Samples:
    t = np.array([T0 + round(s * NS) for s, _ in pairs], dtype=np.int64)
    v = np.array([value for _, value in pairs])
    q = np.where(np.isfinite(v), 0, int(Quality.MISSING)).astype(np.uint16)
    origin = Origin("a.csv", "x", "clock", recorded, hold_s)
    return Samples(Role.MOTOR_AMPS, origin, t, v, q, np.arange(len(t)) + 2)


def _switch(
    pairs: list[tuple[float, int]], *, recorded: Recorded = Recorded.INSTANT, hold_s: float | None = None
) -> Switch:
    t = np.array([T0 + round(s * NS) for s, _ in pairs], dtype=np.int64)
    state = np.array([to for _, to in pairs], dtype=np.int8)
    return Switch(Role.LOAD_SOLENOID, Origin("a.csv", "x", "clock", recorded, hold_s), t, state, np.arange(len(t)) + 2)


def _seconds(spans: tuple[Span, ...]) -> list[tuple[float, float]]:
    return [((s.start_ns - T0) / NS, (s.end_ns - T0) / NS) for s in spans]


def test_stamps_to_the_millisecond() -> None:
    assert iso(T0 + 1_499_600) == "2024-06-15T08:30:00.001Z"
    assert iso(T0 + 999_999_999) == "2024-06-15T08:30:01.000Z"


def test_before_and_after_carry_their_ages() -> None:
    samples = _samples([(0, 118), (60, 117), (120, float("nan")), (180, 0)])
    before = samples.before(T0 + 130 * NS)
    after = samples.after(T0 + 60 * NS)
    assert before is not None
    assert after is not None
    assert (before.value, before.age_s) == (117.0, 70.0)
    assert (after.value, after.age_s) == (0.0, 120.0)
    assert samples.before(T0 + 130 * NS, 60.0) is None


def test_a_hold_limit_bounds_what_is_believed() -> None:
    samples = _samples([(0, 410)], recorded=Recorded.CHANGE, hold_s=900.0)
    assert samples.before(T0 + 899 * NS) is not None
    assert samples.before(T0 + 901 * NS) is None
    assert np.isnan(samples.at(np.array([T0 + 901 * NS])))[0]


def test_a_missing_cell_of_a_change_log_ends_the_value_before() -> None:
    samples = _samples([(0, 410), (60, float("nan")), (120, 412)], recorded=Recorded.CHANGE)
    times = T0 + np.array([0, 59, 60, 119, 120], dtype=np.int64) * NS
    assert samples.at(times).tolist() == pytest.approx([410.0, 410.0, np.nan, np.nan, 412.0], nan_ok=True)
    assert samples.before(T0 + 59 * NS) is not None
    assert samples.before(T0 + 90 * NS) is None
    assert samples.before(T0 + 120 * NS) is not None


def test_a_cell_out_of_range_of_a_change_log_ends_the_value_before_too() -> None:
    samples = _samples([(0, 410), (60, 9999), (120, 412)], recorded=Recorded.CHANGE)
    samples = replace(samples, q=np.array([0, int(Quality.OUT_OF_RANGE), 0], dtype=np.uint16))
    assert np.isnan(samples.at(np.array([T0 + 90 * NS]))[0])
    assert samples.before(T0 + 90 * NS) is None
    assert samples.before(T0 + 30 * NS) is not None


def test_a_missing_cell_of_periodic_samples_leaves_the_last_reading_with_its_age() -> None:
    samples = _samples([(0, 410), (60, float("nan")), (120, 412)])
    before = samples.before(T0 + 90 * NS)
    assert before is not None
    assert (before.value, before.age_s) == (410.0, 90.0)


def test_noise_at_the_limit_is_one_crossing() -> None:
    values = [0, 0, 19, 21, 19, 21, 40, 40, 40, 21, 19, 21, 3, 0, 0]
    edges = _samples([(i, float(v)) for i, v in enumerate(values)]).crossings(5.0, 20.0, 0.0)
    assert [(e.to, (e.latest_ns - T0) // NS) for e in edges] == [(ON, 3), (OFF, 12)]


@pytest.mark.parametrize("level", [0.0, 30.0, 10.0])
def test_a_level_that_is_never_crossed_has_no_edge(level: float) -> None:
    assert _samples([(i, level) for i in range(5)]).crossings(5.0, 20.0, 0.0) == []


def test_short_spells_are_no_edges() -> None:
    values = [0, 0, 100, 0, 0, 0, 100, 100, 100, 100, 100, 100]
    edges = _samples([(i, float(v)) for i, v in enumerate(values)]).crossings(5.0, 20.0, 3.0)
    assert [(e.latest_ns - T0) // NS for e in edges] == [6]


def test_unknown_is_never_off() -> None:
    """On 10:00-10:05, lost until 10:06, on until 10:30: one off-edge, 29 min known on, 1 min unknown."""
    switch = _switch([(0, ON), (300, UNKNOWN), (360, ON), (1800, OFF), (1860, OFF)], recorded=Recorded.CHANGE)
    assert [e.to for e in switch.edges] == [OFF]
    assert sum(b - a for a, b in _seconds(switch.on_spans)) == pytest.approx(29 * 60)
    assert switch.at(T0 + 330 * NS) == UNKNOWN


def test_a_hold_limit_ends_what_is_covered() -> None:
    switch = _switch([(0, ON), (450, OFF)], recorded=Recorded.CHANGE, hold_s=900.0)
    assert _seconds(switch.covered)[-1][1] <= 1350.0
    assert switch.at(T0 + 1349 * NS) == OFF
    assert switch.at(T0 + 1351 * NS) == UNKNOWN


def test_a_gap_in_a_trend_is_not_covered() -> None:
    switch = _switch([(i, ON) for i in range(10)] + [(i, ON) for i in range(100, 110)])
    assert switch.at(T0 + 50 * NS) == UNKNOWN
    assert len(switch.covered) == 2


def test_rows_that_share_a_stamp_tell_of_no_interval() -> None:
    """A clock that was set, or a list that writes several lines at once: an interval of nothing is none."""
    shared = [(0, 1.0)] * 5 + [(10, 2.0)] * 5 + [(20, 3.0)] * 5
    assert _samples(shared).interval_s == 10.0
    assert _switch([(at, ON) for at, _ in shared]).interval_s == 10.0
    assert _samples([(0, 1.0)] * 3).interval_s == float("inf")


@pytest.mark.parametrize("hold_s", [None, 60.0])
def test_one_row_of_a_trend_tells_of_its_own_moment_alone(hold_s: float | None) -> None:
    """Where all other rows were lost the interval is not known, and a state is believed for none."""
    switch = _switch([(0, ON)], hold_s=hold_s)
    assert switch.on_spans == switch.covered == ()
    assert switch.at(T0) == ON
    assert switch.at(T0 + 3600 * NS) == UNKNOWN


def test_first_row_is_a_state_not_an_edge() -> None:
    assert _switch([(0, ON), (1, ON), (2, OFF)]).edges[0].to == OFF


def test_edges_of_periodic_samples_are_intervals() -> None:
    edge = _switch([(0, OFF), (10, ON)]).edges[0]
    assert edge.width_s == 10.0


@pytest.mark.parametrize("empty", [_samples([]), _samples([(0, float("nan"))])])
def test_nothing_to_see(empty: Samples) -> None:
    assert empty.before(T0) is None
    assert empty.crossings(1.0, 2.0, 0.0) == []
    assert np.isnan(empty.at(np.array([T0]))).all()
