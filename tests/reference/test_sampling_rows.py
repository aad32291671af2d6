"""What sampling can show: rows ST-023 and ST-037 to ST-047, arithmetic of a uniform sampling phase and JCGM 100.

JCGM 100 clause 4.3.7: what lies anywhere in an interval of width w has the standard uncertainty w / sqrt(12).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from check_values import Row, spread
from steady import BEGIN_NS, point

from forensics.clocks.lag import correlate_clocks
from forensics.electrics.record_helpers import cycle_width
from forensics.electrics.residual_voltage import residual_direction
from forensics.model.points import NS, ON, Samples, Span
from forensics.model.record import Record, Waveform
from forensics.model.switches import Switch
from forensics.model.vocabulary import Outcome, Recorded, Role
from forensics.rules import read_limits
from forensics.rules.detectability import chance_of_a_sample, detection_limits, read_short_events

Rows = dict[str, Row]


@pytest.mark.parametrize("row_id", spread("ST-037 to ST-042"))
def test_chance_that_samples_catch_an_event(rows: Rows, row_id: str) -> None:
    """The project prints the chance of one event; that of several independent ones follows from it."""
    row = rows[row_id]
    length_s, interval_s, count = row.given
    assert 1.0 - (1.0 - chance_of_a_sample(length_s, interval_s)) ** count == row.about()


def test_events_needed_to_catch_one_with_95_percent(rows: Rows) -> None:
    """ST-045: 3 s at 60 s."""
    chance = chance_of_a_sample(3.0, 60.0)
    assert math.ceil(math.log(0.05) / math.log(1.0 - chance)) == rows["ST-045"].values[0]


def record_of(samples: Samples) -> Record:
    span = Span(int(samples.t[0]), int(samples.t[-1]))
    return Record(
        samples={samples.role: (samples,)},
        switches={},
        waveforms=(),
        log=(),
        failure_ns=span.end_ns,
        window=span,
        history=span,
    )


def test_samples_inside_an_event(rows: Rows) -> None:
    """ST-043: two or three by chance, so that only an event of three whole intervals is said to show its shape."""
    row = rows["ST-043"]
    length_s, interval_s = row.given
    counts = []
    for phase_s in (np.arange(200) + 0.5) / 200.0 * interval_s:
        samples = point(Role.MOTOR_AMPS, np.zeros(10), interval_s)
        begin = BEGIN_NS + round((30.0 - phase_s) * NS)
        counts.append(len(samples.between(begin, begin + round(length_s * NS))))
    two, half, three, _, mean = row.values
    assert set(counts) == {two, three}
    assert np.mean(np.array(counts) == two) == pytest.approx(half, abs=0.01)
    assert np.mean(counts) == pytest.approx(mean, abs=0.01)
    event = next(e for e in read_short_events() if Role.MOTOR_AMPS in e.points)
    for spacing_s, shape in ((interval_s, False), (length_s / 3.0, True)):
        scaled = point(Role.MOTOR_AMPS, np.zeros(10), spacing_s * event.length_s / length_s)
        found = next(f for f in detection_limits(record_of(scaled)) if f.event is event)
        assert found.shape is shape


def test_a_frequency_above_half_the_sampling_rate_is_never_read(rows: Rows) -> None:
    """ST-044: 0.9 Hz at one sample a second looks like 0.1 Hz, so such a record tells nothing of phases."""
    row = rows["ST-044"]
    t = np.arange(0.0, 200.0)
    shown = np.fft.rfftfreq(len(t))[np.argmax(np.abs(np.fft.rfft(np.cos(2 * np.pi * 0.9 * t))))]
    assert shown == pytest.approx(row.values[0], abs=0.01)
    phases = {
        role: np.cos(2 * np.pi * (0.9 * t - k / 3))
        for k, role in enumerate((Role.VOLTS_AB, Role.VOLTS_BC, Role.VOLTS_CA))
    }
    slow = Waveform(
        source="slow.cfg",
        clock="recorder",
        start_ns=0,
        time_s=t,
        analog=phases,
        status={},
        trigger_s=None,
        line_hertz=0.9,
        measured_at="motor",
    )
    limits = read_limits()
    assert cycle_width(slow, limits) is None
    answer = residual_direction(slow, limits)
    assert answer.outcome is Outcome.CANNOT_TELL
    assert "too slow" in answer.why_not


def test_a_polled_edge_is_an_interval_of_one_poll(rows: Rows) -> None:
    """ST-046: the edge lies after the last sample of the old state, up to the first of the new one."""
    row = rows["ST-046"]
    interval_s = row.given[0]
    samples = point(Role.MOTOR_AMPS, np.repeat([0.0, 100.0], 10), interval_s)
    (edge,) = samples.crossings(10.0, 20.0, 0.0)
    assert edge.to == ON
    assert edge.width_s / math.sqrt(12.0) == row.about()
    assert (edge.latest_ns - BEGIN_NS) / NS == 10 * interval_s


def test_an_interval_between_two_rows_of_change(rows: Rows) -> None:
    """ST-047: each end is known to the resolution of the stamps."""
    row = rows["ST-047"]
    base = point(Role.MOTOR_AMPS, np.zeros(4), 10.0, Recorded.CHANGE)
    origin = replace(base.origin, resolution_s=1.0)
    switch = Switch(Role.LOAD_SOLENOID, origin, base.t, np.array([0, 1, 0, 1], np.int8), base.row)
    assert [edge.width_s for edge in switch.edges] == [0.0, 0.0, 0.0]
    assert switch.interval_s * math.sqrt(2.0 / 12.0) == row.about()


def test_a_lag_of_two_slow_logs_is_given_no_finer_than_they_can_tell(rows: Rows) -> None:
    """ST-023: two minute logs with independent phases differ by 24.5 s (standard deviation) for no reason."""
    row = rows["ST-023"]
    rng = np.random.default_rng(11)
    fine = np.cumsum(rng.normal(size=40_000))
    errors = []
    half_width_s = 0.0
    for phase_s in rng.integers(0, 60, 12):
        mine = point(Role.OIL_TEMPERATURE, fine[600 + phase_s :: 60][:500], 60.0, clock="meter")
        theirs = point(Role.OIL_TEMPERATURE, fine[::60][:500], 60.0)
        both = Record(
            samples={Role.OIL_TEMPERATURE: (theirs, mine)},
            switches={},
            waveforms=(),
            log=(),
            failure_ns=0,
            window=Span(0, 1),
            history=Span(0, 1),
        )
        found = correlate_clocks(both, "meter", "controller", read_limits())
        assert found is not None
        # the meter's first stamp bears the reference's begin, but shows what came 600 s and a phase later
        errors.append(found[0] + 600.0 + phase_s)
        half_width_s = found[1]
    assert half_width_s > 2.0 * row.values[0]
    assert np.max(np.abs(errors)) <= half_width_s
