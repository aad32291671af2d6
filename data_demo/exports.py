"""Writing a run as a case: exports as a site would hand them over, and the case file that binds every point."""

from __future__ import annotations

import gzip
import io
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from data_demo.scenarios import Run
from data_demo.sensors import SWITCHES

_AIR_KPA, _PSI_KPA, _SEA = 101.325, 6.894757293168, 5.25588
LABELS: dict[str, str] = {
    "run_command": "Run cmd", "run_status": "Motor status", "load_solenoid": "Load valve", "unload_solenoid": "Unload valve",
    "bypass_solenoid": "Bypass valve", "injection_solenoid": "Injection valve", "oil_heater": "Oil heater",
    "slide_position": "Slide", "motor_amps": "Motor amps", "amps_a": "Amps L1", "amps_b": "Amps L2", "amps_c": "Amps L3",
    "volts_ab": "Volts L1-L2", "volts_bc": "Volts L2-L3", "volts_ca": "Volts L3-L1", "motor_power": "Motor power",
    "shaft_speed": "Shaft speed", "suction_pressure": "Suction press", "discharge_pressure": "Discharge press before check",
    "condenser_pressure": "Condenser press", "high_side_pressure": "High press", "oil_pressure": "Oil feed press",
    "oil_filter_in_pressure": "Oil press before filter", "oil_pressure_difference": "Oil diff press", "suction_temperature": "Suction temp",
    "discharge_temperature": "Discharge temp", "oil_temperature": "Oil temp", "winding_temperature": "Winding temp",
    "liquid_temperature": "Liquid temp", "chilled_water_entering": "Chilled water in", "chilled_water_leaving": "Chilled water out",
    "condenser_water_entering": "Condenser water in", "condenser_water_leaving": "Condenser water out", "ambient_temperature": "Outdoor temp",
    "oil_level": "Oil level", "expansion_valve_position": "Expansion valve", "chilled_water_setpoint": "Chilled water setpoint",
    "vibration_velocity": "Vibration", "start_count": "Starts", "run_hours": "Run hours",
}  # fmt: skip
_SOURCE_OF = {"high_side_pressure": "condenser_pressure"}


@dataclass(frozen=True, slots=True)
class Clock:
    """A clock by name: what it shows minus the true time, and how fast that grows."""

    name: str = "controller"
    offset_s: float = 0.0
    drift_ppm: float = 0.0

    def shows_s(self, true_s: float) -> float:
        """Seconds that this clock shows at a true time of the run."""
        return true_s + self.offset_s + self.drift_ppm * 1e-6 * true_s


@dataclass(frozen=True, slots=True)
class Export:
    """One file of an export.

    Attributes
    ----------
    path
        Relative to the case; a name ending in `.gz` is packed.
    roles
        Points in it, in order (a list of events takes none: it holds the controls' own list).
    every
        Keep each n-th record of the run.
    spans_s
        Parts of the run it covers, seconds; empty: all of it.
    inch_pound, gauge
        Units: psi and degF, or kPa and degC; gauge or absolute pressure.
    long
        A row a sample instead of a column a point.
    stamp
        strftime pattern of local stamps, or "" for ISO stamps in UTC.
    """

    path: str
    roles: tuple[str, ...] = ()
    clock: Clock = field(default_factory=Clock)
    every: int = 1
    spans_s: tuple[tuple[float, float], ...] = ()
    inch_pound: bool = True
    gauge: bool = True
    long: bool = False
    stamp: str = "%m/%d/%Y %H:%M:%S"
    date_order: str = "MDY"
    delimiter: str = ","
    decimal: str = "."


@dataclass(frozen=True, slots=True)
class CaseSheet:
    """What the case file says beside sources and points. `extra` is TOML text put at its end (observations, facts)."""

    id: str
    title: str
    site: str
    machine_tag: str = "C1"
    time_zone: str = "America/Chicago"
    display: str = "inch-pound"
    altitude_m: float = 180.0
    failure_s: float | None = None
    window_before: str = "36h"
    window_after: str = "2h"
    reference_clock: str = "controller"
    extra: str = ""


