"""Numbers that decide at their edge: one step this side, on it, and that side, on drawn machines."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forensics.machine.baseline import cite
from forensics.machine.equalisation import equalisation
from forensics.machine.rotor_pressure import Difference
from forensics.machine.subject import Subject
from forensics.model.points import NS, Origin, Samples
from forensics.model.vocabulary import Outcome, Role
from forensics.rules import read_limits
from forensics.signatures.core.catalogue import all_detectors
from signatures.machine import EPOCH, RATED, Cycle, Drawn, draw, subject_of

PRESENT, ABSENT, CANNOT_TELL = Outcome.PRESENT, Outcome.ABSENT, Outcome.CANNOT_TELL
TRIPPED_S, STARTED_S = 2900.0, 3600.0


@pytest.fixture(scope="module")
def restarted() -> Subject:
    """A machine that tripped under load and was started again seven hundred seconds later."""
    cycles = [Cycle(900.0, 1500.0), Cycle(2700.0, TRIPPED_S, trip=True), Cycle(STARTED_S, 4200.0)]
    cycles[2].slide_at_start = 50.0
    return subject_of(draw(Drawn(cycles, 5000.0)))


def answer(subject: Subject) -> Outcome:
    (finding,) = all_detectors()["starts.after_trapped_stop"](subject)
    return finding.outcome


def with_slide(subject: Subject, samples: Samples) -> Subject:
    points = {**subject.record.samples, Role.SLIDE_POSITION: (samples,)}
    return replace(subject, record=replace(subject.record, samples=points))


@pytest.mark.parametrize(
    ("share", "outcome"),
    [
        (0.606, PRESENT),
        # up to the share, and down to nine tenths of the share of an unloaded motor, the amps tell neither
        (0.6, CANNOT_TELL),
        (0.594, CANNOT_TELL),
        (0.455, CANNOT_TELL),
        (0.445, ABSENT),
    ],
)
def test_amps_before_a_trip_tell_a_loaded_stop_beyond_their_share_alone(
    restarted: Subject, share: float, outcome: Outcome
) -> None:
    tripped = next(stop for stop in restarted.stops if abs(stop.time_ns - EPOCH - TRIPPED_S * NS) < 5 * NS)
    told_by_amps = replace(tripped, slide_percent=None, amps_before=share * RATED)
    stops = tuple(told_by_amps if stop is tripped else stop for stop in restarted.stops)
    assert answer(replace(restarted, stops=stops)) is outcome


@pytest.mark.parametrize(("age_s", "outcome"), [(594.0, PRESENT), (606.0, ABSENT)])
def test_a_slide_reading_of_ten_minutes_still_tells_and_an_older_one_does_not(
    restarted: Subject, age_s: float, outcome: Outcome
) -> None:
    """Read in time, the slide stood loaded before the start; too old, the vent command of a minute tells instead."""
    start = min(restarted.starts, key=lambda s: abs(s.time_ns - EPOCH - STARTED_S * NS))
    slide = restarted.record.samples[Role.SLIDE_POSITION][0]
    last = start.earliest_ns - round(age_s * NS)
    known = (slide.t <= last) | (slide.t > start.latest_ns)
    kept = Samples(slide.role, slide.origin, slide.t[known], slide.v[known], slide.q[known], slide.row[known])
    at = int(np.searchsorted(kept.t, last, side="right")) - 1
    t, v = kept.t.copy(), kept.v.copy()
    t[at], v[at] = last, 80.0
    assert answer(with_slide(restarted, replace(kept, t=t, v=v))) is outcome


def points(role: Role, seconds: np.ndarray, values: np.ndarray) -> Samples:
    times = EPOCH + np.round(seconds * NS).astype(np.int64)
    origin = Origin("trend.csv", role.value, "controller")
    return Samples(role, origin, times, values, np.zeros(len(times), np.uint16), np.arange(len(times)) + 2)


@pytest.mark.parametrize(
    ("from_s", "to_s", "rows"),
    [
        # sample n, counted from 0, stands in row n + 2 at second 10 n
        (20.0, 40.0, (4, 6)),
        # the reading that held at the beginning is cited, the one after the end is not
        (25.0, 49.0, (4, 6)),
        (25.0, 50.0, (4, 7)),
        (90.0, 500.0, (11, 11)),
    ],
)
def test_rows_that_are_cited_end_with_the_last_one_inside(from_s: float, to_s: float, rows: tuple[int, int]) -> None:
    point = points(Role.OIL_PRESSURE, np.arange(10) * 10.0, np.arange(10.0))
    (found,) = cite(point, EPOCH + round(from_s * NS), EPOCH + round(to_s * NS))
    assert (found.source, found.column, found.rows) == ("trend.csv", "oil_pressure", rows)


def decaying(rest: float, first: float = 300.0, tau: float = 3.0) -> Difference:
    """A difference that falls from ``first`` to ``rest`` from second 0, known to 20 kPa at equal pressures."""
    seconds = np.arange(-5.0, 60.0, 0.5)
    values = np.where(seconds <= 0.0, first, rest + (first - rest) * np.exp(-np.maximum(seconds, 0.0) / tau))
    upper = points(Role.DISCHARGE_PRESSURE, seconds, 400.0 + values)
    lower = points(Role.SUCTION_PRESSURE, seconds, np.full(len(seconds), 400.0))
    return Difference(upper, lower, upper.t, values, 0.5, offset_kpa=0.0, offset_error_kpa=20.0)


@pytest.mark.parametrize("rest", [-19.0, -5.0, 0.0, 15.0])
def test_a_difference_that_comes_to_rest_within_the_offset_of_the_sensors_is_fitted(rest: float) -> None:
    tau, error, why = equalisation(decaying(rest), EPOCH, EPOCH + 100 * NS, read_limits())
    assert tau == pytest.approx(3.0, rel=1e-3)
    assert error is not None
    assert error < 0.01, "by the curve; the time to 1/e would be known to half a sample interval"
    assert why == ""


def test_gas_does_not_flow_on_past_equal_pressures() -> None:
    """A difference that ends far below the offset of the sensors is no equalisation: the time to 1/e stands instead."""
    tau, error, _ = equalisation(decaying(-150.0), EPOCH, EPOCH + 100 * NS, read_limits())
    assert error == 0.25
    # -150 + 450 exp(-t / 3) = 300 / e, by hand
    assert tau == pytest.approx(3.0 * np.log(450.0 / (150.0 + 300.0 / np.e)), abs=0.1)
