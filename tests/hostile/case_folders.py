"""An invented case small enough to be attacked hundreds of times, and a limit of time that a hang can't outlast."""

from __future__ import annotations

import signal
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

CASE = """schema = 1
[case]
id = "hall-3"
title = "Stops at night"
site = "Hall 3"
time_zone = "UTC"
failure = 2031-03-14T05:20:00Z
window_before = "1h"
window_after = "10min"
[machine]
refrigerant = "R134a"
rated_load_amps = 122.0
altitude_m = 180.0
[[source]]
path = "exports/trend.csv"
kind = "trend"
time_column = "Time"
[[point]]
role = "motor_amps"
column = "Amps"
unit = "A"
[[point]]
role = "slide_position"
column = "Slide"
unit = "%"
[[point]]
role = "load_solenoid"
column = "Load"
[[point]]
role = "unload_solenoid"
column = "Unload"
[[point]]
role = "discharge_pressure"
column = "Discharge"
unit = "kPag"
[[point]]
role = "suction_pressure"
column = "Suction"
unit = "kPag"
"""
BEGIN = datetime(2031, 3, 14, 4, 20, tzinfo=UTC)
STEP_S = 5
ROWS = 760


def rows() -> list[str]:
    """An hour of an invented machine: it rests, starts, loads, runs and stops."""
    out = ["Time,Amps,Slide,Load,Unload,Discharge,Suction"]
    for n in range(ROWS):
        runs = 120 <= n < 720
        slide = min(100, max(0, (n - 140) // 3)) if runs else 0
        load = "On" if 140 <= n < 440 and n % 4 == 0 else "Off"
        unload = "Off" if runs and n > 140 else "On"
        amps = 50 + slide * 0.6 if runs else 0
        stamp = BEGIN + timedelta(seconds=n * STEP_S)
        suction, discharge = (220 + n % 3, 880 + n % 5) if runs else (480, 490)
        out.append(f"{stamp:%Y-%m-%d %H:%M:%S},{amps:.1f},{slide},{load},{unload},{discharge},{suction}")
    return out


def write_folder(folder: Path, text: str = CASE) -> Path:
    """A case folder; gives the path of its case file."""
    (folder / "exports").mkdir(parents=True)
    (folder / "exports" / "trend.csv").write_text("\n".join(rows()) + "\n", encoding="utf-8")
    case = folder / "case.toml"
    case.write_text(text, encoding="utf-8")
    return case


def changed(old: str, new: str, text: str = CASE) -> str:
    """The case with one line exchanged; the line must be there."""
    assert old in text, old
    return text.replace(old, new, 1)


class HungError(BaseException):
    """The time limit: no handler of the program may take it for a fault of the input."""


@dataclass
class Clock:
    """Processor time of a block."""

    seconds: float = 0.0
    began: float = field(default_factory=time.process_time)


@contextmanager
def bounded(wall_s: int = 60) -> Iterator[Clock]:
    """Measure a block's processor time; one that waits or turns for ever is stopped and fails the test."""

    def stop(*_: object) -> None:
        raise HungError(f"not done after {wall_s} s")

    before = signal.signal(signal.SIGALRM, stop)
    signal.alarm(wall_s)
    clock = Clock()
    try:
        yield clock
    finally:
        clock.seconds = time.process_time() - clock.began
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)
