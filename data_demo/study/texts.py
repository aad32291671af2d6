"""How exports are written: names of columns, units, stamps, wide and long layouts, a file a day."""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from .sampling import Log

ALARM_TEXTS = (("trip", "TRIP", "ALARM", "NORMAL"), ("run_status", "RUN", "ON", "OFF"))
_PSI_KPA = 6.894757
_AIR_KPA = 100.129  # standard atmosphere at 100 m (ISO 2533)
_PLAIN = {
    "slide_position": ("%", 1),
    "capacity_command": ("%", 0),
    "expansion_valve_position": ("%", 1),
    "oil_level": ("%", 1),
    "motor_power": ("kW", 1),
    "electrical_energy": ("kWh", 0),
    "shaft_speed": ("rpm", 0),
    "drive_hertz": ("Hz", 1),
    "vibration_velocity": ("mm/s", 2),
    "start_count": ("", 0),
    "run_hours": ("h", 1),
}


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit as text, the conversion into it (value times scale plus shift), and decimals."""

    text: str
    scale: float = 1.0
    shift: float = 0.0
    places: int = 1


@dataclass(frozen=True, slots=True)
class Sheet:
    """Words and units of a written case. `extra` is TOML text put at its end."""

    id: str = "study-case"
    title: str = "Study case"
    site: str = "Plant of the study"
    tag: str = "C1"
    time_zone: str = "America/Chicago"
    display: str = "si"
    inch_pound: bool = False
    date_pattern: str = "%Y-%m-%d %H:%M:%S"
    day_files: bool = False
    extra: str = ""

    def stamp(self, start_utc: datetime, seconds: float) -> str:
        """A local stamp of a time of the run, to the millisecond where it has one."""
        moment = (start_utc + timedelta(milliseconds=round(seconds * 1e3))).astimezone(ZoneInfo(self.time_zone))
        return f"{moment.strftime(self.date_pattern)}.{moment.microsecond // 1000:03d}"

    def reading_keys(self, source: Mapping[str, object]) -> dict[str, object]:
        """What the case file says of how a source is read."""
        order = "MDY" if self.date_pattern.startswith("%m") else "DMY" if self.date_pattern.startswith("%d") else "YMD"
        keys: dict[str, object] = {
            "time_column": "Time",
            "date_order": order,
            "time_zone": self.time_zone,
            "encoding": "utf-8",
            "delimiter": ",",
            "decimal": ".",
        }
        if source["kind"] == "events":
            return keys | {"point_column": "Point", "value_column": "State"}
        if source.get("layout") == "long":
            return keys | {"point_column": "Point", "value_column": "Value"}
        return keys


def unit_of(role: str, sheet: Sheet) -> Unit:
    """Unit of a role in the exports of a sheet: gauge psi and degF, or absolute kPa and degC."""
    if role == "oil_pressure_difference":
        return Unit("psi", 1.0 / _PSI_KPA, 0.0, 2) if sheet.inch_pound else Unit("kPa")
    if role.endswith("_pressure"):
        return Unit("psig", 1.0 / _PSI_KPA, -_AIR_KPA / _PSI_KPA, 2) if sheet.inch_pound else Unit("kPaa")
    if role.endswith("_temperature") or "_water_" in role:
        return Unit("degF", 1.8, 32.0, 2) if sheet.inch_pound else Unit("degC", places=2)
    text, places = _PLAIN.get(role, ("V" if role.startswith("volts") else "A", 1))
    return Unit(text, places=places)


def column_name(role: str, tag: str) -> str:
    """Name of a point in the exports."""
    return f"{tag} {role.replace('_', ' ').capitalize()}"


def trend_text(log: Log, sheet: Sheet, start_utc: datetime, *, switches: frozenset[str]) -> dict[str, str]:
    """Text of a trend by file name; one file, or one a day of the site's own time."""
    cells = {role: _cells(log, role, sheet, switch=role in switches) for role in log.roles}
    if log.recorded == "change":
        return {log.path: _long(log, cells, sheet, start_utc)}
    first = next(iter(log.stamps_s.values()))
    stamps = [sheet.stamp(start_utc, float(s)) for s in first]
    head = ",".join(["Time", *(column_name(role, sheet.tag) for role in log.roles)])
    lines = [",".join(line) for line in zip(stamps, *cells.values(), strict=True)]
    if not sheet.day_files:
        return {log.path: "\n".join([head, *lines]) + "\n"}
    days: dict[str, list[str]] = {}
    for line in lines:
        days.setdefault(line.split(" ", 1)[0].replace("/", "-"), [head]).append(line)
    stem = log.path.removesuffix(".csv")
    return {f"{stem}_{day}.csv": "\n".join(found) + "\n" for day, found in days.items()}


def _cells(log: Log, role: str, sheet: Sheet, *, switch: bool) -> list[str]:
    values = log.values[role]
    if switch:
        return ["On" if v > 0.5 else "Off" for v in values]
    unit = unit_of(role, sheet)
    shown = values * unit.scale + unit.shift
    return ["" if np.isnan(v) else f"{v:.{unit.places}f}" for v in shown]


def _long(log: Log, cells: Mapping[str, list[str]], sheet: Sheet, start_utc: datetime) -> str:
    rows = []
    for number, role in enumerate(log.roles):
        name = column_name(role, sheet.tag)
        rows += [(float(s), number, name, cell) for s, cell in zip(log.stamps_s[role], cells[role], strict=True)]
    rows.sort(key=lambda row: row[:2])
    out = io.StringIO()
    out.write("Time,Point,Value\n")
    for seconds, _, name, cell in rows:
        out.write(f"{sheet.stamp(start_utc, seconds)},{name},{cell}\n")
    return out.getvalue()
