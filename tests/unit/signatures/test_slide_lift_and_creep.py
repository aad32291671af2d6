"""Current corrected for lift, response and drift told apart, movement between samples: made records."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forensics.machine.capacity import capacity
from forensics.machine.subject import Subject
from forensics.model.points import NS
from forensics.model.record import Record
from forensics.model.vocabulary import Outcome, Role
from forensics.signatures.core.catalogue import detectors_of
from forensics.signatures.slide.creep import Creep, creep_of
from forensics.signatures.slide.holds import stretches
from forensics.signatures.slide.lift import relation_of, robust_fit
from forensics.signatures.slide.motion import running_bins
from forensics.signatures.slide.rates import rates_of
from signatures.machine import RATED, Cycle, Drawn, draw, subject_of

PRESENT, ABSENT, CANNOT_TELL = Outcome.PRESENT, Outcome.ABSENT, Outcome.CANNOT_TELL
HIGH, SUCTION = 0.02, 0.04  # % of rated current a kPa, at 100 % of rated


def test_the_robust_line_is_that_of_the_library() -> None:
    """statsmodels 0.15 RLM with Huber's t of 1.345; its default covariance (H1) for the spread of the slopes."""
    from statsmodels.robust.norms import HuberT
    from statsmodels.robust.robust_linear_model import RLM

    rng = np.random.default_rng(4)
    design = np.column_stack([rng.normal(0.0, 5.0, 80), rng.normal(0.0, 2.0, 80), rng.uniform(0.5, 3.0, 80)])
    y = design @ np.array([0.4, -0.3, 1.5]) + rng.normal(0.0, 0.2, 80)
    y[::9] += 6.0  # pulses that no log shows
    # the scale of the library is about zero as well: median of what is left over 0.6745
    found, covariance = robust_fit(design, y)
    theirs = RLM(y, design, M=HuberT(1.345)).fit(tol=1e-10, maxiter=200)
    assert found == pytest.approx(theirs.params, rel=2e-3)
    assert np.sqrt(np.diag(covariance)) == pytest.approx(theirs.bse, rel=0.05)


def breathing(record: Record, *, amps: bool = True) -> Record:
    """Pressures that swing by themselves while the current follows them and the slide stands still; no slide logged."""
    t = record.samples[Role.CONDENSER_PRESSURE][0].t
    seconds = (t - t[0]) / NS
    on = record.samples[Role.MOTOR_AMPS][0].v > 0.05 * RATED
    high = 60.0 * np.sin(2 * np.pi * seconds / 1700.0) * on
    low = 25.0 * np.sin(2 * np.pi * seconds / 1100.0 + 1.0) * on
    moved = {
        Role.CONDENSER_PRESSURE: high,
        Role.DISCHARGE_PRESSURE: high,
        Role.SUCTION_PRESSURE: low,
    }
    samples = dict(record.samples)
    for role, by in moved.items():
        (point,) = samples[role]
        samples[role] = (replace(point, v=point.v + by),)
    if amps:
        (point,) = samples[Role.MOTOR_AMPS]
        samples[Role.MOTOR_AMPS] = (replace(point, v=point.v * (1 + HIGH * high / 100 + SUCTION * low / 100)),)
    samples.pop(Role.SLIDE_POSITION, None)
    return replace(record, samples=samples)


def long_holds(**changes: object) -> Record:
    drawn = Drawn([Cycle(900.0, 14400.0), Cycle(15300.0, 28800.0)], 29400.0, noise=0.0004, **changes)  # type: ignore[arg-type]
    return draw(drawn)


def test_the_machines_own_relation_of_current_and_pressures_is_found() -> None:
    subject = subject_of(breathing(long_holds()))
    source = capacity(subject)
    assert source is not None
    assert not source.by_slide
    found = relation_of(subject, source, *stretches(subject, source))
    assert found is not None
    assert found.stretches >= 20
    assert found.per_kpa == pytest.approx([HIGH, SUCTION], abs=0.006)


def outcome(subject: Subject, check: str) -> Outcome:
    (answer,) = detectors_of("slide")[check](subject)
    return answer.outcome


@pytest.mark.parametrize("swing", [True, False])
def test_lift_that_moves_is_no_drift(swing: bool) -> None:
    record = breathing(long_holds()) if swing else breathing(long_holds(), amps=False)
    for check in ("slide.drifts_to_load", "slide.drifts_to_unload"):
        assert outcome(subject_of(record), check) is not PRESENT


