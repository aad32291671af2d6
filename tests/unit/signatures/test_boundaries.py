"""Numbers that decide at their edge: one step this side, on it, and that side, on drawn machines."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forensics.machine.duty.baseline import cite
from forensics.machine.stops.equalisation import equalisation
from forensics.machine.stops.rotor_pressure import Difference
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


@pytest.mark.parametrize(("age_s", "outcome"), [(594.0, ABSENT), (606.0, PRESENT)])
def test_a_slide_reading_of_ten_minutes_still_tells_and_an_older_one_does_not(
    restarted: Subject, age_s: float, outcome: Outcome
) -> None:
    """Read in time, the slide stood at its minimum before the start; too old, the missing command tells instead."""
    start = min(restarted.starts, key=lambda s: abs(s.time_ns - EPOCH - STARTED_S * NS))
    slide = restarted.record.samples[Role.SLIDE_POSITION][0]
    last = start.earliest_ns - round(age_s * NS)
    known = (slide.t <= last) | (slide.t > start.latest_ns)
    kept = Samples(slide.role, slide.origin, slide.t[known], slide.v[known], slide.q[known], slide.row[known])
    at = int(np.searchsorted(kept.t, last, side="right")) - 1
    t, v = kept.t.copy(), kept.v.copy()
    t[at], v[at] = last, 2.0
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


def test_the_time_to_1_e_is_that_of_the_crossing_and_half_the_width_of_the_stop() -> None:
    """By hand: the root of 300 kPa falls along a line to zero in 3 s; the stop is known to one second."""
    seconds = np.arange(-5.0, 60.0, 0.5)
    root = np.sqrt(300.0) - np.clip(seconds, 0.0, None) * np.sqrt(300.0) / 3.0
    values = np.where(seconds <= 0.0, 300.0, np.maximum(root, 0.0) ** 2)
    upper = points(Role.DISCHARGE_PRESSURE, seconds, 400.0 + values)
    lower = points(Role.SUCTION_PRESSURE, seconds, np.full(len(seconds), 400.0))
    rotors = Difference(upper, lower, upper.t, values, 0.5, offset_kpa=0.0, offset_error_kpa=20.0)
    found, why = equalisation(rotors, (EPOCH - NS, EPOCH), EPOCH + 100 * NS, read_limits())
    assert why == ""
    assert found is not None
    # the root falls along a line: sqrt(300 / e) is met at 3 (1 - exp(-1/2)) s
    assert found.value == pytest.approx(3.0 * (1.0 - np.exp(-0.5)) + 0.5, abs=1e-6)
