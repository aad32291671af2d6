"""What is written down while a machine is simulated: states, edges of commands, the controls' list, and the truth."""

from __future__ import annotations

from dataclasses import dataclass, field

from ..control_events import Event
from .effects import Effects
from .plant import Plant

SWITCHES = (
    "run_command",
    "run_status",
    "load_solenoid",
    "unload_solenoid",
    "bypass_solenoid",
    "economiser_solenoid",
    "injection_solenoid",
    "oil_heater",
    "oil_pump_status",
)


@dataclass(slots=True)
class Ledger:
    """Rows of the plant (straight lines between them), edges of every effect, events, and the truth."""

    times: list[float] = field(default_factory=list)
    rows: list[tuple[float, ...]] = field(default_factory=list)
    edges: dict[str, list[tuple[float, bool]]] = field(default_factory=lambda: {role: [] for role in SWITCHES})
    events: list[Event] = field(default_factory=list)
    states: list[tuple[float, str]] = field(default_factory=list)
    starts: list[dict[str, object]] = field(default_factory=list)
    stops: list[dict[str, object]] = field(default_factory=list)
    drop_outs: list[tuple[float, float]] = field(default_factory=list)

    def keep(self, t: float, plant: Plant, fx: Effects) -> None:
        """Keep the plant's state at a time; times only ever rise."""
        if self.times and t <= self.times[-1]:
            t = self.times[-1] + 1e-4
        self.times.append(t)
        self.rows.append(plant.row(t, fx))

    def put(self, role: str, t: float, *, on: bool) -> None:
        """An effect or status from now on."""
        edges = self.edges[role]
        if not edges or edges[-1][1] != on:
            edges.append((round(t, 2), on))

    def is_on(self, role: str) -> bool:
        """The latest state of an effect."""
        edges = self.edges[role]
        return bool(edges) and edges[-1][1]

    def say(self, t: float, point: str, state: str, text: str) -> None:
        """A line of the controls' list."""
        self.events.append(Event(round(t, 2), point, state, text))

    def enter(self, t: float, state: str) -> None:
        """The operating state from now on."""
        if not self.states or self.states[-1][1] != state:
            self.states.append((round(t, 2), state))
