"""A drawn machine: starts, pulses, holds and stops as exponentials and straight lines, so every answer is known."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from forensics.case.schema import CurrentSensor, Machine
from forensics.machine.starts.start_table import list_starts
from forensics.machine.states import cut_states, find_runs
from forensics.machine.subject import Subject
from forensics.model.points import NS, Origin, Samples, Span
from forensics.model.record import LogLine, Record
from forensics.model.switches import Switch
from forensics.model.vocabulary import Recorded, Role, Starter
from forensics.rules import Limits, read_limits
from forensics.rules.profiles import Profile, read_profile
from forensics.signatures.coastdown.coastdown import list_stops

EPOCH = 1_900_000_000 * NS
RATED = 200.0


@dataclass
class Cycle:
    """One run: what the slide stands at when it starts and stops, and what goes wrong."""

    start_s: float
    stop_s: float
    slide_at_start: float = 0.0
    slide_at_stop: float = 0.0
    bypass_held: bool = False
    reversed_start: bool = False
    leak_kpa: float = 0.0
    trip: bool = False
    unload_dead: bool = False
    high_side_tau_s: float = 4000.0


@dataclass
class Drawn:
    """Options of the drawing."""

    cycles: list[Cycle]
    total_s: float
    step_s: float = 1.0
    noise: float = 0.002
    speed: bool = False
    slide: bool = True
    commands: bool = True
    drift_per_min: float = 0.0
    log: list[LogLine] = field(default_factory=list)
    failure_s: float | None = None


def _course(drawn: Drawn) -> tuple[dict[Role, np.ndarray], dict[Role, np.ndarray], np.ndarray]:
    t = np.arange(0.0, drawn.total_s, 0.5)
    n = len(t)
    suction, condenser = np.full(n, 400.0), np.full(n, 400.0)
    discharge, slide, amps, speed = np.full(n, 400.0), np.zeros(n), np.zeros(n), np.zeros(n)
    oil = np.full(n, 400.0)
    state = {
        r: np.zeros(n, bool)
        for r in (Role.RUN_COMMAND, Role.LOAD_SOLENOID, Role.UNLOAD_SOLENOID, Role.BYPASS_SOLENOID, Role.TRIP)
    }
    for c in drawn.cycles:
        on = (t >= c.start_s) & (t < c.stop_s)
        since = t - c.start_s
        before_stop = c.stop_s - t
        state[Role.RUN_COMMAND] |= on
        bypass = on & (since >= 30.0) & (before_stop > (0.0 if c.trip else 20.0))
        unload = (
            (on & (since < 30.0))
            | (on & (before_stop <= 20.0) & (not c.trip))
            | ((t >= c.stop_s) & (t < c.stop_s + 60) & (not c.trip))
        )
        loading = on & (since >= 32.0) & (since < 152.0) & ((since - 32.0) % 12.0 < 2.0)
        down = on & (before_stop <= 110.0) & (before_stop > 32.0) & ((110.0 - before_stop) % 12.0 < 2.0) & (not c.trip)
        state[Role.BYPASS_SOLENOID] |= bypass
        state[Role.UNLOAD_SOLENOID] |= unload | down
        state[Role.LOAD_SOLENOID] |= loading
        # capacity: 2.5 % a second of load pulse, the same down, plus the drift while it runs
        rate = (
            2.5 * loading
            - (0.0 if c.unload_dead else 3.6) * down
            + np.where(on & (since > 152), drawn.drift_per_min / 60.0, 0.0)
        )
        level = np.clip(
            c.slide_at_start + np.cumsum(rate * 0.5) - np.cumsum(rate * 0.5)[np.searchsorted(t, c.start_s)], 0, 100
        )
        slide = np.where(on, level, np.where(t >= c.stop_s, level[np.searchsorted(t, c.stop_s) - 1], slide))
        ramp = np.clip(since - 30.0, 0.0, 60.0) / 60.0
        sign = -1.0 if c.reversed_start else 1.0
        ps = np.where(bypass, 400.0 - sign * 80.0 * ramp, 400.0)
        pc_run = np.where(on, 400.0 + 400.0 * np.clip(since, 0, 90) / 90.0, 0.0)
        lift = np.where(bypass, sign * np.maximum(pc_run - ps, 60.0), sign * 25.0)
        suction = np.where(on, ps, suction)
        condenser = np.where(on, pc_run, condenser)
        discharge = np.where(on, ps + lift, discharge)
        oil = np.where(on, ps + np.where(bypass, 0.6 * lift, 5.0 * sign), oil)
        star = np.where(since < 3.0, 3.0, np.where(since < 4.0, 1.5, 0.0))
        load = 0.40 + 0.55 * slide / 100.0 + np.where(bypass, 0.05, 0.0)
        amps = np.where(on, RATED * np.maximum(star, load), amps)
        speed = np.where(on, sign * 3550.0, speed)
        _after(t, c, suction, condenser, discharge, oil=oil, speed=speed)
        if c.trip:
            state[Role.TRIP] |= (t >= c.stop_s) & (t < c.stop_s + 120)
    points = {
        Role.SUCTION_PRESSURE: suction, Role.CONDENSER_PRESSURE: condenser, Role.DISCHARGE_PRESSURE: discharge,
        Role.OIL_PRESSURE: oil, Role.SLIDE_POSITION: slide, Role.MOTOR_AMPS: amps, Role.SHAFT_SPEED: speed,
    }  # fmt: skip
    return points, state, t


def _after(t, c, suction, condenser, discharge, oil, speed) -> None:
    off = t >= c.stop_s
    at = int(np.searchsorted(t, c.stop_s)) - 1
    since = np.maximum(t - c.stop_s, 0.0)
    high, low = condenser[at], suction[at]
    suction[off] = low
    condenser[off] = low + (high - low) * np.exp(-since[off] / c.high_side_tau_s)
    if c.bypass_held:
        # held for four seconds, then lost over eight: the rotors run backwards meanwhile
        share = np.clip(1.0 - (since - 4.0) / 8.0, 0.0, 1.0)
        discharge[off] = low + (high - low) * share[off]
        backwards = (since > 4.0) & (since < 14.0) & off
        speed[off] = np.maximum(0.0, 3550.0 * (1 - since[off] / 4.0))
        speed[backwards] = -700.0
    else:
        left = discharge[at] - low
        discharge[off] = low + c.leak_kpa + (left - c.leak_kpa) * np.exp(-since[off] / 2.0)
        speed[off] = np.maximum(0.0, 3550.0 * (1 - since[off] / 25.0))
    oil[off] = discharge[off]


def draw(drawn: Drawn) -> Record:
    """The record of a drawing; step, noise and what is logged as its options say."""
    points, state, fine = _course(drawn)
    rng = np.random.default_rng(7)
    times = np.arange(0.25, drawn.total_s - 0.5, drawn.step_s)
    index = np.searchsorted(fine, times, side="right") - 1
    stamp = EPOCH + np.round(times * 1e9).astype(np.int64)
    rows = np.arange(2, len(times) + 2)
    samples, switches = {}, {}
    for role, values in points.items():
        if (role is Role.SHAFT_SPEED and not drawn.speed) or (role is Role.SLIDE_POSITION and not drawn.slide):
            continue
        v = values[index]
        size = 0.2 if role is Role.SLIDE_POSITION else drawn.noise * np.maximum(np.abs(v), 50.0)
        v = v + (0 if role is Role.SHAFT_SPEED else rng.normal(0, 1, len(v)) * size)
        if role is Role.MOTOR_AMPS:
            v = np.where(values[index] > 0, v, 0.0)
        origin = Origin("trend.csv", role.value, "controller")
        samples[role] = (
            Samples(role=role, origin=origin, t=stamp, v=v, q=np.zeros(len(v), np.uint16), row=rows, resolution=0.1),
        )
    for role, on in state.items():
        if drawn.commands or role in (Role.RUN_COMMAND, Role.TRIP):
            origin = Origin("trend.csv", role.value, "controller")
            switches[role] = (Switch(role, origin, stamp, on[index].astype(np.int8), rows),)
    failure = EPOCH + round((drawn.failure_s or drawn.cycles[-1].stop_s) * NS) if drawn.cycles else EPOCH
    window = Span(EPOCH, EPOCH + round(drawn.total_s * NS))
    return Record(
        samples=samples,
        switches=switches,
        waveforms=(),
        log=tuple(drawn.log),
        failure_ns=failure,
        window=window,
        history=Span(EPOCH, EPOCH),
        clock_uncertainty_s={"controller": 0.0},
    )


def machine(**changes: object) -> Machine:
    """A nameplate."""
    given = {
        "refrigerant": "R134a",
        "rated_load_amps": RATED,
        "locked_rotor_amps": 1200.0,
        "starter": Starter.STAR_DELTA,
    }
    given["current_sensor"] = CurrentSensor(ratio_error_percent=1.0)
    return Machine(**{**given, **changes})  # type: ignore[arg-type]


def profile() -> Profile:
    """The profile that ships."""
    return read_profile("pulsed-slide-bypass", Path())


def subject_of(record: Record, nameplate: Machine | None = None, limits: Limits | None = None) -> Subject:
    """Runs, states, stops and starts of a record, as an investigation makes them."""
    rules, plate = limits or read_limits(), nameplate or machine()
    runs = find_runs(record, rules, rated_load_amps=plate.rated_load_amps)
    spans = cut_states(record, runs, profile(), rules, rated_load_amps=plate.rated_load_amps)
    bare = Subject(record, runs, spans, rules, profile(), plate, polarity_confirmed=True)
    stopped = Subject(record, runs, spans, rules, profile(), plate, polarity_confirmed=True, stops=list_stops(bare))
    return Subject(
        record, runs, spans, rules, profile(), plate, polarity_confirmed=True, stops=stopped.stops,
        starts=list_starts(stopped),
    )  # fmt: skip


def healthy(count: int = 4, **changes: object) -> Drawn:
    """Runs of ten minutes with twenty minutes of rest between them."""
    cycles = [Cycle(900.0 + 1800.0 * i, 1500.0 + 1800.0 * i) for i in range(count)]
    return Drawn(cycles, 900.0 + 1800.0 * count, **changes)  # type: ignore[arg-type]


def change_of_value(samples: Samples, deadband: float) -> Samples:
    """The same point as a change log: a row only where the value has moved by the deadband."""
    kept, last = [0], samples.v[0]
    for i, value in enumerate(samples.v):
        if abs(value - last) >= deadband:
            kept.append(i)
            last = value
    origin = Origin(samples.origin.source, samples.origin.column, samples.origin.clock, Recorded.CHANGE)
    pick = np.unique(kept)
    return Samples(samples.role, origin, samples.t[pick], samples.v[pick], samples.q[pick], samples.row[pick])
