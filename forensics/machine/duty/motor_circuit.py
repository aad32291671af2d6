"""Load of an induction motor from its amps or its power, by an equivalent circuit made from its no-load amps.

The ratio of amps is not the ratio of power: magnetising current alone is a quarter to nearly half of rated amps.
The circuit is the steady-state one of IEEE 112 (stator resistance and leakage, magnetising reactance, rotor leakage
and resistance over slip) per unit of rated voltage; friction, windage and core loss are taken at the shaft.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import cache, cached_property
from itertools import product

import numpy as np
from numpy.typing import NDArray

from forensics.case.schema import Machine
from forensics.rules import Limits

Floats = NDArray[np.float64]
_GRID = np.linspace(0.0, 1.6, 641)
_MAGNETISING = (0.5, 60.0)


@dataclass(frozen=True, slots=True)
class Interval:
    """A value of the typical circuit, and its least and most over all circuits held possible."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Circuit:
    """Per-unit equivalent circuit of one phase of a cage induction motor at rated frequency.

    Attributes
    ----------
    stator_resistance, stator_reactance, magnetising_reactance, rotor_resistance, rotor_reactance
        Per unit.
    rated_shaft
        Shaft power at rated load, per unit.
    loss
        Friction, windage and core loss, per unit of power, taken at the shaft.
    """

    stator_resistance: float
    stator_reactance: float
    magnetising_reactance: float
    rotor_resistance: float
    rotor_reactance: float
    rated_shaft: float
    loss: float = 0.0

    def line_current(self, shaft_fraction: Floats) -> NDArray[np.complex128]:
        """Line current at rated voltage, per unit, at fractions of rated shaft power; NaN beyond breakdown.

        The load resistance R2 (1 - s) / s that takes the power follows in closed form from Thevenin's equivalent of
        stator and magnetising branch: the smaller root of a quadratic in its conductance is the stable one.
        """
        power = self.loss + np.asarray(shaft_fraction, dtype=np.float64) * self.rated_shaft
        stator = complex(self.stator_resistance, self.stator_reactance)
        magnetising = complex(0.0, self.magnetising_reactance)
        share = magnetising / (stator + magnetising)
        behind = share * stator
        resistance = behind.real + self.rotor_resistance
        reactance = behind.imag + self.rotor_reactance
        room = abs(share) ** 2 - 2.0 * resistance * power
        with np.errstate(invalid="ignore", divide="ignore"):
            root = np.sqrt(room**2 - 4.0 * power**2 * (resistance**2 + reactance**2))
            load = 2.0 * power / (room + root)
            rotor = load / (1.0 + load * complex(self.rotor_resistance, self.rotor_reactance))
            return np.asarray(1.0 / (stator + 1.0 / (1.0 / magnetising + rotor)), dtype=np.complex128)

    @cached_property
    def _rated(self) -> complex:
        return complex(self.line_current(np.ones(1))[0])

    @property
    def rated_power_factor(self) -> float:
        """Power factor at rated shaft power."""
        return self._rated.real / abs(self._rated)

    @property
    def no_load_ratio(self) -> float:
        """Line amps at no load over those at rated load."""
        return float(np.abs(self.line_current(np.zeros(1))[0]) / abs(self._rated))

    @cached_property
    def _courses(self) -> tuple[Floats, Floats]:
        """Line amps and active amps over the grid of shaft fractions, both over rated amps."""
        current = self.line_current(_GRID) / abs(self._rated)
        return np.abs(current), current.real

    def amps_ratio(self, shaft_fraction: float) -> float:
        """Line amps over rated amps at a fraction of rated shaft power."""
        return float(np.interp(shaft_fraction, _GRID, self._courses[0]))

    def active_ratio(self, shaft_fraction: float) -> float:
        """Active part of the line amps over rated amps: input power over the product root 3 x volts x rated amps."""
        return float(np.interp(shaft_fraction, _GRID, self._courses[1]))

    def shaft_at_amps(self, amps_ratio: float) -> float:
        """Fraction of rated shaft power at a ratio of line amps; 0 below the no-load amps."""
        return float(np.interp(amps_ratio, self._courses[0], _GRID))

    def shaft_at_active(self, active_ratio: float) -> float:
        """Fraction of rated shaft power at a ratio of active amps; 0 below that of no load."""
        return float(np.interp(active_ratio, self._courses[1], _GRID))


