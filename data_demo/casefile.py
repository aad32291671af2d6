"""The case file of an exported run: machine, sources, and every point bound."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from .layout import CaseSheet, Clock, Export, column_name, unit_of
from .scenarios import Run
from .sensors import SWITCHES


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _source_toml(export: Export, sheet: CaseSheet) -> list[str]:
    events = not export.roles
    lines = [
        "",
        "[[source]]",
        f"path = {_quoted(export.path)}",
        f"clock = {_quoted(export.clock.name)}",
        f'kind = "{"events" if events else "trend"}"',
        'time_column = "Time"',
        f'date_order = "{export.date_order}"',
        f'time_zone = "{sheet.time_zone if export.stamp else "UTC"}"',
        'encoding = "utf-8"',
        f"delimiter = {_quoted(export.delimiter)}",
        f"decimal = {_quoted(export.decimal)}",
    ]
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
            unit = unit_of(role, export)[0]
            lines += [f'unit = "{unit}"'] if unit else []
            lines += ['recorded = "instant"']
    return lines


def _machine_toml(run: Run, sheet: CaseSheet) -> list[str]:
    sc = run.scenario
    # the profile that is named states the usual polarity: another one is for the engineer to write and confirm
    usual = sc.load_energised_loads and sc.unload_energised_unloads and sc.bypass_energised_shuts
    return [
        "",
        "[machine]",
        f'refrigerant = "{sc.refrigerant}"',
        f"rated_load_amps = {sc.rated_amps:.1f}",
        f"no_load_amps = {sc.rated_amps * sc.no_load_ratio:.1f}",
        f"locked_rotor_amps = {sc.rated_amps * sc.locked_rotor_ratio:.1f}",
        f"supply_volts = {sc.volts:.1f}",
        f"supply_hertz = {sc.hertz:.1f}",
        f'starter = "{sc.starter}"',
        f"altitude_m = {sheet.altitude_m:.1f}",
        'sequence = "pulsed-slide-bypass"',
        f"sequence_confirmed = {str(usual).lower()}",
        'serial = "DEMO"',
        "[machine.current_sensor]",
        "ratio_error_percent = 2.0",
    ]


def case_text(run: Run, sheet: CaseSheet, exports: Sequence[Export], start: datetime) -> str:
    """Text of the `case.toml` that binds every point of the exports."""
    lines = [
        "schema = 1",
        "",
        "[case]",
        f"id = {_quoted(sheet.id)}",
        f"title = {_quoted(sheet.title)}",
        f"site = {_quoted(sheet.site)}",
        f"machine_tag = {_quoted(sheet.machine_tag)}",
        f'time_zone = "{sheet.time_zone}"',
    ]
    if sheet.failure_s is not None:
        reference = next((e.clock for e in exports if e.clock.name == sheet.reference_clock), Clock())
        failure = (start + timedelta(seconds=round(reference.shows_s(sheet.failure_s)))).astimezone(
            ZoneInfo(sheet.time_zone)
        )
        lines += [f"failure = {failure.replace(tzinfo=None).isoformat(timespec='seconds')}"]
    lines += [
        f'window_before = "{sheet.window_before}"',
        f'window_after = "{sheet.window_after}"',
        f'display = "{sheet.display}"',
    ]
    lines += [f"reference_clock = {_quoted(sheet.reference_clock)}", *_machine_toml(run, sheet)]
    for export in exports:
        lines += _source_toml(export, sheet)
    lines += [""]
    for export in exports:
        lines += _points_toml(run, export, sheet)
    return "\n".join(lines) + "\n" + sheet.extra
