"""A simulation as a site hands it over: logs thinned, averaged or by change, clocks that are off, hours that are lost.

The finest log has a reading every half second; slower ones are thinned from it, so that all of a case agree.
"""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ..control_events import Event
from .points import FEW, SWITCHES, roles_of
from .sensors import Ageing
from .simulation import FINEST_S, Simulation
from .site import DIRT, PLAIN_CLOCKS, Clock, Dirt

Floats = npt.NDArray[np.float64]
RECORDED = ("instant", "average", "change")
_POWER_OUT_S = 95.0


@dataclass(frozen=True)
class Log:
    """One trend export.

    Attributes
    ----------
    stamps_s
        By role, as its clock shows them, s of the run; all the same array where the log has a row a sample.
    values
        By role: readings in the unit of the role (NaN: none), or 0 and 1 for a switch.
    """

    path: str
    clock: Clock
    recorded: str
    every_s: float
    stamps_s: Mapping[str, Floats]
    values: Mapping[str, Floats]

    @property
    def roles(self) -> tuple[str, ...]:
        """Points in it."""
        return tuple(self.values)


@dataclass(frozen=True)
class StudyCase:
    """What a site hands over of a simulation: logs, an alarm list, and when it failed by the first log's clock."""

    simulation: Simulation
    logs: tuple[Log, ...]
    alarms: tuple[Event, ...]
    alarm_clock: Clock
    failure_s: float
    window_before_s: float
    window_after_s: float
    sampling_s: float

    @property
    def truth(self) -> dict[str, object]:
        """Truth of the simulation and of the clocks (clock minus true time)."""
        clocks = {log.clock.name: log.clock for log in self.logs} | {self.alarm_clock.name: self.alarm_clock}
        told = {name: {"offset_s": clock.offset_s, "drift_ppm": clock.drift_ppm} for name, clock in clocks.items()}
        return {**self.simulation.truth, "clocks": told, "sampling_s": self.sampling_s}


def coil(sim: Simulation, role: str, t: Floats) -> Floats:
    """State of a coil or status at instants: the effect, turned where the build's valve works the other way."""
    build = sim.build
    straight = {
        "load_solenoid": build.load_energised_loads,
        "unload_solenoid": build.unload_energised_unloads,
        "bypass_solenoid": build.bypass_energised_shuts,
    }.get(role, True)
    on = sim.switched(role, t)
    return np.asarray(on if straight else ~on, dtype=np.float64)


def hand_over(
    sim: Simulation,
    *,
    sampling: float = 1.0,
    points: str | Sequence[str] = "usual",
    without: Sequence[str] = (),
    clocks: Mapping[str, Clock] | None = None,
    dirt: str | Dirt = "usual",
    recorded: str = "instant",
    fast_s: float | None = None,
    window_before_s: float | None = None,
) -> StudyCase:
    """Thin a simulation to what a site recorded.

    Parameters
    ----------
    sampling
        Interval of the trend, s: a multiple of 0.5 s.
    points, without
        As in `roles_of`; roles that are taken away from them.
    clocks
        `controller`, `panel`, and `logger` where there is a fast log.
    recorded
        `instant`, `average` (stamped at the interval's end) or `change` (a row where a reading left its dead band).
    fast_s
        Interval of a second log around every start and stop, s; None: there is none.
    window_before_s
        Judged before the failure; the default is 45 % of the record, or the last window of several.
    """
    every = round(sampling / FINEST_S)
    if every < 1 or abs(sampling / FINEST_S - every) > 1e-6:
        raise ValueError(f"sampling {sampling} is not a multiple of {FINEST_S} s")
    if recorded not in RECORDED:
        raise ValueError(f"recorded '{recorded}' is not one of: {', '.join(RECORDED)}")
    if isinstance(dirt, str):
        if dirt not in DIRT:
            raise ValueError(f"dirt '{dirt}' is not one of: {', '.join(DIRT)}")
        dirt = DIRT[dirt]
    clocks = {**PLAIN_CLOCKS, "logger": Clock("logger", -6.5), **(clocks or {})}
    roles = tuple(role for role in roles_of(sim.build, points) if role not in without)
    rng = random.Random(f"dirt {sim.seed} {sampling}")
    kept = _present(sim, rng, dirt)
    logs = [
        _log(
            sim,
            "exports/trend.csv",
            roles,
            every,
            kept,
            clock=clocks["controller"],
            ageing=dirt.ageing,
            recorded=recorded,
        )
    ]
    if fast_s is not None:
        near = _near_edges(sim) & kept
        fast = tuple(r for r in roles if r in FEW or r in ("discharge_pressure", "shaft_speed", "slide_position"))
        logs.append(
            _log(
                sim,
                "exports/fast_log.csv",
                fast,
                round(fast_s / FINEST_S),
                near,
                clock=clocks["logger"],
                ageing=dirt.ageing,
                recorded="instant",
            )
        )
    first = sim.windows[-1][0]
    before = window_before_s
    if before is None:
        before = sim.failure_s - first if len(sim.windows) > 1 else 0.45 * sim.hours * 3600.0
    failure = float(clocks["controller"].shows(np.array([sim.failure_s]))[0])
    alarms = _alarm_lines(sim, rng, dirt, clocks["panel"])
    return StudyCase(
        simulation=sim,
        logs=tuple(logs),
        alarms=alarms,
        alarm_clock=clocks["panel"],
        failure_s=failure,
        window_before_s=before,
        window_after_s=3600.0,
        sampling_s=sampling,
    )


