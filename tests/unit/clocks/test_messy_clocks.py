"""Two invented pairs of exports that go wrong on one axis: values of the right answer stand beside them."""

from __future__ import annotations

import shutil
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from forensics.clocks import align, events_near, fit_clocks, order_of
from forensics.intake.load_case import Case, load_case
from forensics.model.points import iso
from forensics.model.vocabulary import ClockMethod, Provable, Role

HERE = Path(__file__).parent / "messy"
HEAD = """schema = 1
[case]
id = "two-logs"
time_zone = "UTC"
failure = {failure}
[machine]
refrigerant = "R134a"
"""

TWO_CLOCKS = """
[[source]]
path = "bas_trend.csv"
clock = "building"
kind = "events"
point_column = "Point"
value_column = "Value"
[[source]]
path = "relay_events.csv"
clock = "relay"
kind = "events"
text_column = "Event"
[[point]]
role = "run_status"
column = "CH2 Comp Run"
source = "bas_trend.csv"
[[point]]
role = "load_solenoid"
column = "CH2 LoadSol"
source = "bas_trend.csv"
[[point]]
role = "trip"
column = "Event"
source = "relay_events.csv"
on = ["CH2 Motor Trip"]
off = ["CH2 Motor Start"]
"""


def _case(tmp_path: Path, folder: str, failure: str, text: str) -> Case:
    for path in (HERE / folder).iterdir():
        shutil.copy(path, tmp_path / path.name)
    (tmp_path / "case.toml").write_text(HEAD.format(failure=failure) + text, encoding="utf-8")
    return load_case(tmp_path / "case.toml")


@pytest.fixture
def two_clocks(tmp_path: Path) -> Case:
    return _case(tmp_path, "50-two-clocks", "2024-06-15T08:52:38", TWO_CLOCKS)


def test_the_trend_clock_is_153_s_ahead_of_the_relay(two_clocks: Case) -> None:
    fit = fit_clocks(two_clocks.record, two_clocks.file)[1]
    assert fit.method is ClockMethod.ESTIMATED
    assert fit.offset_s == pytest.approx(-153.0, abs=1.0)
    assert fit.uncertainty_s is not None
    assert fit.uncertainty_s <= 2.0
    assert len(fit.anchors) >= 3
    assert fit.drift_ppm is None


def test_the_solenoid_went_off_before_the_trip(two_clocks: Case) -> None:
    record = align(two_clocks.record, fit_clocks(two_clocks.record, two_clocks.file))
    events = {event.name: event for event in events_near(record, two_clocks.limits)}
    solenoid, trip = events["load_solenoid off"], events["trip on"]
    assert iso(solenoid.latest_ns)[:19] in {"2024-06-15T08:52:30", "2024-06-15T08:52:31"}
    # a list may be late by a scan: its line may stand for an event of seconds before
    assert trip.earliest_ns <= two_clocks.record.failure_ns <= trip.latest_ns + 2_000_000_000
    assert order_of(solenoid, trip, record) is Provable.BEFORE


def test_amps_beside_an_event_are_the_last_before_and_the_first_after(tmp_path: Path) -> None:
    text = """
[[source]]
path = "ch2_amps_1min.csv"
clock = "building"
[[source]]
path = "ch2_events.csv"
clock = "building"
kind = "events"
text_column = "Event"
[[point]]
role = "motor_amps"
column = "CH2 Comp Amps"
source = "ch2_amps_1min.csv"
unit = "A"
[[point]]
role = "trip"
column = "Event"
source = "ch2_events.csv"
on = ["CH2 Motor Trip"]
"""
    case = _case(tmp_path, "49-asof-takes-the-future", "2024-06-15T08:30:40", text)
    amps = case.record.point(Role.MOTOR_AMPS)
    assert amps is not None
    times = {line.text: line.time_ns for line in case.record.log}
    # event: amps before it with their age in s, amps after it within 60 s with theirs; None is unknown
    right = {
        "CH2 LoadSol Off": ((117.0, 4.0), (0.0, 56.0)),
        "CH2 Motor Trip": ((117.0, 40.0), (0.0, 20.0)),
        "CH2 LoadSol On": (None, None),
    }
    for text_, (before, after) in right.items():
        old, new = amps.before(times[text_], 60.0), amps.after(times[text_], 60.0)
        assert (None if old is None else (old.value, old.age_s)) == before
        assert (None if new is None else (new.value, new.age_s)) == after


def _shaken(tmp_path: Path, later_s: tuple[int, int, int]) -> Case:
    """The two logs with the relay's starts moved: what both saw is then spread about one offset."""
    text = (HERE / "50-two-clocks" / "relay_events.csv").read_text(encoding="utf-8")
    head, *lines = text.splitlines()
    starts = iter(later_s)
    out = [head]
    for line in lines:
        stamp, event = line.split(",", 1)
        moved = datetime.fromisoformat(stamp)
        if "Start" in event:
            moved += timedelta(seconds=next(starts))
        out.append(f"{moved:%Y-%m-%d %H:%M:%S},{event}")
    (tmp_path / "relay_events.csv").write_text("\n".join(out) + "\n", encoding="utf-8")
    shutil.copy(HERE / "50-two-clocks" / "bas_trend.csv", tmp_path)
    (tmp_path / "case.toml").write_text(HEAD.format(failure="2024-06-15T08:52:38") + TWO_CLOCKS, encoding="utf-8")
    return load_case(tmp_path / "case.toml")


@pytest.mark.parametrize("later_s", [(0, 20, -15), (0, -40, 12)])
def test_starts_spread_wider_than_the_gap_leave_the_order_not_known(
    tmp_path: Path, later_s: tuple[int, int, int]
) -> None:
    case = _shaken(tmp_path, later_s)
    fits = fit_clocks(case.record, case.file)
    record = align(case.record, fits)
    events = {event.name: event for event in events_near(record, case.limits)}
    assert order_of(events["load_solenoid off"], events["trip on"], record) is Provable.NOT_PROVABLE