@dataclass(frozen=True)
class MotorLoad:
    """Load of one motor from its amps or power: a typical circuit, first, and those that are held possible beside it.

    ``circuits`` are all made to draw the given no-load amps; ``reference`` are the same circuits with the no-load
    current of the motors that the amps limit of an unloaded start was learned on.
    """

    no_load_ratio: float
    circuits: tuple[Circuit, ...]
    reference: tuple[Circuit, ...]

    @property
    def rated_power_factor(self) -> Interval:
        """Power factor at rated shaft power."""
        return _spread(circuit.rated_power_factor for circuit in self.circuits)

    def amps_ratio(self, shaft_fraction: float) -> Interval:
        """Line amps over rated amps at a fraction of rated shaft power."""
        return self._each(lambda circuit: circuit.amps_ratio(shaft_fraction))

    def shaft_fraction(self, amps_ratio: float) -> Interval | None:
        """Fraction of rated shaft power at a ratio of line amps; None below the no-load amps of every circuit."""
        if amps_ratio < min(circuit.no_load_ratio for circuit in self.circuits):
            return None
        return self._each(lambda circuit: circuit.shaft_at_amps(amps_ratio))

    def shaft_at_active(self, active_ratio: float) -> Interval:
        """Fraction of rated shaft power at a ratio of active amps."""
        return self._each(lambda circuit: circuit.shaft_at_active(active_ratio))

    def input_fraction(self, shaft_fraction: float) -> Interval:
        """Input power over rated input power at a fraction of rated shaft power."""
        return self._each(lambda circuit: circuit.active_ratio(shaft_fraction) / circuit.rated_power_factor)

    def input_at_active(self, active_ratio: float) -> Interval:
        """Input power over rated input power, from input power over root 3 x volts x rated amps."""
        return self._each(lambda circuit: active_ratio / circuit.rated_power_factor)

    def amps_at_active(self, active_ratio: float, volts_share: float) -> Interval:
        """Line amps over rated amps at a ratio of active amps (at nominal voltage), the voltage being a share of it.

        A linear circuit at a share *v* of its voltage draws *v* times the amps that it draws at full voltage for
        power / v^2.
        """

        def amps(circuit: Circuit) -> float:
            return volts_share * circuit.amps_ratio(circuit.shaft_at_active(active_ratio / volts_share**2))

        return self._each(amps)

    def limit_of_load(self, amps_limit: float) -> Interval:
        """Fraction of rated shaft power that an amps limit stands for at a typical no-load current."""
        return _spread(circuit.shaft_at_amps(amps_limit) for circuit in self.reference)

    def limit_in_amps(self, amps_limit: float) -> Interval:
        """Ratio of line amps at which this motor carries the shaft load that an amps limit stands for."""
        return self._at_limit(amps_limit, lambda circuit, shaft: circuit.amps_ratio(shaft))

    def limit_in_active(self, amps_limit: float, *, no_load_known: bool = True) -> Interval:
        """Ratio of active amps at which this motor carries the shaft load that an amps limit stands for.

        With ``no_load_known`` False, that of a motor of typical no-load current is held possible too.
        """
        own = self._at_limit(amps_limit, lambda circuit, shaft: circuit.active_ratio(shaft))
        if no_load_known:
            return own
        typical = _spread(circuit.active_ratio(circuit.shaft_at_amps(amps_limit)) for circuit in self.reference)
        return Interval(own.value, min(own.low, typical.low), max(own.high, typical.high))

    def _each(self, quantity: Callable[[Circuit], float]) -> Interval:
        return _spread(quantity(circuit) for circuit in self.circuits)

    def _at_limit(self, amps_limit: float, quantity: Callable[[Circuit, float], float]) -> Interval:
        pairs = zip(self.circuits, self.reference, strict=True)
        return _spread(quantity(own, other.shaft_at_amps(amps_limit)) for own, other in pairs)


def motor_load(machine: Machine, limits: Limits) -> tuple[MotorLoad | None, str]:
    """The motor of a nameplate by its no-load amps.

    Returns
    -------
    load, why_not
        None, with what is missing in words, where there is no such circuit.
    """
    no_load, rated = machine.no_load_amps, machine.rated_load_amps
    if no_load is None or rated is None:
        names = (("no_load_amps", no_load), ("rated_load_amps", rated))
        return None, "no " + " and no ".join(name for name, value in names if value is None) + " on the nameplate given"
    given = tuple(limits[f"motor.{name}"] for name in _GIVEN)
    found = _load(no_load / rated, given)
    if found is None:
        return None, f"no_load_amps of {no_load / rated:.2f} of rated belong to no ordinary motor"
    return found, ""


_GIVEN = (
    "rated_shaft",
    "stator_resistance",
    "rotor_resistance",
    "resistance_spread",
    "leakage",
    "leakage_low",
    "leakage_high",
    "loss_high",
    "no_load_typical",
    "no_load_tolerance",
)


@cache
def _load(no_load_ratio: float, given: tuple[float, ...]) -> MotorLoad | None:
    shaft, stator, rotor, factor, leakage, least, most, loss, typical, tolerance = given
    builds = [(1.0, leakage, 0.0, 1.0)]
    builds += list(product((1.0 / factor, factor), (least, most), (0.0, loss), (1.0 - tolerance, 1.0 + tolerance)))
    own, reference = [], []
    for scale, reactance, lost, share in builds:
        half = reactance / 2.0
        shell = Circuit(
            stator_resistance=stator * scale,
            stator_reactance=half,
            magnetising_reactance=1.0,
            rotor_resistance=rotor * scale,
            rotor_reactance=half,
            rated_shaft=shaft,
            loss=lost,
        )
        own.append(_magnetised(shell, no_load_ratio * share))
        reference.append(_magnetised(shell, typical))
    circuits = tuple(c for c in own if c is not None)
    others = tuple(c for c in reference if c is not None)
    if len(circuits) < len(builds) or len(others) < len(builds):
        return None
    return MotorLoad(no_load_ratio, circuits, others)


def _magnetised(circuit: Circuit, no_load_ratio: float) -> Circuit | None:
    """The circuit with the magnetising reactance that gives a ratio of no-load to rated amps; None: there is none."""
    from scipy.optimize import brentq

    def excess(reactance: float) -> float:
        made = replace(circuit, magnetising_reactance=reactance)
        return made.no_load_ratio - no_load_ratio

    low, high = _MAGNETISING
    while low < high and not math.isfinite(excess(low)):
        low *= 1.2
    if not excess(low) > 0.0 > excess(high):
        return None
    return replace(circuit, magnetising_reactance=float(brentq(excess, low, high, xtol=1e-6)))


def _spread(values: Iterable[float]) -> Interval:
    found = list(values)
    return Interval(found[0], min(found), max(found))
