"""Rows out of order, clocks set back, hours that come twice, interval ends. All exports here are invented."""

from __future__ import annotations

import numpy as np
import pytest
from intake_reading import utc, values

from forensics.errors import Severity

AMPS = [("motor_amps", "Amps", {"unit": "A"})]


def steady(day: int = 14, count: int = 48, *, step: int = 10) -> list[str]:
    return [f"2031-03-{day:02} {m // 60:02}:{m % 60:02}:00,{m}.5" for m in range(0, count * step, step)]


def export(rows: list[str]) -> str:
    return "\n".join(["Time,Amps", *rows]) + "\n"


@pytest.mark.parametrize("day", ["13", "15", "02"])
def test_a_single_row_with_a_wrong_date_is_set_aside_and_told(text, day):
    rows = steady()
    rows[20] = rows[20].replace("-14 ", f"-{day} ")
    read = text(export(rows), AMPS)
    assert read.one.accounting.set_aside == {"stamp out of order": 1}
    assert len(read.samples("motor_amps")) == 47
    assert "line 22" in read.said(Severity.POINT)
    assert read.one.accounting.listed[0].text.endswith("200.5")


def test_its_date_can_be_told(text):
    rows = steady()
    rows[20] = rows[20].replace("-14 ", "-13 ")
    read = text(export(rows), AMPS, source={"row": [{"line": 22, "date": __import__("datetime").date(2031, 3, 14)}]})
    assert values(read.samples("motor_amps")) == [m + 0.5 for m in range(0, 480, 10)]
    assert not read.said()
    dropped = text(export(rows), AMPS, source={"row": [{"line": 22, "drop": True}]})
    assert dropped.one.accounting.set_aside == {"dropped by the case file": 1}
    wrong = text(export(rows), AMPS, source={"row": [{"line": 99, "drop": True}]})
    assert "line = 99" in wrong.said(Severity.STOP)


def test_a_row_that_comes_late_into_its_hole_is_kept(text):
    rows = steady()
    late = rows.pop(5)
    rows.insert(30, late)
    amps = text(export(rows), AMPS).samples("motor_amps")
    assert values(amps) == [m + 0.5 for m in range(0, 480, 10)]


def test_a_clock_set_back_into_the_past_is_asked_for(text):
    rows = [*steady(14)[24:], *steady(14)[:20]]
    read = text(export(rows), AMPS)
    assert "the clock was set back, or two parts stand in the wrong order" in read.said(Severity.STOP)
    assert "line 26" in read.said(Severity.STOP)
    joined = [*steady(14)[24:], "Time,Amps", *steady(14)[:20]]
    assert len(text(export(joined), AMPS).samples("motor_amps")) == 44, "a header between them: parts were joined"


def night(flags: list[str] | None = None, *, hours: tuple[int, ...] = (0, 2, 3)) -> str:
    rows = []
    for n, hour in enumerate(hours):
        flag = "" if flags is None else f",{flags[n]}"
        rows.append(f"2031-10-26 {hour:02}:30:00,{n}.5{flag}")
    return "\n".join(["Time,Amps" + ("" if flags is None else ",DST"), *rows]) + "\n"


@pytest.mark.parametrize(("flag", "hour"), [("1", 0), ("0", 1)])
def test_a_column_of_summer_time_settles_a_lone_row(text, flag, hour):
    alone = text(night(), AMPS, zone="Europe/Berlin")
    assert alone.one.accounting.set_aside == {"repeated hour: pass not known": 1}
    assert "[[source.row]]" in alone.said(Severity.POINT)
    for told in ({}, {"summer_time_column": "DST"}):
        read = text(night(["1", flag, "0"]), AMPS, zone="Europe/Berlin", source=told)
        assert utc(read.samples("motor_amps"))[1] == f"2031-10-26T0{hour}:30:00"
        assert not read.said()


@pytest.mark.parametrize(("which", "hour"), [("first", 0), ("second", 1)])
def test_the_answer_for_one_row(text, which, hour):
    read = text(night(), AMPS, zone="Europe/Berlin", source={"row": [{"line": 3, "pass": which}]})
    assert utc(read.samples("motor_amps"))[1] == f"2031-10-26T0{hour}:30:00"
    assert not read.said()


def test_a_column_that_contradicts_the_zone_is_asked_for(text):
    rows = [f"2031-06-{d:02} 08:00:00,{d}.5,0" for d in range(1, 20)]
    told = {"summer_time_column": "DST"}
    read = text("Time,Amps,DST\n" + "\n".join(rows) + "\n", AMPS, zone="Europe/Berlin", source=told)
    assert "does not tell the summer time of Europe/Berlin" in read.said(Severity.STOP)


@pytest.mark.parametrize(("stamps", "first"), [("interval-end", "23:50:00"), ("interval-start", "00:00:00")])
def test_what_the_stamp_of_an_average_marks(text, stamps, first):
    averaged = [("motor_amps", "Amps", {"unit": "A", "recorded": "average"})]
    amps = text(export(steady()), averaged, source={"stamps": stamps}).samples("motor_amps")
    assert utc(amps)[0].endswith(first)
    assert amps.origin.resolution_s == 600.0
    assert (np.diff(amps.t) == 600 * 10**9).all()
    plain = text(export(steady()), averaged)
    assert utc(plain.samples("motor_amps"))[0].endswith("00:00:00")
    assert "give stamps in [[source]]" in plain.notes()
