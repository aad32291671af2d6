"""Runs of the motor and operating states, on drawn records and on the shared incidents."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from signatures.machine import EPOCH, RATED, draw, healthy, profile, subject_of

from forensics.intake.load_case import load_case
from forensics.machine.states import cut_states, find_runs, state_at
from forensics.model.points import NS
from forensics.model.record import LogLine
from forensics.model.vocabulary import Role, State


def _states(record, runs):
    return cut_states(record, runs, profile(), rated_load_amps=RATED)


def test_every_run_is_found_to_the_sample():
    drawn = healthy(4)
    runs = find_runs(draw(drawn), rated_load_amps=RATED)
    assert len(runs) == 4
    for run, cycle in zip(runs, drawn.cycles, strict=True):
        assert abs((run.first_ns - EPOCH) / NS - cycle.start_s) <= 1.0
        assert abs((run.last_ns - EPOCH) / NS - cycle.stop_s) <= 1.0


def test_rated_current_is_not_needed():
    assert len(find_runs(draw(healthy(3)))) == 3


def test_a_drop_out_of_the_contactor_is_no_stop():
    record = draw(healthy(2))
    amps = record.samples[Role.MOTOR_AMPS][0]
    v = amps.v.copy()
    v[1200:1206] = 0.0
    cut = replace(record, samples={**record.samples, Role.MOTOR_AMPS: (replace(amps, v=v),)})
    assert len(find_runs(cut, rated_load_amps=RATED)) == 2
    v[1200:1230] = 0.0
    longer = replace(record, samples={**record.samples, Role.MOTOR_AMPS: (replace(amps, v=v),)})
    assert len(find_runs(longer, rated_load_amps=RATED)) == 3


@pytest.mark.parametrize("phase", range(5))
def test_a_drop_out_is_no_stop_at_five_seconds_either(phase: int):
    """Six seconds without current are one sample or two of 5 s: neither surely lasted the ten of a stop."""
    amps = draw(healthy(2)).samples[Role.MOTOR_AMPS][0]
    v = amps.v.copy()
    v[1200:1206] = 0.0
    cut = slice(phase, None, 5)
    thin = replace(amps, t=amps.t[cut], v=v[cut], q=amps.q[cut], row=amps.row[cut])
    record = replace(draw(healthy(2)), samples={Role.MOTOR_AMPS: (thin,)}, switches={})
    assert len(find_runs(record, rated_load_amps=RATED)) == 2


def test_the_end_of_a_short_run_is_where_the_current_ends_though_the_inrush_was_larger():
    """Six seconds of inrush, ten at a third of it, then off: the current that stands is no reading that falls."""
    amps = draw(healthy(1)).samples[Role.MOTOR_AMPS][0]
    seconds = np.arange(len(amps))
    v = np.select([(seconds >= 900) & (seconds < 906), (seconds >= 906) & (seconds < 916)], [974.0, 262.0], 0.0)
    record = replace(draw(healthy(1)), samples={Role.MOTOR_AMPS: (replace(amps, v=v),)}, switches={})
    (run,) = find_runs(record, rated_load_amps=320.0)
    assert (run.last_ns - EPOCH) / NS == pytest.approx(915.75, abs=1.0)


def test_the_readings_of_a_meter_that_averages_fall_after_the_current_ended():
    """A time constant of two seconds: 262, 159, 96, 58 A and so on are read after the current ended."""
    amps = draw(healthy(1)).samples[Role.MOTOR_AMPS][0]
    seconds = np.arange(len(amps))
    fading = 262.0 * np.exp(-(seconds - 1199.0) / 2.0)
    v = np.where((seconds >= 900) & (seconds < 1200), 262.0, np.where(seconds >= 1200, fading, 0.0))
    record = replace(draw(healthy(1)), samples={Role.MOTOR_AMPS: (replace(amps, v=v),)}, switches={})
    (run,) = find_runs(record, rated_load_amps=320.0)
    assert (run.last_ns - EPOCH) / NS == pytest.approx(1199.75, abs=1.5)


def test_noise_of_an_idle_channel_is_no_run():
    record = draw(healthy(1))
    amps = record.samples[Role.MOTOR_AMPS][0]
    idle = replace(amps, v=np.abs(np.random.default_rng(0).normal(0, 0.3, len(amps))))
    assert find_runs(replace(record, samples={Role.MOTOR_AMPS: (idle,)}, switches={})) == ()


def test_a_lost_phase_is_no_stop():
    record = draw(healthy(1))
    amps = record.samples[Role.MOTOR_AMPS][0]
    lost = np.where(np.arange(len(amps)) > 1200, 0.0, amps.v)
    phases = {
        Role.AMPS_A: (replace(amps, role=Role.AMPS_A, v=lost),),
        Role.AMPS_B: (replace(amps, role=Role.AMPS_B),),
        Role.AMPS_C: (replace(amps, role=Role.AMPS_C),),
    }
    (run,) = find_runs(replace(record, samples=phases, switches={}), rated_load_amps=RATED)
    assert (run.last_ns - EPOCH) / NS == pytest.approx(1500.0, abs=1.0)


def test_coarse_edges_stay_wide_until_a_run_line_narrows_them():
    record = draw(healthy(2, step_s=300.0))
    bare = replace(record, switches={})
    wide = find_runs(bare, rated_load_amps=RATED)
    assert all(run.begin is not None and run.begin.width_s >= 299 for run in wide)
    line = LogLine(
        time_ns=EPOCH + 900 * NS,
        point="C1 RUN",
        value="ON",
        text="Compressor started",
        source="alarms.csv",
        clock="controller",
        row=2,
    )
    first = find_runs(replace(bare, log=(line,)), rated_load_amps=RATED)[0]
    assert first.begin is not None
    assert first.begin.width_s <= 2.0
    assert (first.first_ns - EPOCH) / NS == pytest.approx(900.0, abs=1.0)


def test_a_line_of_a_clock_without_offset_narrows_nothing():
    record = replace(draw(healthy(1, step_s=300.0)), switches={}, clock_uncertainty_s={"panel": float("inf")})
    line = LogLine(
        time_ns=EPOCH + 900 * NS,
        point="C1 RUN",
        value="ON",
        text="Compressor started",
        source="alarms.csv",
        clock="panel",
        row=2,
    )
    (run,) = find_runs(replace(record, log=(line,)), rated_load_amps=RATED)
    assert run.begin is not None
    assert run.begin.width_s >= 299


def test_states_follow_the_commands():
    record = draw(healthy(1))
    runs = find_runs(record, rated_load_amps=RATED)
    spans = _states(record, runs)
    wanted = {
        500: State.REST, 915: State.START, 940: State.LOAD, 1200: State.HOLD, 1400: State.UNLOAD, 1490: State.STOP,
        1530: State.COAST_DOWN, 1700: State.REST,
    }  # fmt: skip
    assert {at: state_at(spans, EPOCH + at * NS) for at in wanted} == wanted
    assert all(a.end_ns == b.start_ns for a, b in pairwise(spans))


def test_without_commands_load_is_inferred_and_marked():
    record = draw(healthy(1, commands=False))
    record = replace(record, switches={})
    spans = _states(record, find_runs(record, rated_load_amps=RATED))
    loading = [s for s in spans if s.state is State.LOAD]
    assert loading
    assert all(s.inferred for s in loading)


def test_nothing_known_gives_nothing():
    record = replace(draw(healthy(1)), samples={}, switches={})
    assert find_runs(record) == ()
    assert _states(record, ()) == ()


@pytest.mark.parametrize("polarity", [True, False])
def test_polarity_of_the_profile_turns_the_commands(polarity):
    record = draw(healthy(1))
    turned = profile().model_copy(
        update={"polarity": profile().polarity.model_copy(update={"load_solenoid": "de-energise-to-load"})}
    )
    load = record.switches[Role.LOAD_SOLENOID][0]
    if not polarity:
        flipped = replace(load, state=(1 - load.state).astype(np.int8))
        record = replace(record, switches={**record.switches, Role.LOAD_SOLENOID: (flipped,)})
    spans = cut_states(record, find_runs(record, rated_load_amps=RATED), turned if not polarity else profile())
    assert state_at(spans, EPOCH + 940 * NS) is State.LOAD
    assert state_at(spans, EPOCH + 1200 * NS) is State.HOLD


def test_every_start_and_stop_of_a_shared_incident(shared: Path):
    loaded = load_case(shared / "incidents" / "cases" / "case-06" / "case.toml")
    truth = json.loads((shared / "incidents" / "truth" / "case-06.json").read_text())
    runs = find_runs(loaded.record, rated_load_amps=loaded.file.machine.rated_load_amps)
    assert sum(run.begin is not None for run in runs) == len(truth["starts"])
    assert sum(run.end is not None for run in runs) == len(truth["stops"])


def test_subject_builds():
    assert len(subject_of(draw(healthy(2))).starts) == 2
