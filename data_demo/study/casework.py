"""A study case for the workbook: the case in memory, or a folder with exports, case file and sequence profile.

This is the only module here that knows the workbook's own types, and it takes them in when it is called.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import numpy as np

from .builds import SOLENOIDS, profile_toml
from .sampling import Log, StudyCase
from .texts import ALARM_TEXTS, Sheet, column_name, trend_text, unit_of

if TYPE_CHECKING:
    from forensics.intake.load_case import Case
    from forensics.model.points import Samples, Switch

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


def _known_role(role: str) -> bool:
    from forensics.model.vocabulary import Role

    return role in {known.value for known in Role}


def _sources(case: StudyCase) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = [
        {
            "path": log.path,
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
            if not _known_role(role):
                continue
            point: dict[str, Any] = {"role": role, "column": column_name(role, sheet.tag), "source": log.path}
            if _is_switch(role):
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


def _is_switch(role: str) -> bool:
    return (
        role in SOLENOIDS or role.startswith(("run_c", "run_s")) or role.endswith(("_solenoid", "_heater", "_status"))
    )


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
        "source": _sources(case),
        "point": _points(case, sheet),
    }


# -- in memory --------------------------------------------------------------------------------------------------------


def as_case(case: StudyCase, folder: Path = Path("study"), start_utc: datetime = START_UTC) -> Case:
    """The case as the workbook reads it, without a file: what `forensics.case.load_case` would return for the folder.

    Parameters
    ----------
    folder
        Where the case would lie; nothing is read or written there.
    """
    from forensics.case.schema import CaseFile
    from forensics.intake import SourceResult
    from forensics.intake.exhibits import Exhibit
    from forensics.intake.load_case import Case, _cut, _record
    from forensics.refrigerants.catalogue import saturation_for
    from forensics.rules import read_limits
    from forensics.rules.profiles import Profile

    sheet = Sheet()
    document = case_document(case, sheet, start_utc)
    file = CaseFile.model_validate(document)
    start_ns = round(start_utc.timestamp()) * 1_000_000_000
    readings = []
    for log in case.logs:
        samples, switches = _held(case, log, sheet, start_ns)
        exhibit = Exhibit(log.path, folder / log.path, "0" * 64, 0, 0)
        layout = "long" if log.recorded == "change" else "wide"
        reading = SourceResult(exhibit, "trend", layout, log.clock.name, samples=samples, switches=switches)
        readings.append(_spanned(reading))
    readings.append(_alarm_reading(case, sheet, folder, start_ns))
    failure_ns = start_ns + round(case.failure_s) * 1_000_000_000
    kept = tuple(_cut(reading, file, failure_ns) for reading in readings)
    import tomllib

    profile = Profile.model_validate(tomllib.loads(profile_toml(case.simulation.build)))
    curve, missing = saturation_for(file.machine.refrigerant, file.machine.saturation_table, folder)
    record = _record(file, kept, failure_ns)
    return Case(file, folder / "case.toml", kept, record, (), profile, read_limits(), curve, missing)


def weighed(case: StudyCase) -> Any:
    """Judge a study case in process, without disk: the workbook's weighing (verdict and hypotheses)."""
    from forensics.clocks import align, events_near, fit_clocks, order_all
    from forensics.hypotheses import weigh
    from forensics.investigation import _evidence, look
    from forensics.machine.subject import run_catalogue
    from forensics.signatures.core.catalogue import all_detectors

    read = as_case(case)
    record = align(read.record, fit_clocks(read.record, read.file, read.limits))
    subject = look(read, record)
    findings = run_catalogue(subject, all_detectors())
    near = events_near(record, read.limits)
    return weigh(_evidence(read, subject, findings, order_all(near, record)))


def _spanned(reading: Any) -> Any:
    from dataclasses import replace

    times = [int(p.t[i]) for p in (*reading.samples, *reading.switches) if len(p) for i in (0, -1)]
    return replace(reading, first_ns=min(times, default=None), last_ns=max(times, default=None))


