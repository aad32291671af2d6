"""All signatures over a month at 1 s, as a ratio against reading the same points with the library (marker ``bench``).

Processor time in one run: wall time on a shared machine measures the neighbours.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from forensics.machine.solenoid_events import solenoid_events
from forensics.machine.starts.start_table import list_starts
from forensics.machine.states import cut_states, find_runs
from forensics.machine.stops.stop_table import list_stops
from forensics.machine.subject import Subject
from forensics.model.points import NS, Origin, Samples, Span
from forensics.model.record import Record
from forensics.model.switches import Switch
from forensics.model.vocabulary import Role
from forensics.refrigerants.catalogue import saturation_for
from forensics.rules import read_limits
from forensics.signatures.core.catalogue import all_detectors, run_catalogue

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "unit"))
from signatures.machine import EPOCH, RATED, Cycle, Drawn, draw, machine, profile

pytestmark = pytest.mark.bench

DAYS, CYCLE_S, START_S, STOP_S = 30, 3600, 1200.0, 3500.0
RATIO_MAX, GROWTH_MAX, ROUNDS = 1.5, 1.3, 5
NOISE = {Role.SLIDE_POSITION: 0.2, Role.MOTOR_AMPS: 0.5}
LEVELS = {
    Role.SUCTION_TEMPERATURE: (11.5, 18.0),
    Role.DISCHARGE_TEMPERATURE: (65.0, 45.0),
    Role.OIL_TEMPERATURE: (48.0, 48.0),
    Role.CHILLED_WATER_LEAVING: (6.7, 12.0),
    Role.CHILLED_WATER_ENTERING: (11.2, 12.0),
}


def month(days: int) -> Record:
    """Sixteen points at 1 s: one run an hour, the last one ends with a trip."""
    one = draw(Drawn([Cycle(START_S, STOP_S)], CYCLE_S + 1.0, noise=0.0))
    count = days * 86_400
    rng = np.random.default_rng(20310117)
    place = np.arange(count) % CYCLE_S
    stamp, row = EPOCH + np.arange(count, dtype=np.int64) * NS, np.arange(2, count + 2, dtype=np.int64)
    whole = {role: found[0].v for role, found in one.samples.items()}
    running = whole[Role.MOTOR_AMPS] > 1.0
    whole |= {role: np.where(running, *level) for role, level in LEVELS.items()}
    samples, switches = {}, {}
    for role, values in whole.items():
        v = values[place] + rng.normal(0.0, NOISE.get(role, 0.1), count)
        v = np.round(np.where(running[place], v, 0.0) if role is Role.MOTOR_AMPS else v, 2)
        origin = Origin("trend.csv", role.value, "controller")
        samples[role] = (
            Samples(role=role, origin=origin, t=stamp, v=v, q=np.zeros(count, np.uint16), row=row, resolution=0.01),
        )
    failure_s = count - CYCLE_S + STOP_S
    for role, found in one.switches.items():
        state = found[0].state[place]
        if role is Role.TRIP:
            state = (np.arange(count) >= failure_s).astype(np.int8)
        switches[role] = (Switch(role, Origin("trend.csv", role.value, "controller"), stamp, state, row),)
    failure = EPOCH + round(failure_s * NS)
    window = Span(failure - 86_400 * NS, failure + 3600 * NS)
    return Record(
        samples=samples,
        switches=switches,
        waveforms=(),
        log=(),
        failure_ns=failure,
        window=window,
        history=Span(EPOCH, window.start_ns),
        clock_uncertainty_s={"controller": 0.0},
    )


def judged(record: Record) -> Subject:
    """All that is looked for, from the runs to the last check."""
    rules, plate = read_limits(), machine()
    runs = find_runs(record, rules, rated_load_amps=RATED)
    spans = cut_states(record, runs, profile(), rules, rated_load_amps=RATED)
    curve, missing = saturation_for("R134a", "", Path())
    subject = Subject(
        record=record,
        runs=runs,
        spans=spans,
        limits=rules,
        profile=profile(),
        machine=plate,
        polarity_confirmed=True,
        saturation=curve,
        saturation_missing=missing,
    )
    subject = replace(subject, stops=list_stops(subject))
    subject = replace(subject, starts=list_starts(subject))
    findings = run_catalogue(subject, all_detectors())
    assert len(findings) >= len(all_detectors())
    assert solenoid_events(subject)
    return subject


def seconds_of(days: int, times: int = 2) -> float:
    """Least processor time, each over a record of its own: what a record remembers is computed again."""
    spent = []
    for _ in range(times):
        record = month(days)
        began = time.process_time()
        subject = judged(record)
        spent.append(time.process_time() - began)
        assert len(subject.runs) == len(subject.starts) == len(subject.stops) == days * 24
    return min(spent)


def write(record: Record, file: Path) -> None:
    """The points as an export of sixteen columns."""
    import pyarrow as pa
    from pyarrow import csv

    stamps = next(iter(record.samples.values()))[0].t.astype("datetime64[ns]").astype("datetime64[s]")
    columns = {"timestamp": np.datetime_as_string(stamps)}
    columns |= {role.value: found[0].v for role, found in record.samples.items()}
    columns |= {role.value: np.where(found[0].state == 1, "On", "Off") for role, found in record.switches.items()}
    csv.write_csv(pa.table(columns), file, csv.WriteOptions(quoting_style="none", quoting_header="none"))


def test_all_signatures_cost_about_a_reading(tmp_path: Path) -> None:
    judged(month(1))  # imports are no part of it
    write(month(DAYS), tmp_path / "month.csv")
    # in turn, so that a busy neighbour slows both
    library, ours = [], []
    for _ in range(ROUNDS):
        began = time.process_time()
        assert len(pd.read_csv(tmp_path / "month.csv", parse_dates=["timestamp"])) == DAYS * 86_400
        library.append(time.process_time() - began)
        ours.append(seconds_of(DAYS, times=1))
    ratio = min(ours) / min(library)
    print(f"\nlibrary {sorted(library)} s, signatures {sorted(ours)} s, ratio {ratio:.2f}")
    assert ratio <= RATIO_MAX


def test_time_grows_no_faster_than_the_record() -> None:
    judged(month(1))
    few, many = seconds_of(DAYS // 5), seconds_of(DAYS)
    print(f"\n{DAYS // 5} days {few:.2f} s, {DAYS} days {many:.2f} s")
    assert many <= 5 * GROWTH_MAX * few
