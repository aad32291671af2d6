"""Events that strike a running machine: power cuts, dips, a lost phase, earth faults, contacts, seizure, drives."""

from __future__ import annotations

from .onset import Acting
from .operation import Operation

_POWER_OUT_S = 95.0
RESTART_S = 600.0
HOT_RESTART_S = 180.0


def cut_power(op: Operation, wait_s: float = RESTART_S) -> None:
    """The supply fails; everything falls with it, nothing is told until it is back; it starts again after a wait."""
    op.power_back_s = op.t + _POWER_OUT_S
    at, before = op.t, op.ready_s
    op.plant.volts = 0.0
    op.switch_off("power-loss", "")
    op.ready_s = max(before, at + wait_s)
    op.ledger.say(op.power_back_s, "SUPPLY", "ALARM", "Control power restored")
    op.ledger.say(op.power_back_s + 2.0, "SUPPLY", "NORMAL", "Control power restored")


def strike(op: Operation, one: Acting, amount: float) -> bool:
    """Let an event happen; True where it ended the run."""
    kind = {"trapped-loaded": "power", "single-phasing": "phase", "supply-disturbance": "dip"}.get(one.fault, one.fault)
    if kind == "power":
        cut_power(op)
        return True
    if kind == "phase":
        op.keep(op.fx())
        op.phase = (op.t + 90.0, amount)
        op.t += 0.02
        op.keep(op.fx())
        return False
    if kind == "dip":
        return _dip(op, amount)
    if kind == "insulation-failure":
        return _earth(op)
    if kind == "contactor-fault":
        return _contacts(op, one, amount)
    if kind == "bearing-or-rotor-damage":
        return _seizes(op, one)
    if kind == "drive-fault" and one.severity == "gross":
        op.trip("Drive fault, overcurrent")
        return True
    return False


def _brief(op: Operation, seconds: float, amps: float, volts: float) -> None:
    """A state too short for the plant to change: amps over rated amps, volts over rated volts."""
    fx, plant = op.fx(), op.plant
    plant.amps, plant.volts = amps, volts
    op.t += 0.02
    op.keep(fx)
    op.t += max(seconds - 0.02, 0.0)
    op.keep(fx)


def _dip(op: Operation, depth: float) -> bool:
    plant, usual = op.plant, op.plant.amps
    op.keep(op.fx())
    _brief(op, 0.3, usual / max(1.0 - depth, 0.3), 1.0 - depth)
    if depth < 0.4:
        _brief(op, 0.9, usual / (1.0 - depth), 1.0 - depth)
        _brief(op, 0.2, usual, 1.0)
        return False
    opened = op.t
    _brief(op, 1.1, 0.0, 1.0 - depth)
    op.ledger.drop_outs.append((round(opened, 2), round(op.t, 2)))
    _brief(op, 0.5, 5.6, 0.97)  # closed again while it still turns
    _brief(op, 0.3, usual, 1.0)
    if depth > 0.6:
        op.trip("Supply undervoltage")
        plant.volts = 1.0
        return True
    return False


def _earth(op: Operation) -> bool:
    fx, plant = op.fx(), op.plant
    fx.phase_amps = (7.0, 5.5, 1.4)
    usual = plant.amps
    op.t += 0.02
    op.ledger.keep(op.t, plant, fx)
    op.t += 0.25
    op.ledger.keep(op.t, plant, fx)
    plant.amps, op.trips = usual, 99  # a winding that failed is not started again
    op.trip("Earth fault, instantaneous")
    return True


def _contacts(op: Operation, one: Acting, amount: float) -> bool:
    if one.variant:
        op.welded_s = 8.0 * amount
        return False
    usual = op.plant.amps
    op.keep(op.fx())
    for _ in range(max(1, round(amount))):
        opened = op.t
        op.ledger.put("run_status", op.t, on=False)
        op.ledger.say(op.t, "STATUS", "OFF", "Contactor status changed")
        _brief(op, 0.6, 0.0, 1.0)
        op.ledger.put("run_status", op.t, on=True)
        op.ledger.say(op.t, "STATUS", "ON", "Contactor status changed")
        op.ledger.drop_outs.append((round(opened, 2), round(op.t, 2)))
        _brief(op, 0.5, 4.8, 0.97)
        _brief(op, 0.7, usual, 1.0)
    return False


def _seizes(op: Operation, one: Acting) -> bool:
    if one.severity != "gross":
        return False
    usual = op.plant.amps
    for step in range(8):
        _brief(op, 2.5, usual * (1.0 + 0.12 * step + (0.15 if step % 2 else 0.0)), 1.0)
    _brief(op, 1.8, op.build.locked_rotor_ratio, 0.96)
    op.plant.rpm, op.seized = 0.0, True
    op.trip("Motor overload, locked rotor")
    return True