def _present(sim: Simulation, rng: random.Random, dirt: Dirt) -> npt.NDArray[np.bool_]:
    """Which instants of the finest grid were logged at all."""
    t = sim.grid()
    kept = np.ones(t.size, bool)
    stops: list[dict[str, float]] = sim.truth["stops"]  # type: ignore[assignment]
    for stop in stops:
        if str(stop["kind"]) == "power-loss":
            kept &= ~((t >= stop["time_s"]) & (t < stop["time_s"] + _POWER_OUT_S))
    spells = [rng.uniform(1200.0, 5400.0) for _ in range(dirt.lost_hours)]
    spells += [rng.uniform(60.0, 360.0) for _ in range(dirt.restarts)]
    for length in spells:
        at = float(t[rng.randrange(t.size)])
        kept &= ~((t >= at) & (t < at + length))
    return kept


def _near_edges(sim: Simulation) -> npt.NDArray[np.bool_]:
    t = sim.grid()
    near = np.zeros(t.size, bool)
    at, _ = sim.edges["run_status"]
    for edge in at:
        near |= (t >= edge - 45.0) & (t < edge + 150.0)
    return near


def _log(
    sim: Simulation,
    path: str,
    roles: Sequence[str],
    every: int,
    kept: npt.NDArray[np.bool_],
    clock: Clock,
    ageing: Ageing,
    recorded: str,
) -> Log:
    t = sim.grid()
    index = np.arange(t.size)
    phase = sim.seed % every
    chosen = np.flatnonzero(kept & (index % every == phase))
    stamps, values = {}, {}
    shared = clock.shows(t[chosen])
    for role in roles:
        whole = coil(sim, role, t) if role in SWITCHES else sim.reading(role, ageing)
        if recorded == "change":
            stamps[role], values[role] = _changes(role, t, whole, kept, clock)
        elif recorded == "average" and role not in SWITCHES and every > 1:
            stamps[role], values[role] = shared, _averages(whole, kept, chosen, every)
        else:
            stamps[role], values[role] = shared, whole[chosen]
    return Log(path, clock, recorded, every * FINEST_S, stamps, values)


def _averages(whole: Floats, kept: npt.NDArray[np.bool_], chosen: npt.NDArray[np.int64], every: int) -> Floats:
    sums = np.concatenate([[0.0], np.cumsum(np.where(kept, np.nan_to_num(whole), 0.0))])
    counts = np.concatenate([[0], np.cumsum(kept)])
    start, stop = np.maximum(chosen - every + 1, 0), chosen + 1
    return np.asarray((sums[stop] - sums[start]) / np.maximum(counts[stop] - counts[start], 1))


def _changes(role: str, t: Floats, whole: Floats, kept: npt.NDArray[np.bool_], clock: Clock) -> tuple[Floats, Floats]:
    """Rows of a change-of-value log: where a reading left its band, and a sign of life every quarter of an hour."""
    index = np.flatnonzero(kept)
    values = whole[index]
    band = 1.0 if role in SWITCHES else max(float(np.nanmax(values) - np.nanmin(values)) / 250.0, 1e-6)
    coarse = np.round(np.nan_to_num(values) / band)
    changed = np.concatenate([[True], coarse[1:] != coarse[:-1]])
    changed |= np.concatenate([[False], np.diff(np.floor(t[index] / 900.0)) > 0])
    rows = index[changed]
    return clock.shows(t[rows]), whole[rows]


def _alarm_lines(sim: Simulation, rng: random.Random, dirt: Dirt, clock: Clock) -> tuple[Event, ...]:
    """The controls' list as its panel stamps it: at the next scan, late, and by index within one scan."""
    order = {"RUN": 3, "STATUS": 2, "SUPPLY": 1, "TRIP": 0}
    lines = []
    for event in sim.events:
        seen = np.ceil((event.time_s + rng.uniform(0.0, dirt.late_s)) / dirt.scan_s) * dirt.scan_s
        stamp = float(clock.shows(np.array([seen]))[0])
        lines.append((round(stamp, 1), order.get(event.point, 4), event))
    lines.sort(key=lambda line: line[:2])
    return tuple(Event(stamp, event.point, event.state, event.text) for stamp, _, event in lines)
