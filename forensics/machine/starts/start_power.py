"""What tells the load of a start beside its amps: motor power by an equivalent circuit, and the supply voltage."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forensics.machine.duty.motor_circuit import Interval, MotorLoad, motor_load
from forensics.machine.starts.settled_current import SettledCurrent, Window, settled_in
from forensics.machine.states import Run
from forensics.machine.subject import Subject
from forensics.model.points import NS, Samples
from forensics.model.vocabulary import Role, Starter

_VOLTS = (Role.VOLTS_AB, Role.VOLTS_BC, Role.VOLTS_CA)
_ROOT_3 = 3.0**0.5
_USUAL_MOST = 0.98
_NO_MEAN = SettledCurrent(None)


@dataclass(frozen=True, slots=True)
class Motor:
    """What the record and the nameplate let say of the motor beside its amps.

    Attributes
    ----------
    load, no_load
        Its equivalent circuit; None, with what is missing, where there is none.
    power
        The fastest motor_power; None where it is not logged.
    rated_kva
        Root 3 x supply volts x rated amps, kVA; None where either is not known.
    reached
        Input power over rated that the record shows while running (all but its highest 2 %); 0 where it shows none.
    """

    load: MotorLoad | None = None
    no_load: str = ""
    power: Samples | None = None
    rated_kva: float | None = None
    reached: float = 0.0


@dataclass(frozen=True, slots=True)
class Beside:
    """What was seen in the settled window of one start beside its amps.

    Attributes
    ----------
    active
        Input power over ``Motor.rated_kva``, with the meter's error and the samples' spread; None, with the reason in
        ``no_power``, where it can't be had.
    volts_share
        Mean voltage over supply volts; None where it is not logged or the supply volts are not given.
    settled
        The samples of the power.
    """

    active: Interval | None = None
    no_power: str = ""
    volts_share: float | None = None
    settled: SettledCurrent = _NO_MEAN


NO_MOTOR = Motor()
NOTHING_BESIDE = Beside()


def read_motor(subject: Subject) -> Motor:
    """The motor by its nameplate and its power reading; without a circuit where a drive sets its frequency."""
    machine = subject.machine
    power = subject.record.fastest(Role.MOTOR_POWER)
    if machine.starter is Starter.VARIABLE_SPEED:
        return Motor(None, "with a variable-speed starter the circuit at rated frequency does not hold", power)
    load, missing = motor_load(machine, subject.limits)
    volts, rated = machine.supply_volts, machine.rated_load_amps
    kva = _ROOT_3 * volts * rated / 1000.0 if volts is not None and rated is not None else None
    return Motor(load, missing, power, kva, _reached(subject, power, load, kva))


def _reached(subject: Subject, power: Samples | None, load: MotorLoad | None, kva: float | None) -> float:
    if power is None or load is None or kva is None:
        return 0.0
    parts = [power.usable.between(run.first_ns + 60 * NS, run.last_ns).v for run in subject.runs]
    values = np.concatenate(parts) if parts else np.empty(0)
    if not len(values):
        return 0.0
    return load.input_at_active(float(np.quantile(values, _USUAL_MOST)) / kva).value


def beside_amps(subject: Subject, run: Run, window: Window, motor: Motor) -> Beside:
    """Power and voltage in the settled window of a start."""
    volts = volts_share(subject, window.from_ns, window.to_ns)
    active, settled, why = _active(subject, run, window, motor)
    return Beside(active, why, volts, settled)


def _active(subject: Subject, run: Run, window: Window, motor: Motor) -> tuple[Interval | None, SettledCurrent, str]:
    limits, power = subject.limits, motor.power
    if power is None:
        return None, _NO_MEAN, "no motor_power"
    missing = [motor.no_load] if motor.no_load else []
    if subject.machine.supply_volts is None:
        missing.append("no supply_volts")
    if missing or motor.rated_kva is None:
        return None, _NO_MEAN, f"motor_power does not tell the load: {', '.join(missing)}"
    settled = settled_in(subject, _sure(subject, run, window, power), power, motor.rated_kva)
    if settled.mean is None:
        return None, settled, f"motor_power: {settled.why_not}"
    half = abs(settled.mean) * limits["motor.power_error_percent"] / 100.0 + settled.half_width
    value = settled.mean / motor.rated_kva
    if value < limits["motor.power_least"]:
        return None, settled, f"motor_power reads {settled.mean:.1f} kW, less than a turning screw takes"
    return Interval(value, value - half / motor.rated_kva, value + half / motor.rated_kva), settled, ""


def _sure(subject: Subject, run: Run, window: Window, power: Samples) -> Window:
    """The window less what the clocks of power and current may be apart."""
    shown = run.seen_in.partition("+")[0]
    clocks = {p.origin.clock for role, points in subject.record.samples.items() if role.value == shown for p in points}
    if power.origin.clock in clocks:
        return window
    apart_s = min(subject.record.uncertainty_s(power.origin.clock), 3600.0)
    apart = round(apart_s * NS)
    return Window(window.from_ns + apart, window.to_ns - apart, window.ended_by)


def volts_share(subject: Subject, from_ns: int, to_ns: int) -> float | None:
    """Mean of the logged voltages over a time, as a share of the supply volts; None where it can't be had."""
    nominal = subject.machine.supply_volts
    points = [p for p in (subject.record.fastest(role) for role in _VOLTS) if p is not None]
    if nominal is None or subject.machine.starter is Starter.VARIABLE_SPEED:
        return None
    found = [p.usable.between(from_ns, to_ns).v for p in points]
    means = [float(np.mean(v)) for v in found if len(v)]
    return float(np.mean(means)) / nominal if means else None


def ratio_by_power(subject: Subject, motor: Motor, beside: Beside) -> Interval | None:
    """Ratio of line amps that the circuit draws for the power of a start; None where that can't be had.

    Where no voltage is logged it is held to lie within the tolerance of the supply.
    """
    if motor.load is None or beside.active is None:
        return None
    tolerance = subject.limits["motor.supply_tolerance"]
    known = beside.volts_share
    shares = (1.0, 1.0 - tolerance, 1.0 + tolerance) if known is None else (known,)
    found = [
        motor.load.amps_at_active(active, share)
        for share in shares
        for active in (beside.active.value, beside.active.low, beside.active.high)
    ]
    return Interval(found[0].value, min(f.low for f in found), max(f.high for f in found))
