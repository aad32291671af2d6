"""Sensors and wiring: which check of the family is answered by which detector."""

from __future__ import annotations

from forensics.machine.subject import Detector
from forensics.signatures.sensors.balance import counter_mismatch, power_mismatch
from forensics.signatures.sensors.cross_check import disagree_at_rest, disagree_running
from forensics.signatures.sensors.jump import jump_at_trip
from forensics.signatures.sensors.own import frozen, out_of_range
from forensics.signatures.sensors.trip_text import neighbours_unmoved, trip_text_unsupported
from forensics.signatures.sensors.uncorroborated import (
    discharge_temperature_alone,
    high_side_alone,
    suction_alone,
)

DETECTORS: dict[str, Detector] = {
    "sensors.jump_at_trip": jump_at_trip,
    "sensors.frozen": frozen,
    "sensors.out_of_range": out_of_range,
    "sensors.disagree_at_rest": disagree_at_rest,
    "sensors.neighbours_unmoved": neighbours_unmoved,
    "sensors.counter_mismatch": counter_mismatch,
    "sensors.power_mismatch": power_mismatch,
    "sensors.disagree_running": disagree_running,
    "sensors.trip_text_unsupported": trip_text_unsupported,
    "sensors.discharge_temperature_alone": discharge_temperature_alone,
    "sensors.high_side_alone": high_side_alone,
    "sensors.suction_alone": suction_alone,
}
