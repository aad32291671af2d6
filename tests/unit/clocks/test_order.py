"""Events are intervals: order is before, after or not provable. Shapes are invented."""

from __future__ import annotations

import numpy as np
import pytest

from forensics.case.read import check_case
from forensics.case.schema import CaseFile
from forensics.clocks import NamedEvent, align, fit_clocks, order_of
from forensics.model.points import NS, Origin, Samples, Span
from forensics.model.record import LogLine, Record
from forensics.model.switches import Switch
from forensics.model.vocabulary import ClockMethod, Provable, Recorded, Role
from forensics.rules import read_limits

T0 = 1_718_440_200 * NS  # 2024-06-15T08:30:00Z


def _record(
    switches: dict[Role, tuple[Switch, ...]] | None = None, log: tuple[LogLine, ...] = (), **unsure: float
) -> Record:
    span = Span(T0 - 7200 * NS, T0 + 7200 * NS)
    return Record(
        samples={},
        switches=switches or {},
        waveforms=(),
        log=log,
        failure_ns=T0,
        window=span,
        history=span,
        clock_uncertainty_s={"a": 0.0, **unsure},
    )


def _event(earliest_s: float, latest_s: float, clock: str = "a") -> NamedEvent:
    return NamedEvent("x", T0 + round(earliest_s * NS), T0 + round(latest_s * NS), clock, "a.csv", 1)


def _switch(clock: str, points: list[tuple[float, int]], source: str) -> Switch:
    t = np.array([T0 + round(s * NS) for s, _ in points], dtype=np.int64)
    state = np.array([to for _, to in points], dtype=np.int8)
    return Switch(Role.RUN_STATUS, Origin(source, "run", clock, Recorded.CHANGE), t, state, np.arange(len(t)) + 2)


def _casefile(*checks: dict[str, object], other_checks: tuple[dict[str, object], ...] = ()) -> CaseFile:
    return check_case(
        {
            "schema": 1,
            "case": {"id": "order", "time_zone": "UTC"},
            "machine": {"refrigerant": "R134a"},
            "source": [
                {"path": "bas.csv", "clock": "building", "clock_check": list(checks)},
                {"path": "relay.csv", "clock": "relay", "clock_check": list(other_checks)},
            ],
        }
    )


def test_order_needs_intervals_apart() -> None:
    record = _record(b=2.0)
    assert order_of(_event(0, 1), _event(1, 2), record) is Provable.BEFORE
    assert order_of(_event(0, 1), _event(0.5, 2), record) is Provable.NOT_PROVABLE
    assert order_of(_event(5, 6), _event(1, 2), record) is Provable.AFTER
    assert order_of(_event(0, 1), _event(2, 3, "b"), record) is Provable.NOT_PROVABLE
    assert order_of(_event(0, 1), _event(4, 5, "b"), record) is Provable.BEFORE


def test_a_clock_without_an_offset_proves_no_order() -> None:
    record = _record(b=float("inf"))
    assert order_of(_event(0, 1), _event(4000, 4001, "b"), record) is Provable.NOT_PROVABLE


def test_two_recorders_with_three_shared_starts() -> None:
    """A relay's list against the building's log: the building is 153 s ahead, by three starts and a trip."""
    edges = [(-1637, 1), (-1070, 0), (-436, 1), (129, 0), (764, 1), (1358, 0)]
    building = _switch("building", [(-1700, 0), *edges], "bas.csv")
    listed = [(-1790, "Motor Start"), (-588, "Motor Start"), (611, "Motor Start"), (1205, "Motor Trip")]
    log = tuple(
        LogLine(time_ns=T0 + s * NS, point="", value="", text=text, source="relay.csv", clock="relay", row=k + 2)
        for k, (s, text) in enumerate(listed)
    )
    fit = fit_clocks(_record({Role.RUN_STATUS: (building,)}, log), _casefile())[1]
    assert fit.method is ClockMethod.ESTIMATED
    assert fit.offset_s is not None
    assert fit.uncertainty_s is not None
    # four lines to the second leave open that the list comes some seconds late
    assert abs(fit.offset_s + 153.0) <= fit.uncertainty_s
    assert fit.uncertainty_s <= 4.0
    assert fit.uncertainty_s is not None
    assert len(fit.anchors) == 4


