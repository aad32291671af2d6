"""What detectors share: the Subject they look at, and the question what they need before they look."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from forensics.case.schema import Machine, Observation
from forensics.machine.built.build import Build, build_of
from forensics.machine.states import Run, StateSpan
from forensics.model.findings import Start, Stop
from forensics.model.record import Record
from forensics.rules import Limits
from forensics.rules.profiles import Profile


class Saturation(Protocol):
    """Saturation temperatures of the case's refrigerant, vectorised; NaN outside its range."""

    def dew_c(self, pressure_kpa: NDArray[np.float64]) -> NDArray[np.float64]:
        """Dew-point temperature, degC, at absolute pressures in kPa."""
        ...

    def bubble_c(self, pressure_kpa: NDArray[np.float64]) -> NDArray[np.float64]:
        """Bubble-point temperature, degC, at absolute pressures in kPa."""
        ...


@dataclass(frozen=True)
class Subject:
    """All that a detector may look at.

    Attributes
    ----------
    record
        On the reference clock; window and history.
    runs, spans
        Runs of the motor and operating states, in time order, history included.
    starts, stops
        The tables of starts and stops, in time order, history included; empty while they are being made.
    limits, profile, machine
        Rules and nameplate.
    observations
        What was seen or done by hand on the machine.
    saturation
        None where the refrigerant has no data; ``saturation_missing`` then says why.
    memo
        What was made of this subject, once; a subject that is derived from it begins anew.
    """

    record: Record
    runs: tuple[Run, ...]
    spans: tuple[StateSpan, ...]
    limits: Limits
    profile: Profile
    machine: Machine
    polarity_confirmed: bool
    saturation: Saturation | None = None
    saturation_missing: str = ""
    starts: tuple[Start, ...] = ()
    stops: tuple[Stop, ...] = ()
    observations: tuple[Observation, ...] = ()
    memo: dict[Any, Any] = field(init=False, default_factory=dict, repr=False, compare=False)

    @cached_property
    def build(self) -> Build:
        """How the machine is built: the case's keys over the profile's."""
        return build_of(self.machine, self.profile)
