"""Starts: table, interval, judgement and checks, on drawn records; the interval against an outside library."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from forensics.case.schema import CurrentSensor
from forensics.intake.load_case import load_case
from forensics.machine.history import unseen_run
from forensics.machine.starts.start_table import list_starts, unloaded_share
from forensics.machine.starts.unloaded import UnloadedCriterion, judge_unloaded
from forensics.model.findings import Start
from forensics.model.points import NS
from forensics.model.vocabulary import Answer, Outcome, PreviousStop, Role, Starter
from forensics.rules import read_checks, read_limits
from forensics.signatures.core.catalogue import detectors_of
from forensics.stats.proportions import wilson
from signatures.machine import EPOCH, RATED, Cycle, Drawn, draw, healthy, machine, subject_of

DETECTORS = detectors_of("starts")


def _outcome(subject, check):
    (finding,) = DETECTORS[check](subject)
    return finding.outcome


@pytest.fixture(scope="module")
def well():
    return subject_of(draw(healthy(4)))


@pytest.fixture(scope="module")
def loaded():
    cycles = [Cycle(900.0 + 1800.0 * i, 1500.0 + 1800.0 * i) for i in range(4)]
    cycles[3].slide_at_start = 60.0
    return subject_of(draw(Drawn(cycles, 8000.0)))


def test_settled_amps_and_ratio(well):
    for start in well.starts:
        assert start.ratio == pytest.approx(0.40, abs=0.01)
        assert start.low is not None
        assert start.low < 0.40 < start.high
        assert start.settled_ended_by == "bypass_solenoid"
        assert start.unloaded is Answer.YES


def test_ratio_arithmetic():
    """Definition (check value SC-005): a settled mean of 118.4 A of 296 A rated is 0.4000."""
    record = draw(healthy(1, noise=0.0))
    amps = record.samples[Role.MOTOR_AMPS][0]
    scaled = replace(amps, v=amps.v * 118.4 / (0.40 * RATED), resolution=0.0)
    record = replace(record, samples={**record.samples, Role.MOTOR_AMPS: (scaled,)})
    plate = machine(rated_load_amps=296.0, current_sensor=CurrentSensor(ratio_error_percent=2.0))
    (start,) = subject_of(record, plate).starts
    assert start.settled_amps == pytest.approx(118.4, abs=1e-9)
    assert start.ratio == pytest.approx(0.4000, abs=1e-4)
    assert (start.high - start.low) / 2 == pytest.approx(0.02 * 0.4000, abs=1e-4)


def test_inrush_and_transition_are_not_settled(well):
    start = well.starts[0]
    assert start.inrush_amps == pytest.approx(3.0 * RATED, rel=0.05)
    assert (start.settled_from_ns - start.latest_ns) / NS >= 8.0


@pytest.mark.parametrize("starter", [Starter.ACROSS_THE_LINE, Starter.SOFT_START, Starter.PART_WINDING, None])
def test_every_starter_settles_to_the_same(starter):
    subject = subject_of(draw(healthy(1)), machine(starter=starter))
    assert subject.starts[0].ratio == pytest.approx(0.40, abs=0.01)


def test_variable_speed_needs_the_drive_frequency():
    subject = subject_of(draw(healthy(1, slide=False)), machine(starter=Starter.VARIABLE_SPEED))
    assert subject.starts[0].ratio is None
    assert "drive_hertz" in subject.starts[0].why_not
    assert subject.starts[0].unloaded is Answer.CANNOT_TELL


def test_a_loaded_start_is_found_without_the_slide():
    cycles = [Cycle(900.0 + 1800.0 * i, 1500.0 + 1800.0 * i) for i in range(4)]
    cycles[3].slide_at_start = 60.0
    subject = subject_of(draw(Drawn(cycles, 8000.0, slide=False)))
    assert [s.unloaded for s in subject.starts] == [Answer.YES] * 3 + [Answer.NO]
    assert _outcome(subject, "starts.loaded_at_failure") is Outcome.PRESENT


def test_loaded_at_failure(well, loaded):
    assert _outcome(well, "starts.loaded_at_failure") is Outcome.ABSENT
    assert _outcome(loaded, "starts.loaded_at_failure") is Outcome.PRESENT


def test_coarse_samples_tell_nothing_of_the_settled_amps():
    subject = subject_of(draw(healthy(4, step_s=300.0, slide=False)))
    assert all(s.unloaded is Answer.CANNOT_TELL for s in subject.starts)
    assert _outcome(subject, "starts.loaded_at_failure") is Outcome.CANNOT_TELL


def test_slide_and_amps_that_contradict_each_other_cannot_tell():
    start = Start(0, 0, 0, ratio=0.80, low=0.78, high=0.82, slide_percent=0.0)
    assert judge_unloaded(start, UnloadedCriterion(read_limits(), 0.40)).answer is Answer.CANNOT_TELL


@pytest.mark.parametrize(("ratio", "answer"), [(0.40, Answer.YES), (0.495, Answer.CANNOT_TELL), (0.60, Answer.NO)])
def test_the_interval_decides_at_the_limit(ratio, answer):
    start = Start(0, 0, 0, ratio=ratio, low=ratio * 0.97, high=ratio * 1.03)
    assert judge_unloaded(start, UnloadedCriterion(read_limits())).answer is answer


def test_share_of_unloaded_starts(loaded):
    share = unloaded_share(loaded.starts)
    assert (share.count, share.of, share.cannot_tell) == (3, 4, 0)
    assert unloaded_share(()).fraction is None


@pytest.mark.parametrize(("count", "of"), [(0, 5), (1, 5), (3, 9), (5, 5), (77, 78)])
def test_interval_of_a_share_against_a_library(count, of):
    # statsmodels, proportion_confint(method="wilson"): an implementation of its own
    proportion = pytest.importorskip("statsmodels.stats.proportion")
    assert wilson(count, of) == pytest.approx(proportion.proportion_confint(count, of, method="wilson"), abs=1e-9)


def test_wrong_direction():
    cycles = [Cycle(900.0 + 1800.0 * i, 1500.0 + 1800.0 * i) for i in range(3)]
    cycles[2].reversed_start = True
    subject = subject_of(draw(Drawn(cycles, 6000.0)))
    assert [s.reverse_rotation for s in subject.starts] == [Outcome.ABSENT, Outcome.ABSENT, Outcome.PRESENT]
    for check in ("no_lift", "discharge_falls_below_suction", "oil_pressure_absent"):
        assert _outcome(subject, f"starts.{check}") is Outcome.PRESENT


def test_crossed_pressure_lines_are_no_wrong_direction():
    record = draw(healthy(3))
    points = dict(record.samples)
    low, high = points[Role.SUCTION_PRESSURE][0], points[Role.DISCHARGE_PRESSURE][0]
    points[Role.SUCTION_PRESSURE] = (replace(low, v=high.v),)
    points[Role.DISCHARGE_PRESSURE] = (replace(high, v=low.v),)
    subject = subject_of(replace(record, samples=points))
    assert all(s.reverse_rotation is not Outcome.PRESENT for s in subject.starts)


def test_healthy_lift_and_oil(well):
    for check in (
        "no_lift",
        "discharge_falls_below_suction",
        "oil_pressure_absent",
        "locked_rotor",
        "prolonged_inrush",
    ):
        assert _outcome(well, f"starts.{check}") is Outcome.ABSENT, check


def test_rate_of_starts(well):
    often = [Cycle(300.0 + 480.0 * i, 600.0 + 480.0 * i) for i in range(12)]
    busy = subject_of(draw(Drawn(often, 6400.0)))
    for check in ("too_frequent", "short_off_times", "short_runs"):
        assert _outcome(busy, f"starts.{check}") is Outcome.PRESENT, check
        assert _outcome(well, f"starts.{check}") is not Outcome.PRESENT, check


def test_start_after_a_trapped_stop():
    cycles = [Cycle(900.0, 1500.0), Cycle(2700.0, 2900.0, trip=True), Cycle(3600.0, 4200.0)]
    cycles[2].slide_at_start = 50.0
    subject = subject_of(draw(Drawn(cycles, 5000.0)))
    assert [s.previous_stop for s in subject.starts] == [PreviousStop.UNKNOWN, PreviousStop.NORMAL, PreviousStop.TRIP]
    assert _outcome(subject, "starts.after_trapped_stop") is Outcome.PRESENT


def test_locked_rotor():
    record = draw(healthy(3))
    amps = record.samples[Role.MOTOR_AMPS][0]
    last = (amps.t - EPOCH) / NS >= 4500.0
    stalled = last & ((amps.t - EPOCH) / NS < 4520.0)
    points = dict(record.samples)
    points[Role.MOTOR_AMPS] = (replace(amps, v=np.where(stalled, 1000.0, np.where(last, 0.0, amps.v))),)
    for role in (Role.SUCTION_PRESSURE, Role.DISCHARGE_PRESSURE):
        still = points[role][0]
        points[role] = (replace(still, v=np.where(last, 400.0, still.v)),)
    record = replace(record, samples=points, failure_ns=EPOCH + 4520 * NS, switches={})
    assert _outcome(subject_of(record), "starts.locked_rotor") is Outcome.PRESENT


def test_every_check_answers_and_names_what_is_missing():
    record = replace(draw(healthy(1)), samples={}, switches={})
    subject = subject_of(record)
    for check, detector in DETECTORS.items():
        (finding,) = detector(subject)
        assert finding.outcome is Outcome.CANNOT_TELL, check
        assert finding.why_not
    assert {c for c in read_checks() if c.startswith("starts.")} == set(DETECTORS)


def test_ratios_hold_the_truth_of_a_shared_incident(shared: Path):
    loaded = load_case(shared / "incidents" / "cases" / "case-06" / "case.toml")
    truth = json.loads((shared / "incidents" / "truth" / "case-06.json").read_text())["starts"]
    starts = list_starts(subject_of(loaded.record, loaded.file.machine))
    assert len(starts) == len(truth)
    held = [s.low <= t["ratio"] <= s.high for s, t in zip(starts, truth, strict=True) if s.ratio is not None]
    assert len(held) >= 0.9 * len(truth)
    assert np.mean(held) >= 0.9
    for start, true in zip(starts, truth, strict=True):
        assert true["unloaded"] == "ambiguous" or start.unloaded.value in (true["unloaded"], "cannot-tell")


def test_a_run_that_failed_between_two_samples_leaves_the_last_start_open():
    """The machine trips at a start of 20 s; a log of a minute shows the runs before only."""
    record = draw(healthy(4))
    quiet_ns = EPOCH + 7800 * NS
    amps = record.samples[Role.MOTOR_AMPS][0]
    assert amps.usable.before(quiet_ns).value < 1.0
    for step, known in ((1, True), (60, False)):
        samples = {
            role: tuple(replace(p, t=p.t[::step], v=p.v[::step], q=p.q[::step], row=p.row[::step]) for p in found)
            for role, found in record.samples.items()
        }
        subject = subject_of(replace(record, samples=samples, failure_ns=quiet_ns))
        assert (unseen_run(subject) == "") is known