def test_a_limit_that_the_case_replaces_reaches_the_clocks() -> None:
    """The clocks are 153 s apart: with a search of 60 s, and none for a wrong zone, their events do not meet."""
    edges = [(-1637, 1), (-1070, 0), (-436, 1), (129, 0), (764, 1), (1358, 0)]
    moved = [(at_s + 153, to) for at_s, to in edges]
    switches = {Role.RUN_STATUS: (_switch("building", edges, "bas.csv"), _switch("relay", moved, "relay.csv"))}
    near = {"clocks.search_s": (60.0, "site"), "clocks.zone_search_h": (60.0 / 3600.0, "site")}
    shipped = fit_clocks(_record(switches), _casefile())[1]
    narrowed = fit_clocks(_record(switches), _casefile(), read_limits().replaced(near))[1]
    assert shipped.method is ClockMethod.ESTIMATED
    assert narrowed.method is ClockMethod.NOT_POSSIBLE


def test_of_many_sightings_those_nearest_to_the_failure_tell_the_offset() -> None:
    """The clock drifts by 60 ppm; of each kind of event only so many as the limit says are held against each other."""
    rng = np.random.default_rng(11)
    times = np.cumsum(rng.uniform(300, 900, 60))
    times -= times[30]
    edges = [(float(t), k % 2) for k, t in enumerate(times)]
    moved = [(t * (1 + 60e-6) + 40.0, to) for t, to in edges]
    switches = {Role.RUN_STATUS: (_switch("building", edges, "bas.csv"), _switch("relay", moved, "relay.csv"))}
    few = read_limits().replaced({"clocks.sightings_max": (6.0, "site")})
    fit = fit_clocks(_record(switches), _casefile(), few)[1]
    assert fit.offset_s == pytest.approx(40.0, abs=1.0)
    assert len(fit.anchors) <= 12
    assert max(abs(pair.theirs.earliest_ns - T0) for pair in fit.anchors) < 12 * 900 * NS


def test_periodic_events_give_the_candidates_and_never_one_of_them() -> None:
    every = [(k * 600.0, k % 2) for k in range(-8, 9)]
    moved = [(k * 600.0 + 37.0, k % 2) for k in range(-8, 9)]
    switches = {Role.RUN_STATUS: (_switch("building", every, "bas.csv"), _switch("relay", moved, "relay.csv"))}
    fit = fit_clocks(_record(switches), _casefile())[1]
    assert fit.method is ClockMethod.NOT_POSSIBLE
    assert fit.offset_s is None
    assert len(fit.candidates_s) > 1
    assert any(abs(c - 37.0) < 1.5 for c in fit.candidates_s)


def test_a_whole_hour_zone_error_is_named() -> None:
    rng = np.random.default_rng(5)
    times = np.cumsum(rng.uniform(300, 1500, 14)) - 7000
    shared = [(float(t), k % 2) for k, t in enumerate(times)]
    moved = [(t + 5 * 3600 + 12.0, to) for t, to in shared]
    switches = {Role.RUN_STATUS: (_switch("building", shared, "bas.csv"), _switch("relay", moved, "relay.csv"))}
    fit = fit_clocks(_record(switches), _casefile())[1]
    assert fit.offset_s == pytest.approx(5 * 3600 + 12.0, abs=1.0)
    assert any("whole-hour zone error" in note and "+5 h" in note for note in fit.notes)


def test_a_check_noted_on_site_is_used_and_held_against_the_estimate() -> None:
    check = {"at": "2024-06-15T09:00:41+00:00", "true_time": "2024-06-15T09:00:00+00:00"}
    import datetime as dt

    read = {key: dt.datetime.fromisoformat(value) for key, value in check.items()}
    fits = fit_clocks(_record(), _casefile(read))
    assert fits[0].utc_error_s == pytest.approx(41.0)
    moved = align(_record(), fits)
    assert moved.failure_ns == T0 - 41 * NS
    assert fits[1].method is ClockMethod.NOT_POSSIBLE


def test_readings_before_and_after_an_event_are_never_the_nearest() -> None:
    """Amps every minute; a trip 40 s after a sample has that sample before it, and the next one after it."""
    minutes = np.array([-60, 0, 60, 900], dtype=np.int64)
    amps = Samples(
        Role.MOTOR_AMPS,
        Origin("amps.csv", "amps", "a"),
        T0 + minutes * NS,
        np.array([118.0, 117.0, 0.0, 116.0]),
        np.zeros(4, np.uint16),
        np.arange(4) + 2,
    )
    trip, later = T0 + 40 * NS, T0 + 600 * NS
    before, after = amps.before(trip, 60.0), amps.after(trip, 60.0)
    assert before is not None
    assert after is not None
    assert (before.value, before.age_s) == (117.0, 40.0)
    assert (after.value, after.age_s) == (0.0, 20.0)
    assert amps.before(later, 60.0) is None
    assert amps.after(later, 60.0) is None