def _unit(role: str, export: Export) -> tuple[str, Callable[[float, float], float], int]:
    """Unit text, conversion (value, air pressure) and decimals of a role in an export."""
    if role.endswith("_pressure"):
        if export.inch_pound:
            return ("psig", lambda v, air: (v - air) / _PSI_KPA, 1) if export.gauge else ("psia", lambda v, air: v / _PSI_KPA, 1)
        return ("kPag", lambda v, air: v - air, 1) if export.gauge else ("kPaa", lambda v, air: v, 1)
    if role == "oil_pressure_difference":
        return ("psi", lambda v, air: v / _PSI_KPA, 1) if export.inch_pound else ("kPa", lambda v, air: v, 1)
    if "temperature" in role or "chilled_water" in role or "condenser_water" in role:
        return ("degF", lambda v, air: v * 1.8 + 32.0, 1) if export.inch_pound else ("degC", lambda v, air: v, 1)
    plain = {
        "slide_position": ("%", 1), "expansion_valve_position": ("%", 1), "oil_level": ("%", 1), "motor_power": ("kW", 1), "shaft_speed": ("rpm", 0),
        "vibration_velocity": ("mm/s", 2), "start_count": ("", 0), "run_hours": ("h", 1),
    }  # fmt: skip
    unit, places = plain.get(role, ("V" if role.startswith("volts") else "A", 1))
    return unit, lambda v, air: v, places


def air_pressure_kpa(altitude_m: float) -> float:
    """Air pressure at a height above the sea by the standard atmosphere (ISO 2533)."""
    return float(_AIR_KPA * (1.0 - 2.25577e-5 * altitude_m) ** _SEA)


def _stamper(export: Export, start: datetime, zone: str) -> Callable[[float], str]:
    place = ZoneInfo(zone)

    def stamp(true_s: float) -> str:
        moment = start + timedelta(seconds=round(export.clock.shows_s(true_s), 3))
        if not export.stamp:
            return moment.strftime("%Y-%m-%dT%H:%M:%S.") + f"{moment.microsecond // 1000:03d}Z"
        return moment.astimezone(place).strftime(export.stamp)

    return stamp


def _cells(run: Run, role: str, export: Export, air_kpa: float, rows: Sequence[int]) -> list[str]:
    values = run.columns[_SOURCE_OF.get(role, role)]
    if role in SWITCHES:
        return ["On" if values[i] else "Off" for i in rows]
    _, convert, places = _unit(role, export)
    texts = [f"{convert(float(values[i]), air_kpa):.{places}f}" for i in rows]
    return [t.replace(".", export.decimal) for t in texts] if export.decimal != "." else texts


def column_name(role: str, tag: str) -> str:
    """Name of a point in the exports."""
    return f"{tag} {LABELS[role]}"


def _rows(run: Run, export: Export) -> list[int]:
    kept = np.zeros(run.time_s.size, dtype=bool)
    for start_s, end_s in export.spans_s or ((-1.0, float(run.time_s[-1]) + 1.0),):
        kept |= (run.time_s >= start_s) & (run.time_s < end_s)
    step = round(run.time_s[1] - run.time_s[0], 6)
    wanted = np.round(run.time_s / step).astype(int) % export.every == 0
    return [int(i) for i in np.flatnonzero(kept & wanted)]


def _trend_text(run: Run, export: Export, sheet: CaseSheet, start: datetime) -> str:
    stamp, air = _stamper(export, start, sheet.time_zone), air_pressure_kpa(sheet.altitude_m)
    rows, out, cut = _rows(run, export), io.StringIO(), export.delimiter
    stamps = [stamp(float(run.time_s[i])) for i in rows]
    columns = [_cells(run, role, export, air, rows) for role in export.roles]
    names = [column_name(role, sheet.machine_tag) for role in export.roles]
    if export.long:
        out.write(cut.join(("Time", "Point", "Value")) + "\n")
        for i, when in enumerate(stamps):
            for name, column in zip(names, columns, strict=True):
                out.write(f"{when}{cut}{name}{cut}{column[i]}\n")
        return out.getvalue()
    out.write(cut.join(["Time", *names]) + "\n")
    for line in zip(stamps, *columns, strict=True):
        out.write(cut.join(line) + "\n")
    return out.getvalue()


