"""Offset intervals on seeded pairs of the demonstration generator: invented data, truth known.

Offset, drift, sampling, phase and missing edges are drawn at random; the other clock is a meter (currents) or an
event list (starts and stops). The share of intervals that hold the truth is printed with its Wilson interval.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest
from forensics.demo.scenarios import Run, Scenario, simulate
from scipy.stats import binomtest

from forensics.case.read import check_case
from forensics.case.schema import CaseFile
from forensics.clocks import fit_clocks
from forensics.model.points import NS, Origin, Samples, Span
from forensics.model.record import Record
from forensics.model.switches import Switch
from forensics.model.vocabulary import ClockMethod, Recorded, Role

EPOCH_NS = 1_900_000_000 * NS
RUNS = 6
HOURS = 8.0
INTERVALS_S = (1.0, 2.0, 5.0, 10.0, 30.0)


@dataclass(frozen=True)
class Drawn:
    offset_s: float
    drift_ppm: float
    our_step_s: float
    their_step_s: float
    as_list: bool
    missing: float


@cache
def _run(seed: int) -> Run:
    return simulate(Scenario(seed=seed, hours=HOURS))


def _casefile() -> CaseFile:
    return check_case(
        {
            "schema": 1,
            "case": {"id": "pairs", "time_zone": "UTC", "reference_clock": "controller"},
            "machine": {"refrigerant": "R134a"},
            "source": [{"path": "a.csv", "clock": "controller"}, {"path": "b.csv", "clock": "other"}],
        }
    )


def _stamped(true_s: np.ndarray, offset_s: float, drift_ppm: float, at_s: float) -> np.ndarray:
    """Stamps of a clock in ns, cut to whole seconds as loggers do."""
    shown = true_s + offset_s + drift_ppm * 1e-6 * (true_s - at_s)
    return EPOCH_NS + np.floor(shown).astype(np.int64) * NS


def _trend(
    run: Run, source: str, clock: str, step_s: float, phase_s: float, drawn: tuple[float, float], at_s: float
) -> Samples:
    times = np.arange(phase_s, float(run.time_s[-1]), step_s)
    index = np.searchsorted(run.time_s, times, side="right") - 1
    # the run holds a value a second: a sample is taken when it was, not when the grid asks
    stamps = _stamped(run.time_s[index], drawn[0], drawn[1], at_s)
    values = run.columns["motor_amps"][index]
    origin = Origin(source, "amps", clock)
    return Samples(
        Role.MOTOR_AMPS, origin, stamps, values, np.zeros(len(values), np.uint16), np.arange(len(values)) + 2
    )


def _list(run: Run, drawn: Drawn, at_s: float, rng: np.random.Generator) -> Switch:
    edges = [(float(s["time_s"]), 1) for s in run.truth["starts"]] + [
        (float(s["time_s"]), 0) for s in run.truth["stops"]
    ]
    kept = [edge for edge in sorted(edges) if rng.random() >= drawn.missing]
    times = np.array([t for t, _ in kept])
    state = np.array([to for _, to in kept], dtype=np.int8)
    origin = Origin("b.csv", "run", "other", Recorded.CHANGE)
    stamps = _stamped(times, drawn.offset_s, drawn.drift_ppm, at_s)
    return Switch(Role.RUN_STATUS, origin, stamps, state, np.arange(len(times)) + 2)


def _draw(rng: np.random.Generator) -> Drawn:
    return Drawn(
        offset_s=float(rng.uniform(-3600, 3600)),
        drift_ppm=float(rng.choice([0.0, rng.uniform(-40, 40)])),
        our_step_s=float(rng.choice(INTERVALS_S)),
        their_step_s=float(rng.choice(INTERVALS_S)),
        as_list=bool(rng.random() < 0.4),
        missing=float(rng.choice([0.0, 0.1, 0.25])),
    )


def _record(seed: int) -> tuple[Record, Drawn]:
    rng = np.random.default_rng(seed)
    drawn, run = _draw(rng), _run(seed % RUNS)
    at_s = float(run.time_s[-1]) * 0.75
    ours = _trend(
        run,
        "a.csv",
        "controller",
        drawn.our_step_s,
        float(rng.uniform(0, drawn.our_step_s)),
        drawn=(0.0, 0.0),
        at_s=at_s,
    )
    samples: dict[Role, tuple[Samples, ...]] = {Role.MOTOR_AMPS: (ours,)}
    switches: dict[Role, tuple[Switch, ...]] = {}
    if drawn.as_list:
        switches[Role.RUN_STATUS] = (_list(run, drawn, at_s, rng),)
    else:
        phase_s = float(rng.uniform(0, drawn.their_step_s))
        theirs = _trend(
            run, "b.csv", "other", drawn.their_step_s, phase_s, drawn=(drawn.offset_s, drawn.drift_ppm), at_s=at_s
        )
        samples[Role.MOTOR_AMPS] = (ours, theirs)
    failure_ns = EPOCH_NS + round(at_s * NS)
    span = Span(EPOCH_NS, EPOCH_NS + round(HOURS * 3600 * NS))
    return Record(
        samples=samples, switches=switches, waveforms=(), log=(), failure_ns=failure_ns, window=span, history=span
    ), drawn


def _held(count: int) -> tuple[int, int, int, list[str]]:
    inside = told = 0
    outside: list[str] = []
    for seed in range(count):
        record, drawn = _record(seed)
        fit = fit_clocks(record, _casefile())[1]
        if fit.method is not ClockMethod.ESTIMATED or fit.offset_s is None or fit.uncertainty_s is None:
            continue
        told += 1
        # a stamp cut to whole seconds says when its second began: both clocks are cut, so the cuts cancel on average
        if abs(fit.offset_s - drawn.offset_s) <= fit.uncertainty_s:
            inside += 1
        else:
            outside.append(f"seed {seed}: {drawn} said {fit.offset_s:.2f} +/- {fit.uncertainty_s:.2f}")
    return inside, told, count, outside


def _check(count: int, capsys: pytest.CaptureFixture[str]) -> None:
    inside, told, tried, outside = _held(count)
    low, high = binomtest(inside, told).proportion_ci(method="wilson")
    with capsys.disabled():
        print(
            f"\nclock pairs: {inside} of {told} intervals hold the truth "
            f"(Wilson {low:.3f} to {high:.3f}); told {told}/{tried}"
        )
    assert told >= 0.8 * tried
    assert inside >= 0.95 * told, "\n".join(outside[:10])


def test_interval_holds_on_sixty_seeded_pairs(capsys: pytest.CaptureFixture[str]) -> None:
    _check(60, capsys)


@pytest.mark.slow
def test_interval_holds_on_three_hundred_seeded_pairs(capsys: pytest.CaptureFixture[str]) -> None:
    _check(300, capsys)


def test_which_clock_is_ahead_does_not_matter() -> None:
    record, drawn = _record(3)
    there = fit_clocks(record, _casefile())[1]
    casefile = _casefile()
    turned = casefile.model_copy(update={"case": casefile.case.model_copy(update={"reference_clock": "other"})})
    moved = Record(
        samples=record.samples,
        switches=record.switches,
        waveforms=(),
        log=(),
        failure_ns=record.failure_ns + round(drawn.offset_s * NS),
        window=record.window,
        history=record.history,
    )
    back = fit_clocks(moved, turned)[1]
    assert there.offset_s is not None
    assert back.offset_s is not None
    assert back.offset_s == pytest.approx(-there.offset_s, abs=0.6)