def _held(case: StudyCase, log: Log, sheet: Sheet, start_ns: int) -> tuple[tuple[Samples, ...], tuple[Switch, ...]]:
    from forensics.model.points import Origin, Samples, Switch
    from forensics.model.vocabulary import Quality, Recorded, Role

    samples, switches = [], []
    made: dict[int, tuple[Any, Any]] = {}
    change = log.recorded == "change"
    for role in log.roles:
        if not _known_role(role):
            continue
        stamps = log.stamps_s[role]
        if id(stamps) not in made:
            # stamps are written to the millisecond
            ns = start_ns + np.round(stamps * 1e3).astype(np.int64) * 1_000_000
            made[id(stamps)] = (ns, np.arange(2, 2 + len(ns), dtype=np.int64))
        t, row = made[id(stamps)]
        switch = _is_switch(role)
        recorded = Recorded.CHANGE if change else Recorded.INSTANT if switch else Recorded(log.recorded)
        hold = 1800.0 if change else None
        origin = Origin(log.path, column_name(role, sheet.tag), log.clock.name, recorded, hold, resolution_s=0.001)
        values = log.values[role]
        if switch:
            switches.append(Switch(Role(role), origin, t, values.astype(np.int8), row))
            continue
        q = np.where(np.isfinite(values), 0, int(Quality.MISSING)).astype(np.uint16)
        steps = np.diff(np.unique(values[np.isfinite(values)]))
        least = float(steps.min()) if steps.size else 0.0
        samples.append(Samples(Role(role), origin, t, values, q, row, least))
    return tuple(samples), tuple(switches)


def _alarm_reading(case: StudyCase, sheet: Sheet, folder: Path, start_ns: int) -> Any:
    from forensics.intake import SourceResult
    from forensics.intake.exhibits import Exhibit
    from forensics.model.points import Origin, Switch
    from forensics.model.record import LogLine
    from forensics.model.vocabulary import Recorded, Role

    path, clock = "exports/alarms.csv", case.alarm_clock.name
    lines = [
        LogLine(
            start_ns + round(e.time_s * 1e3) * 1_000_000, f"{sheet.tag} {e.point}", e.state, e.text, path, clock, i + 2
        )
        for i, e in enumerate(case.alarms)
    ]
    switches = []
    for role, name, on, _ in ALARM_TEXTS:
        found = [line for line in lines if line.point == f"{sheet.tag} {name}"]
        origin = Origin(path, f"{sheet.tag} {name}", clock, Recorded.CHANGE, resolution_s=0.1)
        t = np.array([line.time_ns for line in found], dtype=np.int64)
        state = np.array([line.value == on for line in found], dtype=np.int8)
        switches.append(Switch(Role(role), origin, t, state, np.array([line.row for line in found], dtype=np.int64)))
    exhibit = Exhibit(path, folder / path, "0" * 64, 0, 0)
    return _spanned(SourceResult(exhibit, "events", "", clock, switches=tuple(switches), log=tuple(lines)))


# -- as a folder ------------------------------------------------------------------------------------------------------


def write_study_case(
    case: StudyCase, folder: Path, *, sheet: Sheet | None = None, start_utc: datetime = START_UTC
) -> Path:
    """Write exports, `case.toml`, `sequence.toml` and the truth; return the path of the case file.

    Parameters
    ----------
    sheet
        Words and units of the case; `Sheet(day_files=True)` cuts the trend into a file a day.
    """
    sheet = sheet or Sheet()
    document = case_document(case, sheet, start_utc)
    (folder / "exports").mkdir(parents=True, exist_ok=True)
    for log in case.logs:
        for name, text in trend_text(log, sheet, start_utc, is_switch=_is_switch).items():
            (folder / name).write_text(text, "utf-8", newline="")
    (folder / "exports/alarms.csv").write_text(_alarm_text(case, sheet, start_utc), "utf-8", newline="")
    (folder / PROFILE).write_text(profile_toml(case.simulation.build), "utf-8", newline="")
    told = {"what": "truth of the generator, for tests; not an input of the case", "id": sheet.id, **case.truth}
    (folder / "truth.json").write_text(json.dumps(told, indent=1) + "\n", "utf-8", newline="")
    path = folder / "case.toml"
    path.write_text(_toml(document, sheet) + sheet.extra, "utf-8", newline="")
    return path


def _alarm_text(case: StudyCase, sheet: Sheet, start_utc: datetime) -> str:
    rows = ["Time,Point,State,Text"]
    rows += [f'{sheet.stamp(start_utc, e.time_s)},{sheet.tag} {e.point},{e.state},"{e.text}"' for e in case.alarms]
    return "\n".join(rows) + "\n"


def _toml(document: Mapping[str, Any], sheet: Sheet) -> str:
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
