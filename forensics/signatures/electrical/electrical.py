"""Motor and supply: which check of the family is answered by which detector."""

from __future__ import annotations

from forensics.machine.subject import Detector
from forensics.signatures.electrical.contactor import chatter, current_without_command
from forensics.signatures.electrical.loss import power_lost, supply_dip
from forensics.signatures.electrical.motor import (
    amps_high_at_equal_duty,
    overload,
    spikes_before_trip,
)
from forensics.signatures.electrical.phases import current_unbalance, phase_lost, phase_sensor_lost
from forensics.signatures.electrical.protection import tripped_on_overload, tripped_on_supply
from forensics.signatures.electrical.supply import undervoltage, voltage_unbalance
from forensics.signatures.electrical.winding import ground_fault, instant_trip

DETECTORS: dict[str, Detector] = {
    "electrical.voltage_unbalance": voltage_unbalance,
    "electrical.current_unbalance": current_unbalance,
    "electrical.phase_lost": phase_lost,
    "electrical.phase_sensor_lost": phase_sensor_lost,
    "electrical.current_without_command": current_without_command,
    "electrical.chatter": chatter,
    "electrical.overload": overload,
    "electrical.supply_dip": supply_dip,
    "electrical.undervoltage": undervoltage,
    "electrical.power_lost": power_lost,
    "electrical.amps_high_at_equal_duty": amps_high_at_equal_duty,
    "electrical.current_spikes_before_trip": spikes_before_trip,
    "electrical.instant_trip": instant_trip,
    "electrical.ground_fault": ground_fault,
    "electrical.tripped_on_overload": tripped_on_overload,
    "electrical.tripped_on_supply": tripped_on_supply,
}
