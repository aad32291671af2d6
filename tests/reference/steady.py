"""A machine that runs steadily at given readings: what a detector derives from them is then known exactly."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from forensics.case.schema import Machine
from forensics.machine.subject import Saturation, Subject
from forensics.model.points import NS, Origin, Samples, Span
from forensics.model.record import Record
from forensics.model.vocabulary import Recorded, Role
from forensics.rules import read_limits
from forensics.rules.profiles import read_profile

BEGIN_NS = 1_900_000_000 * NS
RATED = 100.0


def point(
    role: Role, values: np.ndarray, step_s: float, recorded: Recorded = Recorded.INSTANT, clock: str = "controller"
) -> Samples:
    """A point sampled every ``step_s`` seconds."""
    t = BEGIN_NS + np.round(np.arange(len(values)) * step_s * NS).astype(np.int64)
    rows = np.arange(2, len(values) + 2)
    origin = Origin(f"{clock}.csv", role.value, clock, recorded)
    return Samples(role, origin, t, np.asarray(values, np.float64), np.zeros(len(values), np.uint16), rows)


def steady(readings: Mapping[Role, float], saturation: Saturation | None = None, *, hours: float = 12.0) -> Subject:
    """Running at rated current every 10 s up to the failure, every reading constant."""
    step_s = 10.0
    count = round(hours * 3600.0 / step_s)
    given = {Role.MOTOR_AMPS: RATED, **readings}
    samples = {role: (point(role, np.full(count, value), step_s),) for role, value in given.items()}
    end_ns = int(samples[Role.MOTOR_AMPS][0].t[-1]) + 1
    span = Span(BEGIN_NS, end_ns)
    record = Record(
        samples=samples,
        switches={},
        waveforms=(),
        log=(),
        failure_ns=end_ns - 1,
        window=span,
        history=Span(BEGIN_NS, BEGIN_NS),
        clock_uncertainty_s={"controller": 0.0},
    )
    return Subject(
        record,
        (),
        (),
        read_limits(),
        read_profile("pulsed-slide-bypass", Path()),
        Machine(refrigerant="R134a", rated_load_amps=RATED),
        polarity_confirmed=True,
        saturation=saturation,
    )
