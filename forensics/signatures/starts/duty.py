"""What standards say of the starting duty of a motor like this one, told beside the starts that were counted."""

from __future__ import annotations

import numpy as np

from forensics.machine.duty.motor_circuit import motor_load
from forensics.machine.subject import Subject
from forensics.model.findings import Start
from forensics.model.vocabulary import Role
from forensics.rules.start_duty import DutyRow, read_start_duty

KW_PER_HP = 0.7456998715822702
_ROOT_3 = 3.0**0.5
_SLIP_MOST = 0.05
_MINUTE_S = 60


def shaft_rating_kw(subject: Subject) -> float | None:
    """Shaft rating estimated from the nameplate, kW: root 3 x volts x amps x efficiency x power factor.

    The power factor is that of the motor's equivalent circuit where its no-load amps are given, else a usual one.
    None without volts or amps.
    """
    machine, limits = subject.machine, subject.limits
    volts, amps = machine.supply_volts, machine.rated_load_amps
    if volts is None or amps is None:
        return None
    load, _ = motor_load(machine, limits)
    factor = limits["motor.power_factor"] if load is None else load.rated_power_factor.value
    return shaft_kw(volts, amps, limits["motor.efficiency"], factor)


def shaft_kw(volts: float, amps: float, efficiency: float, power_factor: float) -> float:
    """Shaft power of a three-phase motor, kW, from line-to-line volts and line amps (definition)."""
    return _ROOT_3 * volts * amps * efficiency * power_factor / 1000.0


def poles(subject: Subject) -> int | None:
    """Two or four poles where a shaft speed is logged that slips a little below that synchronous speed, else None."""
    speed, hertz = subject.record.point(Role.SHAFT_SPEED), subject.machine.supply_hertz
    if speed is None or hertz is None:
        return None
    parts = [np.abs(speed.usable.between(run.first_ns, run.last_ns).v) for run in subject.runs]
    running = np.concatenate(parts) if parts else np.empty(0)
    if not len(running):
        return None
    usual = float(np.median(running))
    for count in (2, 4):
        synchronous = 2.0 * _MINUTE_S * hertz / count
        if (1.0 - _SLIP_MOST) * synchronous <= usual < synchronous:
            return count
    return None


def duty_words(subject: Subject, starts: list[Start]) -> tuple[str, str]:
    """Starting duty of a motor like this one.

    Returns
    -------
    words, basis
        For the statement, and the sources for its basis. The row is the lenient one where rating or poles are not
        known well; without volts and amps only the starts in succession are told.
    """
    duty = read_start_duty()
    succession = duty.succession
    words = f"A motor is built for {succession.cold} starts in succession from cold and {succession.hot} when hot."
    rating = shaft_rating_kw(subject)
    if rating is None:
        return words, succession.source
    known = poles(subject)
    row = duty.table.lenient_row(rating / KW_PER_HP, known)
    if row is None:
        return words, succession.source
    return f"{_row_words(row, known, starts)} {words}", f"{duty.table.source}, {duty.table.caveat}; {succession.source}"


def _row_words(row: DutyRow, known: int | None, starts: list[Start]) -> str:
    which = f"{known} poles" if known else "4 poles, the lenient row as the poles are not known"
    rests = [s.off_s for s in starts if s.off_s is not None]
    short = sum(rest < row.rest_s for rest in rests)
    return (
        f"For comparison, a motor from {row.horsepower:g} hp (estimated from the nameplate; {which}) is held to "
        f"{row.starts_per_hour:g} starts an hour with rests of {row.rest_s:g} s; "
        f"{short} of {len(rests)} rests were shorter."
    )
