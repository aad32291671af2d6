"""The case file of a study case: machine, sources and points, with what this version of the workbook accepts."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from .points import SWITCHES
from .sampling import Log, StudyCase
from .texts import ALARM_TEXTS, Sheet, column_name, unit_of

START_UTC = datetime(2032, 5, 3, 6, 0, 0, tzinfo=UTC)
PROFILE = "sequence.toml"


def machine_keys(case: StudyCase) -> dict[str, Any]:
    """The `[machine]` table of a case: every key of the contract that the build can tell."""
    build = case.simulation.build
    return {
        "refrigerant": build.refrigerant,
        "rated_load_amps": build.rated_amps,
        "no_load_amps": round(build.rated_amps * build.no_load_ratio, 1),
        "locked_rotor_amps": round(build.rated_amps * build.locked_rotor_ratio, 1),
        "supply_volts": build.volts,
        "supply_hertz": build.hertz,
        "starter": build.starter,
        "altitude_m": 100.0,
        "sequence": PROFILE,
        "sequence_confirmed": True,
        "shared_circuit": build.shared_circuit,
        "oil_pump": build.oil_pump,
        "economiser": build.economiser,
        "capacity": {"pulses": "slide", "three-way": "slide", "speed-and-slide": "slide-and-speed"}.get(
            build.capacity, build.capacity
        ),
        "evaporator": build.evaporator,
        "condenser": build.condenser,
        "check_valve": build.check_valve,
        "serial": "STUDY",
        "current_sensor": {"ratio_error_percent": 2.0, "measured_at": "line", "place": build.transformers},
    }


def _accepted(model: Any, wanted: Mapping[str, Any]) -> dict[str, Any]:
    """The keys and values that this version of the workbook accepts; what it does not know yet is left out."""
    from pydantic import ValidationError

    kept = {key: value for key, value in wanted.items() if key in model.model_fields}
    if "current_sensor" in kept:
        fields = model.model_fields["current_sensor"].annotation.model_fields
        kept["current_sensor"] = {k: v for k, v in kept["current_sensor"].items() if k in fields}
    if "starter" in kept:
        try:
            model.model_validate({"refrigerant": "R134a", "starter": kept["starter"]})
        except ValidationError:
            if kept["starter"].startswith("star-delta"):
                kept["starter"] = "star-delta"
            else:
                del kept["starter"]
    return kept


def known_role(role: str) -> bool:
    """Whether this version of the workbook knows a role."""
    from forensics.model.vocabulary import Role

    return role in {known.value for known in Role}


def _sources(case: StudyCase, sheet: Sheet) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = [
        {
            "path": source_path(log, sheet),
            "clock": log.clock.name,
            "kind": "trend",
            "layout": "long" if log.recorded == "change" else "wide",
        }
        for log in case.logs
    ]
    return [*found, {"path": "exports/alarms.csv", "clock": case.alarm_clock.name, "kind": "events"}]


def _points(case: StudyCase, sheet: Sheet) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    for log in case.logs:
        for role in log.roles:
            if not known_role(role):
                continue
            point: dict[str, Any] = {
                "role": role,
                "column": column_name(role, sheet.tag),
                "source": source_path(log, sheet),
            }
            if role in SWITCHES:
                point |= {"on": ["On"], "off": ["Off"]}
                if log.recorded == "change":
                    point["recorded"] = "change"
            else:
                unit = unit_of(role, sheet).text
                point |= ({"unit": unit} if unit else {}) | {"recorded": log.recorded}
            if log.recorded == "change":
                point["hold"] = "30min"
            found.append(point)
    for role, name, on, off in ALARM_TEXTS:
        found.append(
            {
                "role": role,
                "column": f"{sheet.tag} {name}",
                "source": "exports/alarms.csv",
                "on": [on],
                "off": [off],
                "recorded": "change",
            }
        )
    return found


def source_path(log: Log, sheet: Sheet) -> str:
    """Path of a log as the case file gives it: a pattern where there is a file a day."""
    wide = log.recorded != "change"
    return f"{log.path.removesuffix('.csv')}_*.csv" if sheet.day_files and wide else log.path


def case_document(case: StudyCase, sheet: Sheet, start_utc: datetime = START_UTC) -> dict[str, Any]:
    """The case file as a document of tables, in the order of the contract."""
    from forensics.case.schema import Machine

    zone = ZoneInfo(sheet.time_zone)
    failure = (start_utc + timedelta(seconds=round(case.failure_s))).astimezone(zone).replace(tzinfo=None)
    machine = _accepted(Machine, machine_keys(case))
    return {
        "schema": 1,
        "case": {
            "id": sheet.id,
            "title": sheet.title,
            "site": sheet.site,
            "machine_tag": sheet.tag,
            "time_zone": sheet.time_zone,
            "failure": failure,
            "window_before": f"{round(case.window_before_s)}s",
            "window_after": f"{round(case.window_after_s)}s",
            "display": sheet.display,
            "reference_clock": case.logs[0].clock.name,
        },
        "machine": machine,
        "source": _sources(case, sheet),
        "point": _points(case, sheet),
    }


def case_text(document: Mapping[str, Any], sheet: Sheet) -> str:
    """Text of the case file."""
    lines = [f"schema = {document['schema']}", "", "[case]", *_pairs(document["case"])]
    machine = dict(document["machine"])
    sensor = machine.pop("current_sensor", None)
    lines += ["", "[machine]", *_pairs(machine)]
    if sensor:
        lines += ["[machine.current_sensor]", *_pairs(sensor)]
    for source in document["source"]:
        lines += ["", "[[source]]", *_pairs({**source, **sheet.reading_keys(source)})]
    lines.append("")
    for point in document["point"]:
        lines += ["[[point]]", *_pairs(point)]
    return "\n".join(lines) + "\n"


def _pairs(table: Mapping[str, Any]) -> Sequence[str]:
    return [f"{key} = {_value(value)}" for key, value in table.items()]


def _value(value: Any) -> str:
    if isinstance(value, datetime):
        return value.isoformat(timespec="seconds")
    return json.dumps(value, ensure_ascii=False)
