"""Line amps from current sensors that sit inside the delta, and whether a machine's sensors may sit there unsaid."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from forensics.case.schema import Machine
from forensics.machine.subject import Subject
from forensics.model.memo import kept_with_owner
from forensics.model.record import Record
from forensics.model.vocabulary import Role, Starter

ROOT_3 = 3.0**0.5
AMPS_ROLES = (Role.MOTOR_AMPS, Role.AMPS_A, Role.AMPS_B, Role.AMPS_C)
IN_DELTA = "in-delta"


def as_line_amps(record: Record, machine: Machine) -> Record:
    """The record with the trends of current as line amps: times root 3 where the sensors sit in the delta.

    A winding in delta carries the line current over root 3. In star both are the same, so that readings of the star
    stage are too high by root 3; who reads them gives the interval.
    """
    if machine.current_sensor.place != IN_DELTA:
        return record
    scaled = {
        role: tuple(replace(p, v=p.v * ROOT_3, resolution=p.resolution * ROOT_3) for p in record.samples[role])
        for role in AMPS_ROLES
        if role in record.samples
    }
    return replace(record, samples={**record.samples, **scaled})


@kept_with_owner
def place_unsure(subject: Subject) -> str:
    """Why the amps may be those of a winding and not of a line, in words; empty where that is known or ruled out.

    Sensors in the delta read at most 1 / root 3 of what the motor may draw for long: one reading of running well
    above it rules them out.
    """
    machine = subject.machine
    rated = machine.rated_load_amps
    if machine.current_sensor.place or machine.starter is not Starter.STAR_DELTA or rated is None:
        return ""
    reach = subject.limits["electrical.delta_reach"]
    settle_s = subject.limits["starts.settle_star_delta_s"]
    for role in AMPS_ROLES:
        for point in subject.record.samples.get(role, ()):
            for run in subject.runs:
                part = point.trusted.between(run.first_ns + round(2e9 * settle_s), run.last_ns)
                if len(part) and float(np.quantile(part.v, 0.9)) > reach * rated:
                    return ""
    return (
        "whether the current sensors sit in the line or inside the delta is not given, and the amps never rose high "
        "enough to tell; give machine.current_sensor.place"
    )
