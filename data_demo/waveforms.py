"""Waveform records of the demonstration machine in the exchange format of IEEE C37.111-1999 (binary data file)."""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from .exports import Clock
from .scenarios import Run

Floats = npt.NDArray[np.float64]
CHANNELS = (
    ("VAB", "AB", "V"),
    ("VBC", "BC", "V"),
    ("VCA", "CA", "V"),
    ("IA", "A", "A"),
    ("IB", "B", "A"),
    ("IC", "C", "A"),
)
_FULL_SCALE = 32767


@dataclass(frozen=True, slots=True)
class Record:
    """What to record: a span in seconds of the run, sampling rate, clock, and how fast the rotor flux fades."""

    from_s: float
    to_s: float
    rate_hz: float = 960.0
    clock: Clock = field(default_factory=lambda: Clock("recorder"))
    flux_time_s: float = 0.6
    before_s: float = 0.2


def waves(run: Run, record: Record) -> tuple[Floats, list[Floats], npt.NDArray[np.bool_]]:
    """Instantaneous motor-side voltages and currents of a span that the fine trace covers.

    Parameters
    ----------
    run
        A run whose fine trace covers the span.
    record
        Span and rate.

    Returns
    -------
    tuple
        Times (s of the run), six arrays in the order of `CHANNELS` (V and A). After the contactor opens the
        voltage is that of the fading rotor flux at the speed of the shaft: its phase sequence is the sense of rotation.
        Last, whether the contactor is closed.

    Raises
    ------
    ValueError
        If the fine trace does not cover the span.
    """
    sc, trace = run.scenario, run.trace
    inside = (trace.time_s >= record.from_s) & (trace.time_s <= record.to_s)
    if not inside.any():
        raise ValueError(
            f"the fine trace does not cover {record.from_s} to {record.to_s} s: choose a span around a start or stop"
        )
    count = round((record.to_s - record.from_s) * record.rate_hz)
    times = record.from_s + np.arange(count) / record.rate_hz
    at = np.searchsorted(trace.time_s, times, side="left").clip(0, trace.time_s.size - 1)
    motor = trace.motor[at] > 0.0  # an entry tells the step that ends with it
    rpm = np.interp(times, trace.time_s, trace.rpm)
    amps = np.where(motor, np.interp(times, trace.time_s, trace.amps), 0.0)
    since_off = np.full(count, math.inf)
    last, off_s = False, math.inf
    for i, on in enumerate(motor):
        if last and not on:
            off_s = times[i]
        last = bool(on)
        since_off[i] = times[i] - off_s if times[i] >= off_s else math.inf
    sense = -1.0 if sc.fault == "wrong-phase-sequence" else 1.0
    speed_hz = np.where(motor, sc.hertz * sense, rpm / 60.0)
    angle = 2.0 * math.pi * np.cumsum(speed_hz) / record.rate_hz
    flux = np.exp(-np.where(np.isfinite(since_off), since_off, math.inf) / record.flux_time_s)
    fading = np.abs(rpm) / (60.0 * sc.hertz) * flux
    level = math.sqrt(2.0) * sc.volts * np.where(motor, 1.0, 0.96 * fading)
    third = 2.0 * math.pi / 3.0
    volts = [level * np.cos(angle - k * third) for k in range(3)]
    load = (amps / sc.rated_amps).clip(0.0, 1.0)
    lag = math.pi / 6.0 + np.arccos((0.25 + 0.63 * load).clip(0.2, 0.88))
    currents = [math.sqrt(2.0) * amps * np.cos(angle - lag - k * third) for k in range(3)]
    noise = np.random.default_rng(sc.seed + 23)
    volts = [v + noise.normal(0.0, 0.4, count) for v in volts]
    return times, [*volts, *(c + noise.normal(0.0, 0.3, count) for c in currents)], motor


def write_record(run: Run, record: Record, path: Path, *, station: str, start_utc: datetime, time_zone: str) -> Path:
    """Write the `.cfg` and `.dat` of a record; return the path of the `.cfg`.

    Parameters
    ----------
    run, record
        What to record.
    path
        Of the `.cfg`; the `.dat` goes beside it.
    station
        Name of the station in the record's head.
    start_utc, time_zone
        Time of the run's first second; zone of the recorder's stamps (the format carries none).
    """
    times, channels, closed = waves(run, record)
    zone, lines, scaled = ZoneInfo(time_zone), [f"{station},REC1,1999", f"{len(CHANNELS) + 1},{len(CHANNELS)}A,1D"], []
    for number, ((name, phase, unit), values) in enumerate(zip(CHANNELS, channels, strict=True), 1):
        gain = float(np.abs(values).max()) * 1.02 / _FULL_SCALE
        scaled.append(np.round(values / gain).astype(np.int16))
        lines.append(f"{number},{name},{phase},MOTOR,{unit},{gain:.9E},0.0,0.0,-{_FULL_SCALE},{_FULL_SCALE},1,1,P")
    first = (start_utc + timedelta(seconds=record.clock.shows_s(record.from_s))).astimezone(zone)
    trigger = first + timedelta(seconds=record.before_s)
    stamp = "%d/%m/%Y,%H:%M:%S.%f"
    lines += ["1,CLOSED,,MOTOR,0", f"{run.scenario.hertz:g}", "1", f"{record.rate_hz:g},{times.size}"]
    lines += [first.strftime(stamp), trigger.strftime(stamp), "BINARY", "1"]
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(("\r\n".join(lines) + "\r\n").encode("ascii"))
    pack = struct.Struct("<II6hH").pack
    body = b"".join(
        pack(i + 1, round(i * 1e6 / record.rate_hz), *(int(c[i]) for c in scaled), int(closed[i]))
        for i in range(times.size)
    )
    path.with_suffix(".dat").write_bytes(body)
    return path
