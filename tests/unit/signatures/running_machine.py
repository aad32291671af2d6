"""A made machine that runs and rests: healthy unless a test changes a point."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from forensics.case.schema import Machine
from forensics.machine.runs import Run
from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.points import NS, Edge, Origin, Samples, Span
from forensics.model.record import Record
from forensics.model.switches import Switch
from forensics.model.vocabulary import Quality, Recorded, Role, is_switch
from forensics.refrigerants.catalogue import saturation_for
from forensics.rules import read_limits
from forensics.rules.profiles import read_profile

Floats = NDArray[np.float64]
BEGIN_NS = 1_900_000_000 * NS
RUN_S, REST_S, RUNS = 7200.0, 3700.0, 4
LAST_S = RUNS * (RUN_S + REST_S)
FAILURE_S = LAST_S
Change = Callable[[Floats, Floats], Floats]


def times(interval_s: float) -> Floats:
    """Seconds from the beginning of the record; it begins with a rest and ends with a run."""
    return np.arange(0.0, LAST_S + interval_s / 2.0, interval_s)


def since_start(t: Floats) -> Floats:
    """Seconds since the last start; negative while the machine stands before it."""
    return np.asarray(t % (RUN_S + REST_S) - REST_S)


def healthy(t: Floats, seed: int = 1) -> dict[Role, Floats]:
    """Points of a healthy R134a machine that is run at varied capacity, canonical units."""
    rng = np.random.default_rng(seed)
    since = since_start(t)
    on = since >= 0.0
    slide = np.where(on, 50.0 + 20.0 * np.sin(2.0 * np.pi * t / 3000.0), 0.0)
    warm = 1.0 - np.exp(-np.maximum(since, 0.0) / 60.0)

    def noisy(value: Floats, size: float) -> Floats:
        return np.asarray(value + rng.normal(0.0, size, len(t)))

    suction = np.where(on, 500.0 - 150.0 * warm, 500.0)
    discharge = np.where(on, 500.0 + 450.0 * warm, 500.0)
    feed = np.where(on, suction + 250.0 * warm, 500.0)
    return {
        Role.MOTOR_AMPS: noisy(np.where(on, 50.0 + 0.6 * slide, 0.0), 0.3),
        Role.SLIDE_POSITION: noisy(slide, 0.2),
        Role.SUCTION_PRESSURE: noisy(suction, 1.0),
        Role.DISCHARGE_PRESSURE: noisy(discharge, 1.0),
        Role.CONDENSER_PRESSURE: noisy(np.where(on, discharge, 800.0), 1.0),
        Role.SUCTION_TEMPERATURE: noisy(np.where(on, 11.5, 18.0), 0.1),
        Role.DISCHARGE_TEMPERATURE: noisy(np.where(on, 40.0 + 25.0 * warm, 45.0), 0.1),
        Role.OIL_TEMPERATURE: noisy(np.full(len(t), 48.0), 0.1),
        Role.LIQUID_TEMPERATURE: noisy(np.where(on, 32.0, 31.0), 0.1),
        Role.WINDING_TEMPERATURE: noisy(np.full(len(t), 60.0), 0.2),
        Role.OIL_PRESSURE: noisy(feed, 1.0),
        Role.OIL_FILTER_IN_PRESSURE: noisy(np.where(on, feed + 25.0 * warm, 500.0), 1.0),
        Role.OIL_LEVEL: noisy(np.full(len(t), 60.0), 0.5),
        Role.EXPANSION_VALVE_POSITION: noisy(np.where(on, 45.0 + 0.1 * slide, 0.0), 0.1),
        Role.CHILLED_WATER_ENTERING: noisy(np.where(on, 8.0 + 0.05 * slide, 12.0), 0.02),
        Role.CHILLED_WATER_LEAVING: noisy(np.where(on, 8.0, 12.0), 0.02),
        Role.CONDENSER_WATER_ENTERING: noisy(np.full(len(t), 28.0), 0.02),
        Role.CONDENSER_WATER_LEAVING: noisy(np.where(on, 28.0 + 0.06 * slide + 3.5, 28.0), 0.02),
        Role.OIL_HEATER: np.where(on, 0.0, 1.0),
        Role.INJECTION_SOLENOID: np.zeros(len(t)),
    }


def made(
    changes: dict[Role, Change] | None = None,
    *,
    interval_s: float = 10.0,
    without: Iterable[Role] = (),
    seed: int = 1,
    refrigerant: str = "R134a",
    stuck: Iterable[Role] = (),
    failure_s: float = FAILURE_S,
) -> Subject:
    """A subject over the made machine; ``changes`` take the seconds and the healthy values of a role."""
    t = times(interval_s)
    columns = healthy(t, seed)
    for role, change in (changes or {}).items():
        columns[role] = np.asarray(change(t, columns.get(role, np.zeros(len(t)))), dtype=np.float64)
    for role in without:
        columns.pop(role, None)
    stamps = (BEGIN_NS + np.round(t * NS)).astype(np.int64)
    rows = np.arange(len(t)) + 2
    samples, switches = {}, {}
    for role, v in columns.items():
        origin = Origin("trend.csv", role.value, "controller", Recorded.INSTANT)
        if is_switch(role):
            switches[role] = (Switch(role, origin, stamps, v.astype(np.int8), rows),)
        else:
            flag = int(Quality.STUCK) if role in set(stuck) else 0
            q = np.where(np.isfinite(v), flag, int(Quality.MISSING)).astype(np.uint16)
            samples[role] = (Samples(role, origin, stamps, v, q, rows),)
    window = Span(BEGIN_NS, int(stamps[-1]) + NS)
    failure_ns = BEGIN_NS + round(failure_s * NS)
    record = Record(
        samples=samples,
        switches=switches,
        waveforms=(),
        log=(),
        failure_ns=failure_ns,
        window=window,
        history=Span(BEGIN_NS, BEGIN_NS),
    )
    machine = Machine(refrigerant=refrigerant, rated_load_amps=100.0)
    curve, why_not = saturation_for(refrigerant, "", Path())
    profile = read_profile("pulsed-slide-bypass", Path())
    return Subject(
        record=record,
        runs=runs(),
        spans=(),
        limits=read_limits(),
        profile=profile,
        machine=machine,
        polarity_confirmed=True,
        saturation=curve,
        saturation_missing=why_not,
    )


def runs() -> tuple[Run, ...]:
    """The runs of the made machine; the last ends at the failure."""
    out = []
    for k in range(RUNS):
        first = BEGIN_NS + round((k * (RUN_S + REST_S) + REST_S) * NS)
        last = first + round(RUN_S * NS)
        out.append(Run(Edge(first, first, 1, 2), Edge(last, last, 0, 2), first, last, "motor_amps"))
    return tuple(out)


def late(t: Floats, last_s: float = 1200.0) -> NDArray[np.bool_]:
    """The last part of the last run."""
    return np.asarray(t >= LAST_S - last_s)


def only(findings: tuple[Finding, ...]) -> Finding:
    """The one finding of a detector."""
    assert len(findings) == 1
    return findings[0]


# size, time constant in s, and by how much runs differ: invented, of the size that quiet machines show
WANDERS = {
    Role.DISCHARGE_TEMPERATURE: (1.0, 900.0, 0.3),
    Role.SUCTION_PRESSURE: (4.0, 600.0, 0.0),
    Role.CONDENSER_PRESSURE: (10.0, 1500.0, 5.0),
    Role.LIQUID_TEMPERATURE: (0.5, 300.0, 0.2),
    Role.OIL_PRESSURE: (5.0, 1200.0, 3.0),
    Role.CHILLED_WATER_LEAVING: (0.2, 400.0, 0.0),
}


def wander(size: float, time_constant_s: float, apart: float, seed: int) -> Change:
    """What no duty explains: a walk that comes back, and an offset of every run."""

    def change(t: Floats, v: Floats) -> Floats:
        rng = np.random.default_rng(seed)
        kept = float(np.exp(-(t[1] - t[0]) / time_constant_s))
        steps = rng.normal(0.0, np.sqrt(1.0 - kept**2), len(t))
        walk = np.asarray(lfilter([1.0], [1.0, -kept], steps))
        offsets = rng.normal(0.0, apart, RUNS + 1)[np.floor(t / (RUN_S + REST_S)).astype(np.int64)]
        return np.where(since_start(t) > 0.0, v + size * walk + offsets, v)

    return change


def wanders(seed: int) -> dict[Role, Change]:
    """What every point does that no duty explains; both sides of the oil filter do the same."""
    changes = {role: wander(*what, seed * 37 + i) for i, (role, what) in enumerate(WANDERS.items())}
    return {**changes, Role.OIL_FILTER_IN_PRESSURE: changes[Role.OIL_PRESSURE]}