def drifting() -> Record:
    """Eight runs in which the slide has room to drift through the whole of each."""
    cycles = [Cycle(900.0 + 1800 * i, 2100.0 + 1800 * i) for i in range(10)]
    return draw(Drawn(cycles, 19200.0, noise=0.0004, drift_per_min=3.0))


def test_a_drift_is_seen_in_the_current_though_lift_moves() -> None:
    subject = subject_of(breathing(drifting()))
    assert outcome(subject, "slide.drifts_to_load") is PRESENT
    assert outcome(subject, "slide.drifts_to_unload") is not PRESENT


def test_a_current_whose_lift_is_not_logged_tells_of_no_drift() -> None:
    record = breathing(drifting())
    gone = (Role.CONDENSER_PRESSURE, Role.DISCHARGE_PRESSURE)
    bare = replace(record, samples={r: p for r, p in record.samples.items() if r not in gone})
    assert outcome(subject_of(bare), "slide.drifts_to_load") is CANNOT_TELL


@pytest.mark.parametrize("drift", [0.0, 2.0])
def test_response_and_drift_are_told_apart(drift: float) -> None:
    """The drawing moves 2.5 % a second of load, 3.6 % of unload, and drifts as it is asked to."""
    cycles = [Cycle(900.0 + 1200 * i, 1800.0 + 1200 * i) for i in range(8)]
    subject = subject_of(draw(Drawn(cycles, 10500.0, drift_per_min=drift)))
    source = capacity(subject)
    assert source is not None
    found = rates_of(subject, running_bins(subject, source), source)
    assert found is not None
    assert found.drift.low <= drift <= found.drift.high + 0.1
    assert found.load is not None
    assert found.load.value == pytest.approx(2.5, rel=0.15)
    assert found.unload is not None
    assert found.unload.value == pytest.approx(3.6, rel=0.15)


def sawtooth(rate: float, back_every_s: float, step_s: float, *, noise: float = 0.05) -> Record:
    """A slide that creeps at % a minute and is taken back at once every so often, commands left out."""
    record = draw(Drawn([Cycle(900.0, 14400.0)], 15000.0, step_s=step_s))
    (point,) = record.samples[Role.SLIDE_POSITION]
    seconds = (point.t - point.t[0]) / NS
    rng = np.random.default_rng(3)
    level = 50.0 + rate / 60.0 * (seconds % back_every_s) + rng.normal(0.0, noise, len(seconds))
    samples = {**record.samples, Role.SLIDE_POSITION: (replace(point, v=level),)}
    return replace(record, samples=samples, switches={})


def test_movement_in_most_steps_is_told_with_its_rate_and_that_it_is_undone() -> None:
    subject = subject_of(sawtooth(3.0, 300.0, 15.0))
    source = capacity(subject)
    assert source is not None
    found = creep_of(subject, source)
    assert found is not None
    assert found.low <= 3.0 <= found.high
    assert found.undone(1.0, 0.5)
    still = subject_of(sawtooth(0.0, 300.0, 15.0))
    held = capacity(still)
    assert held is not None
    quiet = creep_of(still, held)
    assert quiet is not None
    assert quiet.low <= 0.0 <= quiet.high
    assert quiet.restless < 1.0


def test_a_slow_change_of_load_is_not_undone() -> None:
    assert not Creep(3.0, 2.5, 3.5, 2.9, 3.0, 200, (0, 1)).undone(1.0, 0.5)
    assert Creep(-3.0, -3.5, -2.5, 0.1, 3.0, 200, (0, 1)).undone(-1.0, 0.5)


def test_without_a_step_free_of_commands_no_drift_is_told() -> None:
    """Every step holds a command, so that what goes with time and what goes with commands can not be told apart."""
    cycles = [Cycle(900.0 + 1200 * i, 1800.0 + 1200 * i) for i in range(8)]
    record = draw(Drawn(cycles, 10500.0))
    (load,) = record.switches[Role.LOAD_SOLENOID]
    seconds = (load.t - load.t[0]) / NS
    pulsing = (seconds % 10.0 < 2.0).astype(np.int8)
    record = replace(record, switches={**record.switches, Role.LOAD_SOLENOID: (replace(load, state=pulsing),)})
    subject = subject_of(record)
    source = capacity(subject)
    assert source is not None
    assert rates_of(subject, running_bins(subject, source), source) is None
