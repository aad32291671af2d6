"""Which machines the study simulates and how sites recorded them: stratified, seeded, and a prefix of any longer plan.

Of ten machines seven have one fault, two have none, one has two. Faults go round by mode, each through the builds that
can have it and through all severities and onsets, so that a short plan is an even sample of a long one. Half A is for
fitting and half B for judging.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from itertools import islice, product

from forensics.errors import InputError, Problem
from forensics.study.machines import BUILDS, DISTURBANCES, FAULTS, ONSETS, SEVERITIES, disjoint, possible

VIEWS = 3
"""Records that are made of one machine, each in another band of sampling."""
BANDS: dict[str, tuple[float, ...]] = {
    "up to 2 s": (0.5, 1.0, 2.0),
    "over 2 to 10 s": (3.0, 5.0, 10.0),
    "over 10 to 60 s": (15.0, 30.0, 60.0),
    "over 60 s": (120.0, 300.0),
}
"""Bands of the sample interval of the trend, and the intervals, s, that stand for each."""
HALVES = ("A", "B")
MOST_CASES = 100_000
_KINDS = ("healthy", "one", "one", "two", "one", "healthy", "one", "one", "one", "one")
_EDGES_S = (2.0, 10.0, 60.0)
_LEAST_ROUNDS = len(SEVERITIES) * len(ONSETS)
_POINTS = {"usual": 8, "all": 3, "few": 3, "no-commands": 2, "no-slide": 2, "amps-only": 1}
_DIRT = {"clean": 4, "usual": 8, "coarse": 4, "rough": 3}
_RECORDED = {"instant": 6, "average": 2, "change": 2}
_TAKEN_SHARE, _FAST_SHARE = 0.3, 0.25
_TAKEN = (
    "slide_position", "discharge_pressure", "oil_pressure", "oil_temperature", "discharge_temperature", "run_command",
    "suction_temperature", "condenser_pressure", "winding_temperature", "expansion_valve_position",
)  # fmt: skip


def band_of(sampling_s: float) -> str:
    """The band that a sample interval lies in."""
    return list(BANDS)[sum(sampling_s > edge for edge in _EDGES_S)]


@dataclass(frozen=True, slots=True)
class View:
    """How a site recorded a machine.

    Attributes
    ----------
    sampling_s
        Interval of the trend.
    points, without
        A named set of points, and roles that are taken away from it.
    recorded
        ``instant``, ``average`` or ``change``.
    fast_s
        Interval of a second log around starts and stops; None: there is none.
    clocks
        Name, offset in s (clock minus true time) and drift in ppm.
    """

    sampling_s: float
    points: str
    without: tuple[str, ...]
    dirt: str
    recorded: str
    fast_s: float | None
    clocks: tuple[tuple[str, float, float], ...]


@dataclass(frozen=True, slots=True)
class Machine:
    """One machine of the plan: what is simulated once, and the records made of it.

    ``faults`` are mode, severity and onset of each; empty for a healthy machine.
    """

    number: int
    half: str
    seed: int
    build: str
    faults: tuple[tuple[str, str, str], ...]
    disturbances: tuple[str, ...]
    views: tuple[View, ...]


def plan(cases: int, seed: int) -> tuple[Machine, ...]:
    """The machines of a study; a case is one record of one machine.

    Parameters
    ----------
    cases
        Number of cases; rounded up to whole machines of ``VIEWS`` cases.
    seed
        The same seed gives the same machines, and a longer plan begins with the shorter one.

    Raises
    ------
    InputError
        The number of cases is below 1 or too large.
    """
    if not 1 <= cases <= MOST_CASES:
        text = f"--cases {cases} is not between 1 and {MOST_CASES}"
        raise InputError([Problem(text, remedy="Give the number of cases to judge.")])
    return tuple(islice(_machines(seed), math.ceil(cases / VIEWS)))


def _machines(seed: int) -> Iterator[Machine]:
    single, healthy, double = _single(seed), _healthy(seed), _double(seed)
    number = 0
    while True:
        kind = _KINDS[number % len(_KINDS)]
        half, build, faults, disturbances = next({"one": single, "healthy": healthy, "two": double}[kind])
        rng = random.Random(f"views {seed} {number}")
        views = tuple(_view(rng, band) for band in sorted(rng.sample(list(BANDS), VIEWS), key=list(BANDS).index))
        yield Machine(
            number=number,
            half=half,
            seed=seed * 1_000_003 + number,
            build=build,
            faults=faults,
            disturbances=disturbances,
            views=views,
        )
        number += 1


Drawn = tuple[str, str, tuple[tuple[str, str, str], ...], tuple[str, ...]]


def _single(seed: int) -> Iterator[Drawn]:
    """One fault: round by round over the modes, each through its builds, severities and onsets."""
    rng = random.Random(f"single {seed}")
    turns = 0
    levels = {mode: rng.sample(list(product(SEVERITIES, ONSETS)), _LEAST_ROUNDS) for mode in FAULTS}
    done = dict.fromkeys(FAULTS, 0)
    while True:
        builds = {mode: rng.sample(_builds_of(mode), len(_builds_of(mode))) for mode in FAULTS}
        for turn in range(max(_LEAST_ROUNDS, *(len(found) for found in builds.values()))):
            for place, mode in enumerate(rng.sample(list(FAULTS), len(FAULTS))):
                if turn >= max(len(builds[mode]), _LEAST_ROUNDS):
                    continue
                count = done[mode]
                severity, onset = levels[mode][count % _LEAST_ROUNDS]
                build = builds[mode][turn % len(builds[mode])]
                done[mode] += 1
                disturbed = (rng.choice(DISTURBANCES),) if place % 3 == 0 else ()
                half = HALVES[(count + list(FAULTS).index(mode) + turns) % 2]
                yield half, build, ((mode, severity, onset),), disturbed
        turns += 1


def _healthy(seed: int) -> Iterator[Drawn]:
    """Nothing wrong: every build in turn, a third undisturbed, others with one or two normal events."""
    rng = random.Random(f"healthy {seed}")
    count = 0
    while True:
        for build in rng.sample(list(BUILDS), len(BUILDS)):
            half = HALVES[(count + count // len(BUILDS)) % 2]
            yield half, build, (), tuple(rng.sample(DISTURBANCES, count % 3))
            count += 1


def _double(seed: int) -> Iterator[Drawn]:
    """Two faults that act on different parts of the machine."""
    rng = random.Random(f"double {seed}")
    count = 0
    while True:
        for build in rng.sample(list(BUILDS), len(BUILDS)):
            modes = [mode for mode in FAULTS if possible(BUILDS[build], mode)]
            first = rng.choice(modes)
            second = rng.choice([mode for mode in modes if disjoint(BUILDS[build], first, mode)])
            weeks = rng.random() < 1.0 / len(ONSETS)
            onsets = ["weeks"] * 2 if weeks else [rng.choice(ONSETS[:2]) for _ in range(2)]
            faults = tuple((m, rng.choice(SEVERITIES), o) for m, o in zip((first, second), onsets, strict=True))
            yield HALVES[(count + count // len(BUILDS)) % 2], build, faults, ()
            count += 1


@cache
def _builds_of(mode: str) -> tuple[str, ...]:
    return tuple(name for name, build in BUILDS.items() if possible(build, mode))


def _view(rng: random.Random, band: str) -> View:
    sampling_s = rng.choice(BANDS[band])
    taken = rng.sample(_TAKEN, rng.randint(1, 3)) if rng.random() < _TAKEN_SHARE else []
    slow = sampling_s > _EDGES_S[0]
    return View(
        sampling_s=sampling_s,
        points=_drawn(rng, _POINTS),
        without=tuple(sorted(taken)),
        dirt=_drawn(rng, _DIRT),
        recorded=_drawn(rng, _RECORDED),
        fast_s=rng.choice(BANDS["up to 2 s"]) if slow and rng.random() < _FAST_SHARE else None,
        clocks=(
            ("controller", round(rng.uniform(-20.0, 20.0), 1), round(rng.uniform(-5.0, 5.0), 2)),
            ("panel", round(rng.uniform(-300.0, 300.0), 1), round(rng.uniform(-10.0, 10.0), 2)),
            ("logger", round(rng.uniform(-60.0, 60.0), 1), round(rng.uniform(-10.0, 10.0), 2)),
        ),
    )


def _drawn(rng: random.Random, weights: dict[str, int]) -> str:
    return rng.choices(list(weights), list(weights.values()))[0]
