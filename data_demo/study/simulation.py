"""A case simulated once: straight lines between states, edges, events, and the truth; sampled later at any rate."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from ..control_events import Event
from .builds import BUILDS, Build
from .faults import FAULTS, ONSETS, SEVERITIES, possible
from .ledger import Ledger
from .onset import Acting, acting, windows_of
from .operation import Operation
from .plant import COLUMNS
from .strikes import HOT_RESTART_S, RESTART_S
from .surroundings import Step, Surroundings, schedule

if TYPE_CHECKING:
    from .sampling import StudyCase
    from .sensors import Ageing

Floats = npt.NDArray[np.float64]
FINEST_S = 0.5
_LONG_REST_S = 5.0 * 3600.0
DISTURBANCES = (
    "power-cut",
    "hot-restart",
    "commissioning-test",
    "sensor-swap",
    "chilled-flow-change",
    "cooling-flow-change",
    "setpoint-step",
    "pumps-off",
)


@dataclass(frozen=True)
class Simulation:
    """What was simulated.

    Attributes
    ----------
    windows
        Recorded spans, s of the run.
    time_s, table
        Instants and states, columns in the order of `plant.COLUMNS`; between them the state is a straight line.
    edges
        Effects and statuses by role: instants and states from then on.
    swaps
        Sensors that were exchanged: role, from, until (no reading meanwhile), offset before.
    """

    build: Build
    seed: int
    hours: float
    faults: tuple[Acting, ...]
    disturbances: tuple[str, ...]
    windows: tuple[tuple[float, float], ...]
    time_s: Floats
    table: Floats
    edges: dict[str, tuple[Floats, npt.NDArray[np.bool_]]]
    events: tuple[Event, ...]
    truth: dict[str, object]
    swaps: tuple[tuple[str, float, float, float], ...] = ()
    _read: dict[tuple[str, Ageing], Floats] = field(default_factory=dict, repr=False, compare=False)

    def grid(self, every_s: float = FINEST_S, phase_s: float = 0.0) -> Floats:
        """Instants of a log: every so many seconds in each recorded window."""
        parts = [np.arange(np.ceil((a - phase_s) / every_s) * every_s + phase_s, b, every_s) for a, b in self.windows]
        return np.concatenate(parts)

    def state(self, name: str, t: Floats) -> Floats:
        """A column of the plant at instants, exact."""
        return np.interp(t, self.time_s, self.table[:, self.column(name)])

    @staticmethod
    def column(name: str) -> int:
        """Place of a column in the table."""
        return COLUMNS.index(name)

    def reading(self, role: str, ageing: Ageing) -> Floats:
        """What a sensor shows at every instant of the finest grid; made once for a role and an ageing."""
        from .sensors import read

        key = (role, ageing)
        if key not in self._read:
            self._read[key] = read(self, role, ageing)
        return self._read[key]

    def case(self, **how: Any) -> StudyCase:
        """What a site hands over of it; the keywords are those of `sampling.hand_over`."""
        from .sampling import hand_over

        return hand_over(self, **how)

    def switched(self, role: str, t: Floats) -> npt.NDArray[np.bool_]:
        """The effect or status of a role at instants; off before its first edge."""
        at, to = self.edges[role]
        if not at.size:
            return np.zeros(t.shape, bool)
        index = np.searchsorted(at, t + 1e-9, side="right") - 1
        return (index >= 0) & to[np.maximum(index, 0)]

    @property
    def failure_s(self) -> float:
        """The last trip, else the last stop, else the end."""
        trips = [event.time_s for event in self.events if event.point == "TRIP" and event.state == "ALARM"]
        stops: list[dict[str, float]] = self.truth["stops"]  # type: ignore[assignment]
        if trips:
            return trips[-1]
        return stops[-1]["time_s"] if stops else self.windows[-1][1] - 60.0


def simulate(
    build: str | Build = "pulsed-bypass",
    fault: str = "none",
    severity: str = "clear",
    onset: str = "sudden",
    seed: int = 1,
    hours: float = 12.0,
    *,
    also: Sequence[tuple[str, str, str]] = (),
    disturbances: Sequence[str] = (),
    load_share: tuple[float, float] = (0.42, 0.92),
) -> Simulation:
    """Simulate one machine: the same arguments give the same result.

    Parameters
    ----------
    build
        A name in `BUILDS`, or a build.
    fault, severity, onset
        A mode of `FAULTS` or `none`; `barely`, `clear`, `gross`; `sudden`, `hours`, or `weeks`: four windows, a week
        apart.
    hours
        Recorded time.
    also
        Further faults: mode, severity, onset. The onset `weeks` belongs to all faults of a case or to none.
    disturbances
        Normal events of `DISTURBANCES` that are no fault of the machine.
    load_share
        Least and most cooling load over rated cooling.

    Raises
    ------
    ValueError
        A name that is not known, or a mode that the build cannot have.
    """
    machine = BUILDS[build] if isinstance(build, str) and build in BUILDS else build
    wanted = [] if fault == "none" else [(fault, severity, onset)]
    wanted += list(also)
    _check(machine, wanted, disturbances, hours)
    assert isinstance(machine, Build)  # _check refuses a name
    weekly = onset == "weeks" and fault != "none"
    windows = windows_of(hours, "weeks" if weekly else "sudden")
    around = Surroundings(machine, seed, *load_share)
    spans = [schedule(seed, a, b) for a, b in windows]
    faults = [acting(machine, name, how, when, seed, spans) for name, how, when in wanted]
    for one in faults:
        if one.fault == "flooded-start":
            spans = [_long_rest(window, one.begin_s, limits) for window, limits in zip(spans, windows, strict=True)]
    op = Operation(machine, around, faults, seed)
    swaps = _disturb(op, around, disturbances, seed, [span for window in spans for span in window])
    for one in faults:
        if one.fault == "trapped-loaded":  # it is the load that traps the slide high
            around.steps += [Step("load", s - 2400.0, s + 60.0, 0.9) for s in one.strikes_s]
        if one.fault in ("motor-overload", "high-head"):
            around.load_least = max(around.load_least, 0.75)
            around.load_most = max(around.load_most, 1.0)
    for (begin, end), window in zip(windows, spans, strict=True):
        op.window(begin, end, window)
    return _gathered(machine, seed, hours, op, faults, disturbances=disturbances, windows=windows, swaps=swaps)


def _long_rest(
    spans: list[tuple[float, float]], begin_s: float, window: tuple[float, float]
) -> list[tuple[float, float]]:
    """The schedule with a rest of hours, in which refrigerant finds its way into cold oil."""
    start = max(begin_s, window[0])
    rest_s = min(_LONG_REST_S, 0.55 * (window[1] - start))
    kept = [span for span in spans if span[1] <= begin_s or span[0] >= start + rest_s]
    if begin_s < window[1] and not any(span[0] >= start + rest_s for span in kept):
        kept.append((start + rest_s, window[1] - 420.0))
    return kept


def _check(build: object, wanted: list[tuple[str, str, str]], disturbances: Sequence[str], hours: float) -> None:
    if not isinstance(build, Build):
        raise ValueError(f"build '{build}' is not one of: {', '.join(BUILDS)}")
    wrong = []
    for fault, severity, onset in wanted:
        if fault not in FAULTS:
            wrong.append(f"fault '{fault}' is not one of: none, {', '.join(FAULTS)}")
        elif not possible(build, fault):
            wrong.append(f"build '{build.id}' cannot have '{fault}'")
        if severity not in SEVERITIES:
            wrong.append(f"severity '{severity}' is not one of: {', '.join(SEVERITIES)}")
        if onset not in ONSETS:
            wrong.append(f"onset '{onset}' is not one of: {', '.join(ONSETS)}")
    if len({onset == "weeks" for _, _, onset in wanted}) > 1:
        wrong.append("the onset 'weeks' belongs to all faults of a case or to none")
    wrong += [
        f"disturbance '{d}' is not one of: {', '.join(DISTURBANCES)}" for d in disturbances if d not in DISTURBANCES
    ]
    if hours < 3.0:
        wrong.append(f"hours {hours} is below 3: too short for a history and a fault")
    if wrong:
        raise ValueError("; ".join(wrong))


def _disturb(
    op: Operation, around: Surroundings, names: Sequence[str], seed: int, runs: Sequence[tuple[float, float]]
) -> tuple[tuple[str, float, float, float], ...]:
    rng = random.Random(f"disturb {seed}")
    end, swaps = runs[-1][1], []
    for name in names:
        start, until = runs[rng.randrange(len(runs))]
        at = start + rng.uniform(0.4, 0.7) * (until - start)
        if name in ("power-cut", "hot-restart"):
            op.cuts.append((at, HOT_RESTART_S if name == "hot-restart" else RESTART_S))
            op.cuts.sort()
        elif name == "commissioning-test":
            op.manual.append((runs[0][0] + 420.0, runs[0][0] + 1380.0))
        elif name == "sensor-swap":
            role = rng.choice(("condenser_pressure", "discharge_temperature", "oil_temperature"))
            swaps.append(
                (role, at, at + 60.0 * rng.uniform(4.0, 12.0), rng.choice((-1.0, 1.0)) * rng.uniform(2.0, 3.5))
            )
        elif name == "setpoint-step":
            around.steps.append(Step("setpoint", at, end + 1e9, rng.choice((6.0, 8.0, 9.0))))
        elif name == "pumps-off":
            around.steps.append(Step("pumps", at, end + 1e9, 0.0))
        else:
            what = "chilled-flow" if name == "chilled-flow-change" else "cooling-flow"
            around.steps.append(Step(what, at, end + 1e9, rng.uniform(0.72, 0.85)))
    return tuple(swaps)


def _gathered(
    build: Build,
    seed: int,
    hours: float,
    op: Operation,
    faults: Sequence[Acting],
    disturbances: Sequence[str],
    windows: Sequence[tuple[float, float]],
    swaps: tuple[tuple[str, float, float, float], ...],
) -> Simulation:
    ledger: Ledger = op.ledger
    edges = {
        role: (np.array([t for t, _ in found], dtype=np.float64), np.array([on for _, on in found], dtype=bool))
        for role, found in ledger.edges.items()
    }
    events = tuple(sorted((e for e in ledger.events if e.time_s <= windows[-1][1]), key=lambda e: e.time_s))
    truth: dict[str, object] = {
        "build": build.id,
        "modes": [one.fault for one in faults] or ["none"],
        "faults": [
            {
                "mode": one.fault,
                "severity": one.severity,
                "onset": one.onset,
                "from_s": round(one.begin_s, 1),
                "full_s": round(one.full_s, 1),
                "strikes_s": [round(s, 1) for s in one.strikes_s],
                "variant": one.variant,
                "amount": FAULTS[one.fault].amount(one.severity, 1.0),
                "unit": FAULTS[one.fault].unit,
            }
            for one in faults
        ],
        "disturbances": list(disturbances),
        "starts": ledger.starts,
        "stops": ledger.stops,
        "drop_outs": ledger.drop_outs,
        "states": [{"from_s": t, "state": state} for t, state in ledger.states],
    }
    return Simulation(
        build=build,
        seed=seed,
        hours=hours,
        faults=tuple(faults),
        disturbances=tuple(disturbances),
        windows=tuple(windows),
        time_s=np.array(ledger.times),
        table=np.array(ledger.rows),
        edges=edges,
        events=events,
        truth=truth,
        swaps=swaps,
    )