def _events_text(run: Run, export: Export, sheet: CaseSheet, start: datetime) -> str:
    stamp, cut = _stamper(export, start, sheet.time_zone), export.delimiter
    lines = [cut.join(("Time", "Point", "State", "Text"))]
    lines += [cut.join((stamp(e.time_s), f"{sheet.machine_tag} {e.point}", e.state, e.text)) for e in run.events]
    return "\n".join(lines) + "\n"


def _write(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    data = text.encode("utf-8")
    path.write_bytes(gzip.compress(data, 9, mtime=0) if path.suffix == ".gz" else data)


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _source_toml(export: Export, sheet: CaseSheet) -> list[str]:
    events = not export.roles
    lines = [
        "", "[[source]]", f"path = {_quoted(export.path)}", f"clock = {_quoted(export.clock.name)}",
        f'kind = "{"events" if events else "trend"}"', 'time_column = "Time"', f'date_order = "{export.date_order}"',
        f'time_zone = "{sheet.time_zone if export.stamp else "UTC"}"', 'encoding = "utf-8"', f"delimiter = {_quoted(export.delimiter)}",
        f"decimal = {_quoted(export.decimal)}",
    ]  # fmt: skip
    if events:
        return [*lines, 'point_column = "Point"', 'value_column = "State"']
    lines += [f'layout = "{"long" if export.long else "wide"}"']
    return [*lines, 'point_column = "Point"', 'value_column = "Value"'] if export.long else lines


def _points_toml(run: Run, export: Export, sheet: CaseSheet) -> list[str]:
    where, lines = f"source = {_quoted(export.path)}", []
    if not export.roles:
        for role, point, on, off in (("trip", "TRIP", "ALARM", "NORMAL"), ("run_status", "RUN", "ON", "OFF")):
            lines += ["[[point]]", f'role = "{role}"', f"column = {_quoted(f'{sheet.machine_tag} {point}')}", where]
            lines += [f'on = ["{on}"]', f'off = ["{off}"]', 'recorded = "change"']
        return lines
    for role in export.roles:
        lines += ["[[point]]", f'role = "{role}"', f"column = {_quoted(column_name(role, sheet.machine_tag))}", where]
        if role in SWITCHES:
            lines += ['on = ["On"]', 'off = ["Off"]']
        else:
            unit = _unit(role, export)[0]
            lines += [f'unit = "{unit}"'] if unit else []
            lines += ['recorded = "instant"']
    return lines


def _machine_toml(run: Run, sheet: CaseSheet) -> list[str]:
    sc = run.scenario
    return [
        "", "[machine]", f'refrigerant = "{sc.refrigerant}"', f"rated_load_amps = {sc.rated_amps:.1f}",
        f"no_load_amps = {sc.rated_amps * sc.no_load_ratio:.1f}", f"locked_rotor_amps = {sc.rated_amps * sc.locked_rotor_ratio:.1f}",
        f"supply_volts = {sc.volts:.1f}", f"supply_hertz = {sc.hertz:.1f}", f'starter = "{sc.starter}"', f"altitude_m = {sheet.altitude_m:.1f}",
        'sequence = "pulsed-slide-bypass"', "sequence_confirmed = true", 'serial = "DEMO"',
        "[machine.current_sensor]", "ratio_error_percent = 2.0",
    ]  # fmt: skip


def _case_toml(run: Run, sheet: CaseSheet, exports: Sequence[Export], start: datetime) -> str:
    lines = [
        "schema = 1", "", "[case]", f"id = {_quoted(sheet.id)}", f"title = {_quoted(sheet.title)}", f"site = {_quoted(sheet.site)}",
        f"machine_tag = {_quoted(sheet.machine_tag)}", f'time_zone = "{sheet.time_zone}"',
    ]  # fmt: skip
    if sheet.failure_s is not None:
        reference = next((e.clock for e in exports if e.clock.name == sheet.reference_clock), Clock())
        failure = (start + timedelta(seconds=round(reference.shows_s(sheet.failure_s)))).astimezone(ZoneInfo(sheet.time_zone))
        lines += [f"failure = {failure.replace(tzinfo=None).isoformat(timespec='seconds')}"]
    lines += [f'window_before = "{sheet.window_before}"', f'window_after = "{sheet.window_after}"', f'display = "{sheet.display}"']
    lines += [f"reference_clock = {_quoted(sheet.reference_clock)}", *_machine_toml(run, sheet)]
    for export in exports:
        lines += _source_toml(export, sheet)
    lines += [""]
    for export in exports:
        lines += _points_toml(run, export, sheet)
    return "\n".join(lines) + "\n" + sheet.extra


STANDARD_ROLES: tuple[str, ...] = (
    "run_command", "run_status", "load_solenoid", "unload_solenoid", "bypass_solenoid", "slide_position", "motor_amps",
    "suction_pressure", "discharge_pressure", "condenser_pressure", "oil_pressure", "suction_temperature", "discharge_temperature",
    "oil_temperature", "winding_temperature", "liquid_temperature", "chilled_water_entering", "chilled_water_leaving",
    "condenser_water_entering", "condenser_water_leaving", "oil_level", "expansion_valve_position",
)  # fmt: skip


def standard_exports(*, alarm_offset_s: float = 95.0) -> tuple[Export, ...]:
    """One wide trend with the usual points and an alarm list on another clock."""
    return Export("exports/trend.csv", STANDARD_ROLES), Export("exports/alarms.csv", clock=Clock("panel", alarm_offset_s))


def _truth_json(run: Run, sheet: CaseSheet, exports: Sequence[Export], start: datetime) -> str:
    clocks = {e.clock.name: {"offset_s": e.clock.offset_s, "drift_ppm": e.clock.drift_ppm} for e in exports}
    told = {
        "what": "truth of the generator, for tests; not an input of the case",
        "id": sheet.id, "seed": run.scenario.seed, "start_utc": start.isoformat(), "clocks_minus_true": clocks, **run.truth,
    }  # fmt: skip
    return json.dumps(told, indent=1) + "\n"


def write_case(
    run: Run,
    out_dir: Path,
    *,
    sheet: CaseSheet | None = None,
    exports: Sequence[Export] | None = None,
    start_utc: datetime | None = None,
) -> Path:
    """Write the exports of a run, their case file, and the generator's truth beside it.

    Parameters
    ----------
    run
        What was simulated.
    out_dir
        Folder of the case; made if it is not there.
    sheet, exports
        Texts of the case, and its files (default: one wide trend and an alarm list whose clock is 95 s ahead).
    start_utc
        Aware time of the run's first second; default 2031-03-03T06:00Z.

    Returns
    -------
    pathlib.Path
        Of `case.toml`.

    Raises
    ------
    ValueError
        If `start_utc` is naive or a role is not recorded.
    """
    zone = ZoneInfo("UTC")
    start = start_utc or datetime(2031, 3, 3, 6, 0, 0, tzinfo=zone)
    if start.tzinfo is None:
        raise ValueError("start_utc has no offset: give an aware time")
    start = start.astimezone(zone)
    sheet = sheet or CaseSheet(f"demo-{run.scenario.fault}-{run.scenario.seed}", f"Demonstration of {run.scenario.fault}", "Demonstration plant")
    files = tuple(exports) if exports is not None else standard_exports()
    unknown = sorted({r for e in files for r in e.roles} - set(run.columns) - set(_SOURCE_OF))
    if unknown:
        raise ValueError(f"not recorded in this run: {', '.join(unknown)}")
    for export in files:
        text = _trend_text(run, export, sheet, start) if export.roles else _events_text(run, export, sheet, start)
        _write(out_dir / export.path, text)
    _write(out_dir / "truth.json", _truth_json(run, sheet, files, start))
    _write(out_dir / "case.toml", _case_toml(run, sheet, files, start))
    return out_dir / "case.toml"
