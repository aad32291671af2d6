"""The figure of a stop's equalisation: a fall whose opening is known, and readings that must not break it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from forensics.machine.stops.coastdown_model import pressure_after
from forensics.model.findings import Bounds, Stop
from forensics.model.points import NS, Origin, Samples, Span
from forensics.model.record import Record
from forensics.model.vocabulary import Role
from forensics.report.figures.equalisation import equalisation, fitted_fall, readings_after
from forensics.report.words.units import ReportTime

EPOCH = 1_900_000_000 * NS
COURSES: dict[str, Callable[[np.ndarray], np.ndarray]] = {
    "nothing": np.zeros_like,
    "below suction": lambda t: np.full_like(t, -50.0),
    "constant": lambda t: np.full_like(t, 480.0),
    "not a number": lambda t: np.full_like(t, np.nan),
    "endless": lambda t: np.where(t > 3.0, np.inf, 300.0),
    "one spike": lambda t: np.where(t < 1.0, 5000.0, 0.0),
    "grows": lambda t: 10.0 * t,
    "huge": lambda t: np.full_like(t, 1e9),
}


def _drawn(values: Callable[[np.ndarray], np.ndarray]) -> tuple[Record, Stop]:
    off_ns = EPOCH + 300 * NS
    seconds = np.arange(0.25, 600.0, 1.0)
    stamp = EPOCH + np.round(seconds * 1e9).astype(np.int64)
    since = seconds - 300.0
    high = np.where(since >= 0.0, 400.0 + values(since), 900.0)
    points = {
        role: (
            Samples(
                role=role,
                origin=Origin("t.csv", role.value, "c"),
                t=stamp,
                v=v,
                q=np.zeros(600, np.uint16),
                row=np.arange(2, 602),
                resolution=0.1,
            ),
        )
        for role, v in ((Role.DISCHARGE_PRESSURE, high), (Role.SUCTION_PRESSURE, np.full(600, 400.0)))
    }
    window = Span(EPOCH, EPOCH + 600 * NS)
    record = Record(
        samples=points,
        switches={},
        waveforms=(),
        log=(),
        failure_ns=off_ns,
        window=window,
        history=Span(EPOCH, EPOCH),
        clock_uncertainty_s={"c": 0.0},
    )
    return record, Stop(off_ns, off_ns - NS, off_ns)


@pytest.mark.parametrize("name", COURSES)
@pytest.mark.parametrize("bounds", [None, Bounds(0.0, 0.0, 0.0), Bounds(None, 0.0, 0.5, "below")])
def test_no_reading_and_no_bound_breaks_it(name: str, bounds: Bounds | None) -> None:
    record, stop = _drawn(COURSES[name])
    stop = replace(stop, equalisation_s=bounds)
    plate = equalisation(record, [stop], "si", ReportTime("UTC", 0))
    assert plate.key == "stop-equalisation"
    assert plate.caption


def test_the_opening_that_was_drawn_comes_back() -> None:
    record, stop = _drawn(lambda t: pressure_after(np.array(720.0), np.array(400.0), np.array(0.2), t) - 400.0)
    high, low = record.samples[Role.DISCHARGE_PRESSURE][0], record.samples[Role.SUCTION_PRESSURE][0]
    readings = readings_after(high, low, stop.time_ns)
    assert readings is not None
    fall = fitted_fall(readings)
    assert fall.conductance_per_s == pytest.approx(0.2, rel=0.2)
    assert fall.hold_s <= 1.0
