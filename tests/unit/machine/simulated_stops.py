"""Stops of a screw compressor, integrated for many machines at once: invented, to hold the estimators against.

Not the estimator's model: flow is that of an isentropic nozzle, the torque has internal leakage and a slide that lowers
the built-in ratio, friction is Coulomb, viscous and windage, both vessels hold boiling refrigerant, and every sensor
has noise, an offset of its own and a resolution.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from forensics.case.schema import CurrentSensor, Machine
from forensics.machine.states import cut_states, find_runs
from forensics.machine.stops.stop_table import list_stops
from forensics.machine.subject import Subject
from forensics.model.points import NS, Origin, Samples, Span
from forensics.model.record import Record
from forensics.model.switches import Switch
from forensics.model.vocabulary import Role, Starter
from forensics.rules import read_limits
from forensics.rules.profiles import read_profile

Floats = NDArray[np.float64]
EPOCH = 1_950_000_000 * NS
RUN_S, REST_S, LEAD_S = 420.0, 1500.0, 120.0
STEP_S, LONG_S = 0.02, 90.0
GAMMA, RT = 1.12, 26_000.0
RATED_AMPS, NO_LOAD = 200.0, 0.34
AREAS_MM2 = (60.0, 150.0, 800.0, 3000.0)
LIMITS = read_limits()


@dataclass
class Stops:
    """Parameters of a batch of stops, each of shape (n,), and what came out on the grid of ``STEP_S``."""

    plenum_m3: Floats
    bypass_mm2: Floats
    clearance_mm2: Floats
    inertia: Floats
    swept_m3: Floats
    slide: Floats
    built_in: Floats
    coulomb: Floats
    viscous: Floats
    windage: Floats
    lift_kpa: Floats
    suction_kpa: Floats
    opens_s: Floats
    leak_mm2: Floats
    rated_nm: Floats
    condenser_kj_kpa: Floats
    sealing: Floats


@dataclass
class Course:
    """Pressures, kPa, speed, rpm, at each grid time, shape (n, steps); torque at the stop over rated; truth."""

    discharge: Floats
    condenser: Floats
    suction: Floats
    rpm: Floats
    torque: Floats

    @property
    def peak_rpm(self) -> Floats:
        return -np.minimum(self.rpm.min(axis=1), 0.0)

    @property
    def fast_back_s(self) -> Floats:
        return (self.rpm < -250.0).sum(axis=1) * STEP_S


def machines(count: int, seed: int) -> Stops:
    """Sound machines, drawn from a band of sizes; the valve opens 0.1 to 1 s after the motor is off."""
    rng = np.random.default_rng(seed)
    u = lambda a, b: rng.uniform(a, b, count)  # noqa: E731
    swept = u(3.5e-3, 5.5e-3)
    rated = swept * u(390.0, 480.0) * 1e3 / (2 * np.pi)
    return Stops(
        plenum_m3=u(0.02, 0.09),
        bypass_mm2=u(500.0, 950.0),
        clearance_mm2=u(20.0, 40.0),
        inertia=rated * u(2.4e-3, 5.5e-3),
        swept_m3=swept,
        slide=u(0.14, 0.32),
        built_in=u(2.1, 3.1),
        coulomb=rated * u(0.012, 0.03),
        viscous=rated * u(0.015, 0.04),
        windage=rated * u(0.005, 0.03),
        lift_kpa=u(420.0, 640.0),
        suction_kpa=u(290.0, 380.0),
        opens_s=u(0.1, 1.0),
        leak_mm2=np.zeros(count),
        rated_nm=rated,
        condenser_kj_kpa=u(2.0, 5.0),
        sealing=u(0.5, 0.8),
    )


def variant(stops: Stops, *, leak_mm2: float, shut: bool) -> Stops:
    """The same machines with a leak and, if so, an unloading valve that never opens."""
    made = replace(stops, leak_mm2=np.full(len(stops.leak_mm2), leak_mm2))
    return replace(made, opens_s=np.full(len(stops.leak_mm2), np.inf)) if shut else made


def join(*parts: Stops) -> Stops:
    return Stops(**{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Stops)})


def nozzle_kg_s(area_mm2: Floats, up: Floats, down: Floats) -> Floats:
    """Isentropic nozzle (textbook), discharge coefficient 0.72, signed."""
    high, low = np.maximum(up, down), np.minimum(up, down)
    critical = (2 / (GAMMA + 1)) ** (GAMMA / (GAMMA - 1))
    r = np.clip(low / high, critical, 1.0)
    root = np.sqrt(2 * GAMMA / (GAMMA - 1) * np.maximum(r ** (2 / GAMMA) - r ** ((GAMMA + 1) / GAMMA), 0.0))
    return np.sign(up - down) * 0.72 * area_mm2 * 1e-6 * high * 1e3 / np.sqrt(RT) * root


def run_down(p: Stops) -> Course:
    """Integrate the stops, explicit Euler with steps of 20 ms and the gas of small volumes held stable."""
    n, steps = len(p.leak_mm2), round(LONG_S / STEP_S)
    suction, condenser = p.suction_kpa.copy(), p.suction_kpa + p.lift_kpa
    discharge, omega = condenser + 8.0, np.full(n, 3540.0 * 2 * np.pi / 60)
    vi = 1.0 + (p.built_in - 1.0) * (0.8 + 0.2 * p.slide)
    out = np.empty((4, n, steps), np.float32)
    swept = p.swept_m3 * p.slide
    first = _torque(swept, vi, discharge, suction, omega, p.sealing) + p.coulomb + p.viscous + p.windage
    gain = RT / p.plenum_m3 / 1e3
    for i in range(steps):
        out[:, :, i] = discharge, condenser, suction, omega
        n_s = omega / (2 * np.pi)
        carried = np.where(omega >= 0, 0.92 * swept * n_s * suction, swept / vi * n_s * discharge) * 1e3 / RT
        by = nozzle_kg_s(np.where(i * STEP_S >= p.opens_s, p.bypass_mm2, 0.0) + p.clearance_mm2, discharge, suction)
        room = 0.45 * np.abs(discharge - suction) / (gain * STEP_S)
        by = np.clip(by, -room, room)
        back = nozzle_kg_s(p.leak_mm2, condenser, discharge)
        room = 0.3 * np.abs(condenser - discharge) / (gain * STEP_S)
        back = np.clip(back, -room, room)
        back = np.where(condenser > discharge, back, 0.0)
        discharge = np.maximum(discharge + gain * STEP_S * (carried - by + back), 20.0)
        ahead = np.maximum(discharge - condenser - 5.0, 0.0)
        discharge -= ahead
        # boiling refrigerant holds both vessels: the pressure moves with the gas that leaves or joins
        leaves = back - ahead / (gain * STEP_S)
        condenser = np.maximum(condenser - STEP_S * leaves * 170.0 / (40.0 * p.condenser_kj_kpa), suction)
        condenser -= STEP_S * (condenser - p.suction_kpa) / 2500.0
        suction = suction + STEP_S * ((by - carried) * 170.0 / (60.0 * p.condenser_kj_kpa) + 0.12)
        gas = _torque(swept, vi, discharge, suction, omega, p.sealing)
        drag = p.coulomb + p.viscous * np.abs(omega) / 371.0 + p.windage * (omega / 371.0) ** 2
        free = omega - STEP_S * gas / p.inertia
        loss = STEP_S * drag / p.inertia
        omega = np.where(np.abs(free) <= loss, 0.0, free - np.sign(free) * loss)
    rpm = out[3].astype(np.float64) * 60 / (2 * np.pi)
    return Course(*(out[k].astype(np.float64) for k in range(3)), rpm, first / p.rated_nm)


def _torque(swept: Floats, vi: Floats, high: Floats, low: Floats, omega: Floats, sealing: Floats) -> Floats:
    """Gas torque against forward rotation, Nm, at an exponent of 1.08; internal leakage grows at low speed."""
    k = 1.08
    ahead = low * ((vi ** (k - 1) - 1) / (k - 1) - 1) + high / vi
    back = high * (1 + (1 - vi ** (1 - k)) / (k - 1)) / vi - low
    tight = sealing + (1.0 - sealing) * np.minimum(np.abs(omega) / 200.0, 1.0)
    held = np.where(np.abs(omega) < 0.5, np.maximum(back, 0.0), back)
    return swept * np.where(omega > 0, ahead, held) * tight * 1e3 / (2 * np.pi)


def record_of(courses: list[tuple[Course, int]], step_s: float, seed: int, *, condenser: bool = True) -> Record:
    """A record of one run and one stop after another, each the given row of a course; the last is the failure."""
    rng = np.random.default_rng(seed)
    period = RUN_S + REST_S
    total = LEAD_S + period * len(courses)
    t = np.arange(rng.uniform(0.0, step_s), total - 1.0, step_s)
    points = {
        role: np.empty(len(t)) for role in (Role.DISCHARGE_PRESSURE, Role.CONDENSER_PRESSURE, Role.SUCTION_PRESSURE)
    }
    amps, run = np.zeros(len(t)), np.zeros(len(t), np.int8)
    levels = {
        Role.DISCHARGE_PRESSURE: "discharge",
        Role.CONDENSER_PRESSURE: "condenser",
        Role.SUCTION_PRESSURE: "suction",
    }
    rest = float(courses[0][0].suction[courses[0][1], -1])
    for role in levels:
        points[role][t < LEAD_S] = rest
    jitter = rng.uniform(-0.9, 0.9, len(courses))
    for k, (course, row) in enumerate(courses):
        on, off = LEAD_S + k * period, LEAD_S + k * period + RUN_S + jitter[k]
        running, after = (t >= on) & (t < off), (t >= off) & (t < on + period)
        low, since = float(course.suction[row, -1]), t[after] - off
        for role, name in levels.items():
            values = getattr(course, name)[row]
            ramp = np.clip((t[running] - on) / 60.0, 0.0, 1.0)
            points[role][running] = rest + (values[0] - rest) * ramp
            inside = np.interp(np.minimum(since, LONG_S), np.arange(len(values)) * STEP_S, values)
            # towards the next start everything comes to one pressure
            points[role][after] = np.where(
                since > LONG_S, rest + (inside - rest) * np.exp(-(since - LONG_S) / 200.0), inside
            )
        del low
        load = np.sqrt(NO_LOAD**2 + (1 - NO_LOAD**2) * course.torque[row] ** 2)
        since_on = t[running] - on
        amps[running] = RATED_AMPS * np.where(since_on < 1.5, 4.0, load)
        run[running] = 1
    stamp = EPOCH + np.round(t * 1e9).astype(np.int64)
    rows = np.arange(2, len(t) + 2)
    samples = {}
    offsets = rng.normal(0.0, 4.0, 3)
    for (role, values), offset in zip(points.items(), offsets, strict=True):
        if role is Role.CONDENSER_PRESSURE and not condenser:
            continue
        read = np.round((values + offset + rng.normal(0.0, 1.5, len(t))) * 2.0) / 2.0
        samples[role] = (_samples(role, stamp, read, rows),)
    noisy = np.where(amps > 0, amps + rng.normal(0.0, 0.8, len(t)), 0.0)
    samples[Role.MOTOR_AMPS] = (_samples(Role.MOTOR_AMPS, stamp, noisy, rows),)
    origin = Origin("trend.csv", "run", "controller")
    switches = {Role.RUN_COMMAND: (Switch(Role.RUN_COMMAND, origin, stamp, run, rows),)}
    failure = EPOCH + round((LEAD_S + period * (len(courses) - 1) + RUN_S + 5.0) * NS)
    window = Span(EPOCH + round((LEAD_S + period * (len(courses) - 2) - 30.0) * NS), EPOCH + round(total * NS))
    history = Span(EPOCH, window.start_ns)
    return Record(
        samples=samples,
        switches=switches,
        waveforms=(),
        log=(),
        failure_ns=failure,
        window=window,
        history=history,
        clock_uncertainty_s={"controller": 0.0},
    )


def _samples(role: Role, stamp: NDArray[np.int64], values: Floats, rows: NDArray[np.int64]) -> Samples:
    origin = Origin("trend.csv", role.value, "controller")
    return Samples(
        role=role, origin=origin, t=stamp, v=values, q=np.zeros(len(values), np.uint16), row=rows, resolution=0.1
    )


def subject_of(record: Record, **changes: object) -> Subject:
    """Runs and stops of a record, as an investigation makes them."""
    given: dict[str, object] = {
        "refrigerant": "R134a",
        "rated_load_amps": RATED_AMPS,
        "no_load_amps": NO_LOAD * RATED_AMPS,
        "starter": Starter.ACROSS_THE_LINE,
        "supply_hertz": 60.0,
        "current_sensor": CurrentSensor(ratio_error_percent=1.0),
        **changes,
    }
    plate = Machine(**given)  # type: ignore[arg-type]
    profile = read_profile("pulsed-slide-bypass", Path())
    runs = find_runs(record, LIMITS, rated_load_amps=RATED_AMPS)
    spans = cut_states(record, runs, profile, LIMITS, rated_load_amps=RATED_AMPS)
    bare = Subject(record, runs, spans, LIMITS, profile, plate, polarity_confirmed=True)
    return replace(bare, stops=list_stops(bare))
