"""Stamps that carry no year: asked for, then counted on over the turn of the year. All exports here are invented."""

from __future__ import annotations

import numpy as np
import pytest
from intake_reading import utc

from forensics.errors import Severity

POINT = [("motor_amps", "Amps", {"unit": "A"})]
DAYS = [(12, 30), (12, 31), (1, 1), (1, 2)]
FORMS = {
    "syslog": "{mon} {d:02} {c}",
    "day first": "{d}/{m:02} {c}",
    "month first": "{m:02}-{d:02} {c}",
    "named": "{d} {mon} {c}",
    "dots": "{d:02}.{m:02}. {c}",
}
MONTHS = {12: "Dec", 1: "Jan"}


def lines(form: str, *, newest_first: bool = False) -> str:
    out = []
    for n, (m, d) in enumerate(DAYS):
        for h in range(24):
            stamp = FORMS[form].format(m=m, d=d, mon=MONTHS[m], c=f"{h:02}:00:00")
            out.append(f"{stamp},{n * 24 + h}.5")
    return "\n".join(["Time,Amps", *(out[::-1] if newest_first else out)]) + "\n"


@pytest.mark.parametrize("form", FORMS)
def test_the_year_is_asked_for_and_goes_on(text, form):
    asked = text(lines(form), POINT)
    assert "carry no year" in asked.said(Severity.STOP)
    assert "year = 2031" in asked.said(Severity.STOP)
    assert asked.said().count("log.csv") == 1, "one question, without a second one that follows from it"
    read = text(lines(form), POINT, source={"year": 2031})
    amps = read.samples("motor_amps")
    assert utc(amps)[0] == "2031-12-30T00:00:00"
    assert utc(amps)[-1] == "2032-01-02T23:00:00"
    assert (np.diff(amps.t) == 3600 * 10**9).all()
    assert not read.said()


def test_newest_first_counts_down(text):
    amps = text(lines("syslog", newest_first=True), POINT, source={"year": 2032}).samples("motor_amps")
    assert utc(amps)[0] == "2031-12-30T00:00:00"
    assert (np.diff(amps.v) > 0).all()


def test_a_clock_that_is_set_back_an_hour_does_not_change_the_year(text):
    rows = lines("syslog").splitlines()
    rows.insert(30, "Dec 30 22:30:00,99.5")
    stamps = utc(text("\n".join(rows) + "\n", POINT, source={"year": 2031}).samples("motor_amps"))
    assert {stamp[:4] for stamp in stamps} == {"2031", "2032"}
    assert sum(stamp.startswith("2031") for stamp in stamps) == 49


def test_a_number_with_a_point_is_no_date(text):
    read = text("Time,Amps\n2031-03-14 08:00,12.5\n2031-03-14 08:01,11.4\n", POINT)
    assert read.samples("motor_amps").v.tolist() == [12.5, 11.4]
