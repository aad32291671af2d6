"""Writing a run as a case: exports as a site would hand them over, and the case file that binds every point."""

from __future__ import annotations

import gzip
import io
import json
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from .casefile import case_text
from .layout import SOURCE_OF, CaseSheet, Clock, Export, air_pressure_kpa, column_name, unit_of
from .scenarios import Run
from .sensors import SWITCHES


def _stamper(export: Export, start: datetime, zone: str) -> Callable[[float], str]:
    place = ZoneInfo(zone)

    def stamp(true_s: float) -> str:
        moment = start + timedelta(seconds=round(export.clock.shows_s(true_s), 3))
        if not export.stamp:
            return moment.strftime("%Y-%m-%dT%H:%M:%S.") + f"{moment.microsecond // 1000:03d}Z"
        return moment.astimezone(place).strftime(export.stamp)

    return stamp


def _cells(run: Run, role: str, export: Export, air_kpa: float, rows: Sequence[int]) -> list[str]:
    values = run.columns[SOURCE_OF.get(role, role)]
    if role in SWITCHES:
        return ["On" if values[i] else "Off" for i in rows]
    _, convert, places = unit_of(role, export)
    texts = [f"{convert(float(values[i]), air_kpa):.{places}f}" for i in rows]
    return [t.replace(".", export.decimal) for t in texts] if export.decimal != "." else texts


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


def _quoted(text: str, cut: str) -> str:
    """A text that holds the delimiter stands in quotes (RFC 4180)."""
    return f'"{text}"' if cut in text else text


def _events_text(run: Run, export: Export, sheet: CaseSheet, start: datetime) -> str:
    stamp, cut = _stamper(export, start, sheet.time_zone), export.delimiter
    lines = [cut.join(("Time", "Point", "State", "Text"))]
    lines += [
        cut.join((stamp(e.time_s), f"{sheet.machine_tag} {e.point}", e.state, _quoted(e.text, cut))) for e in run.events
    ]
    return "\n".join(lines) + "\n"


def _write(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    data = text.encode("utf-8")
    path.write_bytes(gzip.compress(data, 9, mtime=0) if path.suffix == ".gz" else data)


__all__ = ["STANDARD_ROLES", "CaseSheet", "Clock", "Export", "standard_exports", "write_case"]

STANDARD_ROLES: tuple[str, ...] = (
    "run_command",
    "run_status",
    "load_solenoid",
    "unload_solenoid",
    "bypass_solenoid",
    "slide_position",
    "motor_amps",
    "suction_pressure",
    "discharge_pressure",
    "condenser_pressure",
    "oil_pressure",
    "suction_temperature",
    "discharge_temperature",
    "oil_temperature",
    "winding_temperature",
    "liquid_temperature",
    "chilled_water_entering",
    "chilled_water_leaving",
    "condenser_water_entering",
    "condenser_water_leaving",
    "oil_level",
    "expansion_valve_position",
)


def standard_exports(*, alarm_offset_s: float = 95.0) -> tuple[Export, ...]:
    """One wide trend with the usual points and an alarm list on another clock."""
    return Export("exports/trend.csv", STANDARD_ROLES), Export(
        "exports/alarms.csv", clock=Clock("panel", alarm_offset_s)
    )


def _truth_json(run: Run, sheet: CaseSheet, exports: Sequence[Export], start: datetime) -> str:
    clocks = {e.clock.name: {"offset_s": e.clock.offset_s, "drift_ppm": e.clock.drift_ppm} for e in exports}
    told = {
        "what": "truth of the generator, for tests; not an input of the case",
        "id": sheet.id,
        "seed": run.scenario.seed,
        "start_utc": start.isoformat(),
        "clocks_minus_true": clocks,
        **run.truth,
    }
    return json.dumps(told, separators=(",", ":")).replace("},{", "},\n{") + "\n"


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
    sheet = sheet or CaseSheet(
        f"demo-{run.scenario.fault}-{run.scenario.seed}",
        f"Demonstration of {run.scenario.fault}",
        "Demonstration plant",
    )
    files = tuple(exports) if exports is not None else standard_exports()
    unknown = sorted({r for e in files for r in e.roles} - set(run.columns) - set(SOURCE_OF))
    if unknown:
        raise ValueError(f"not recorded in this run: {', '.join(unknown)}")
    for export in files:
        text = _trend_text(run, export, sheet, start) if export.roles else _events_text(run, export, sheet, start)
        _write(out_dir / export.path, text)
    _write(out_dir / "truth.json", _truth_json(run, sheet, files, start))
    _write(out_dir / "case.toml", case_text(run, sheet, files, start))
    return out_dir / "case.toml"
