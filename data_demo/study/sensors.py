"""What sensors show of the plant: every point's expression, noise, lag and resolution, and how a site's sensors age.

Noise, lags and resolutions are of the usual order of such sensors; no published source.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

from .builds import Build
from .simulation import FINEST_S, Simulation

Floats = npt.NDArray[np.float64]
Look = Callable[[Simulation, Floats], Floats]


@dataclass(frozen=True, slots=True)
class Sensor:
    """One analogue point: how it is had, noise (one standard deviation), resolution, lag in s, floor."""

    look: Look
    noise: float
    step: float
    lag_s: float = 0.0
    floor: float | None = None


@dataclass(frozen=True, slots=True)
class Ageing:
    """How the sensors of a site are.

    Attributes
    ----------
    coarse
        Multiple of the usual resolution.
    lag
        Multiple of the usual lag: a slow well, a filter in the panel.
    dead_band
        A new reading is shown only beyond so many resolutions; 0: always.
    offset
        Multiple of the spread of offsets that sensors have from the beginning.
    drift
        Multiple of the spread by which one temperature and one pressure wander over the record.
    stuck
        Spells of some minutes in which one point repeats its last reading.
    """

    coarse: float = 1.0
    lag: float = 1.0
    dead_band: float = 0.0
    offset: float = 1.0
    drift: float = 0.0
    stuck: int = 0


def _of(name: str, scale: float = 1.0) -> Look:
    return lambda sim, t: scale * sim.state(name, t)


def _amps(sim: Simulation, t: Floats, phase: str = "") -> Floats:
    build = sim.build
    amps = sim.state("amps", t) * build.rated_amps
    if phase:
        amps = amps * sim.state(phase, t)
    else:
        amps = amps * (sim.state("pa", t) + sim.state("pb", t) + sim.state("pc_phase", t)) / 3.0
    if build.transformers == "in-delta":  # in star the winding carries the line's current, in delta 1/sqrt(3) of it
        star = sim.state("star", t) > 0.5
        amps = np.where(star, amps, amps / np.sqrt(3.0))
    return np.asarray(amps)


def _volts(phase: str) -> Look:
    def look(sim: Simulation, t: Floats) -> Floats:
        sag = 1.0 - 0.006 * np.minimum(sim.state("amps", t), 7.0)
        return sim.build.volts * sim.state("volts", t) * sim.state(phase, t) * sag

    return look


def _sum(*names: str) -> Look:
    return lambda sim, t: np.sum([sim.state(name, t) for name in names], axis=0)


def _discharge(sim: Simulation, t: Floats) -> Floats:
    return sim.state("pc" if sim.build.check_valve == "before-discharge-sensor" else "pd", t)


def _power(sim: Simulation, t: Floats) -> Floats:
    return np.where(sim.state("amps", t) > 0.01, sim.state("kw", t), 0.0)


def _counted(sim: Simulation, t: Floats) -> Floats:
    at, on = sim.edges["run_status"]
    return np.asarray(1500.0 + np.searchsorted(at[on], t), dtype=np.float64)


def _hours(sim: Simulation, t: Floats) -> Floats:
    run = np.concatenate([[0.0], np.cumsum(np.diff(sim.time_s) * (sim.table[1:, sim.column("motor")] > 0.5))]) / 3600.0
    return 11000.0 + np.interp(t, sim.time_s, run)


def _energy(sim: Simulation, t: Floats) -> Floats:
    power = sim.table[:, sim.column("kw")]
    used = np.concatenate([[0.0], np.cumsum(np.diff(sim.time_s) * 0.5 * (power[1:] + power[:-1]))]) / 3600.0
    return 800_000.0 + np.interp(t, sim.time_s, used)


SENSORS: dict[str, Sensor] = {
    "slide_position": Sensor(_of("slide"), 0.3, 0.1, 0.5, 0.0),
    "capacity_command": Sensor(_of("command"), 0.0, 1.0, 0.0, 0.0),
    "motor_amps": Sensor(_amps, 0.4, 0.1, 0.3, 0.0),
    "amps_a": Sensor(lambda s, t: _amps(s, t, "pa"), 0.5, 0.1, 0.3, 0.0),
    "amps_b": Sensor(lambda s, t: _amps(s, t, "pb"), 0.5, 0.1, 0.3, 0.0),
    "amps_c": Sensor(lambda s, t: _amps(s, t, "pc_phase"), 0.5, 0.1, 0.3, 0.0),
    "volts_ab": Sensor(_volts("va"), 0.6, 0.1, 0.2, 0.0),
    "volts_bc": Sensor(_volts("vb"), 0.6, 0.1, 0.2, 0.0),
    "volts_ca": Sensor(_volts("vc"), 0.6, 0.1, 0.2, 0.0),
    "motor_power": Sensor(_power, 0.3, 0.1, 0.5, 0.0),
    "electrical_energy": Sensor(_energy, 0.0, 1.0),
    "drive_hertz": Sensor(_of("hertz"), 0.02, 0.1, 0.2, 0.0),
    "shaft_speed": Sensor(_of("rpm"), 2.0, 1.0),
    "suction_pressure": Sensor(_of("ps"), 1.0, 0.5, 0.4),
    "discharge_pressure": Sensor(_discharge, 1.5, 0.5, 0.4),
    "condenser_pressure": Sensor(_of("pc"), 1.5, 0.5, 0.4),
    "oil_pressure": Sensor(_sum("ps", "oil_kpa"), 1.6, 0.5, 0.6),
    "oil_filter_in_pressure": Sensor(_sum("ps", "oil_kpa", "filter_kpa"), 1.6, 0.5, 0.6),
    "oil_pressure_difference": Sensor(_of("oil_kpa"), 1.8, 0.5, 0.6, 0.0),
    "economiser_pressure": Sensor(_of("economiser_kpa"), 1.4, 0.5, 0.4),
    "suction_temperature": Sensor(_sum("te", "sh"), 0.06, 0.1, 12.0),
    "discharge_temperature": Sensor(_of("td"), 0.08, 0.1, 10.0),
    "oil_temperature": Sensor(_of("oil_c"), 0.06, 0.1, 15.0),
    "winding_temperature": Sensor(_of("winding_c"), 0.12, 0.1, 8.0),
    "liquid_temperature": Sensor(_of("liquid_c"), 0.06, 0.1, 12.0),
    "chilled_water_entering": Sensor(_of("water_in"), 0.03, 0.1, 8.0),
    "chilled_water_leaving": Sensor(_of("water_out"), 0.03, 0.1, 8.0),
    "condenser_water_entering": Sensor(_of("cw_in"), 0.03, 0.1, 8.0),
    "condenser_water_leaving": Sensor(_of("cw_out"), 0.03, 0.1, 8.0),
    "ambient_temperature": Sensor(_of("ambient"), 0.04, 0.1, 60.0),
    "oil_level": Sensor(_of("level"), 0.5, 0.5, 3.0, 0.0),
    "expansion_valve_position": Sensor(_of("exv"), 0.0, 0.5, 0.0, 0.0),
    "chilled_water_setpoint": Sensor(_of("setpoint"), 0.0, 0.1),
    "vibration_velocity": Sensor(_of("vibration"), 0.06, 0.01, 1.0, 0.0),
    "start_count": Sensor(_counted, 0.0, 1.0),
    "run_hours": Sensor(_hours, 0.0, 0.1),
}
_SCALED = ("motor_amps", "amps_", "motor_power")
_OFFSET = {"_pressure": 3.0, "_temperature": 0.25, "_entering": 0.12, "_leaving": 0.12}
_DRIFT = {"_pressure": 12.0, "_temperature": 1.2}


def analogue_roles(build: Build) -> tuple[str, ...]:
    """Analogue points that a build can have."""
    lacks: set[str] = set()
    if not build.has_slide:
        lacks.add("slide_position")
    if not build.has_drive:
        lacks.add("drive_hertz")
    if build.capacity not in ("steps", "speed", "speed-and-slide"):
        lacks.add("capacity_command")
    if not build.economiser:
        lacks.add("economiser_pressure")
    if build.condenser != "water":
        lacks |= {"condenser_water_entering", "condenser_water_leaving"}
    return tuple(role for role in SENSORS if role not in lacks)


def _rng(sim: Simulation, role: str, what: str) -> np.random.Generator:
    return np.random.default_rng([sim.seed, zlib.crc32(f"{role} {what}".encode())])


def _spread(role: str, table: dict[str, float]) -> float:
    return next((value for end, value in table.items() if role.endswith(end)), 0.0)


def read(sim: Simulation, role: str, ageing: Ageing) -> Floats:
    """Readings of a point at every instant of the finest grid, in the unit of its role.

    Lag, offset, drift and noise come first, then what the controls do to a reading: dead band, resolution, rails.
    """
    sensor, t = SENSORS[role], sim.grid()
    values = np.asarray(sensor.look(sim, t), dtype=np.float64)
    running = values != 0.0
    lag = sensor.lag_s * ageing.lag
    if lag > 0.0:
        share = 1.0 - np.exp(-FINEST_S / lag)
        values = lfilter([share], [1.0, share - 1.0], values, zi=[values[0] * (1.0 - share)])[0]
    rng = _rng(sim, role, "noise")
    noise = rng.standard_normal(t.size, dtype=np.float32) * sensor.noise
    if role.startswith(_SCALED):
        ripple = sim.state("ripple", t) * values * 0.5
        noise = (
            noise * sim.build.rated_amps / 150.0 + rng.standard_normal(t.size, dtype=np.float32) * ripple
        ) * running
    fixed = _rng(sim, role, "fixed")
    values = values + noise + _spread(role, _OFFSET) * ageing.offset * fixed.normal()
    if ageing.drift and fixed.random() < 0.35:
        values += _spread(role, _DRIFT) * ageing.drift * fixed.normal() * (t - t[0]) / (t[-1] - t[0])
    values = _faulty(sim, role, t, values)
    step = sensor.step * ageing.coarse
    if step > 0.0:
        values = np.round(np.round(values / step) * step, 6)  # as it would be written
    if ageing.dead_band:
        values = _held(values, step * ageing.dead_band)
    if sensor.floor is not None:
        values = np.maximum(values, sensor.floor)
    return _swapped(sim, role, t, _stuck(sim, role, values, ageing))


def _faulty(sim: Simulation, role: str, t: Floats, values: Floats) -> Floats:
    for one in sim.faults:
        if one.fault != "sensor-fault":
            continue
        kind, per = sensor_at_fault(one.variant)
        if kind != role:
            continue
        share = np.clip((t - one.begin_s) / max(one.full_s - one.begin_s, 1.0), 0.0, 1.0)
        values = values + share * one.amount(one.full_s) * per * (t >= one.begin_s)
        values = np.clip(values, 0.0, 200.0) if role == "discharge_temperature" else np.maximum(values, 0.0)
    return values


def sensor_at_fault(variant: int) -> tuple[str, float]:
    """Role whose sensor is false in a variant, and its error per unit of the fault's amount."""
    return (("discharge_temperature", 1.0), ("suction_pressure", -3.0))[variant]


def _held(values: Floats, band: float) -> Floats:
    """Readings with a dead band: the last shown stays until the new one lies beyond the band."""
    coarse = np.round(values / band)
    changed = np.concatenate([[True], coarse[1:] != coarse[:-1]])
    index = np.maximum.accumulate(np.where(changed, np.arange(values.size), 0))
    return np.asarray(values[index])


def _stuck(sim: Simulation, role: str, values: Floats, ageing: Ageing) -> Floats:
    rng = _rng(sim, role, "stuck")
    for _ in range(ageing.stuck):
        if rng.random() < 0.12:
            length = int(rng.uniform(120.0, 900.0) / FINEST_S)
            at = int(rng.integers(0, max(1, values.size - length)))
            values[at : at + length] = values[at]
    return values


def _swapped(sim: Simulation, role: str, t: Floats, values: Floats) -> Floats:
    for name, start, until, offset in sim.swaps:
        if name == role:
            per = 8.0 if role.endswith("_pressure") else 1.0
            values = np.where(t < start, values + offset * per, values)
            values = np.where((t >= start) & (t < until), np.nan, values)
    return values
