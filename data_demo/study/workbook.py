"""A study case as the workbook holds it, made in memory: nothing is read from disk or written to it."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from .command_table import profile_toml
from .document import START_UTC, case_document, known_role
from .points import SWITCHES
from .sampling import Log, StudyCase
from .texts import ALARM_TEXTS, Sheet, column_name

if TYPE_CHECKING:
    from forensics.intake.load_case import Case
    from forensics.model.points import Samples
    from forensics.model.record import LogLine
    from forensics.model.switches import Switch

_MILLISECOND_NS = 1_000_000


def as_case(case: StudyCase, folder: Path = Path("study"), start_utc: datetime = START_UTC) -> Case:
    """The case as the workbook reads it, without a file: what `load_case` would return for its folder.

    Parameters
    ----------
    folder
        Where the case would lie; nothing is read or written there.
    """
    from forensics.case.schema import CaseFile
    from forensics.intake import SourceResult
    from forensics.intake.exhibits import Exhibit
    from forensics.intake.load_case import Case, cut_to_window, record_of
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
    kept = tuple(cut_to_window(reading, file, failure_ns) for reading in readings)
    profile = Profile.model_validate(tomllib.loads(profile_toml(case.simulation.build)))
    curve, missing = saturation_for(file.machine.refrigerant, file.machine.saturation_table, folder)
    record = record_of(file, kept, failure_ns)
    return Case(
        file=file,
        path=folder / "case.toml",
        readings=kept,
        record=record,
        problems=(),
        profile=profile,
        limits=read_limits(),
        saturation=curve,
        saturation_missing=missing,
    )


def weighed(case: StudyCase) -> Any:
    """Judge a study case in process, without disk: the workbook's weighing (verdict and hypotheses)."""
    from forensics.investigation import weigh_case

    return weigh_case(as_case(case)).weighing


def _spanned(reading: Any) -> Any:
    times = [int(p.t[i]) for p in (*reading.samples, *reading.switches) if len(p) for i in (0, -1)]
    return replace(reading, first_ns=min(times, default=None), last_ns=max(times, default=None))


def _held(case: StudyCase, log: Log, sheet: Sheet, start_ns: int) -> tuple[tuple[Samples, ...], tuple[Switch, ...]]:
    from forensics.model.points import Origin, Samples
    from forensics.model.switches import Switch
    from forensics.model.vocabulary import ROLE_FACTS, Quality, Recorded, Role

    samples, switches = [], []
    made: dict[int, tuple[Any, Any]] = {}
    change = log.recorded == "change"
    for role in log.roles:
        if not known_role(role):
            continue
        stamps = log.stamps_s[role]
        if id(stamps) not in made:
            # stamps are written to the millisecond
            ns = start_ns + np.round(stamps * 1e3).astype(np.int64) * 1_000_000
            made[id(stamps)] = (ns, np.arange(2, 2 + len(ns), dtype=np.int64))
        t, row = made[id(stamps)]
        switch = role in SWITCHES
        recorded = Recorded.CHANGE if change else Recorded.INSTANT if switch else Recorded(log.recorded)
        hold = 1800.0 if change else None
        place = "line" if ROLE_FACTS[Role(role)].group == "electrical" else ""
        origin = Origin(
            source=log.path,
            column=column_name(role, sheet.tag),
            clock=log.clock.name,
            recorded=recorded,
            hold_s=hold,
            measured_at=place,
            resolution_s=0.001,
        )
        values = log.values[role]
        if switch:
            switches.append(Switch(Role(role), origin, t, values.astype(np.int8), row))
            continue
        q = np.where(np.isfinite(values), 0, int(Quality.MISSING)).astype(np.uint16)
        steps = np.diff(np.unique(values[np.isfinite(values)]))
        least = round(float(steps.min()), 9) if steps.size else 0.0
        samples.append(Samples(role=Role(role), origin=origin, t=t, v=values, q=q, row=row, resolution=least))
    return tuple(samples), tuple(switches)


def _alarm_reading(case: StudyCase, sheet: Sheet, folder: Path, start_ns: int) -> Any:
    from forensics.intake import SourceResult
    from forensics.intake.exhibits import Exhibit
    from forensics.model.record import LogLine

    path, clock = "exports/alarms.csv", case.alarm_clock.name
    lines = [
        LogLine(
            time_ns=start_ns + round(e.time_s * 1e3) * 1_000_000,
            point=f"{sheet.tag} {e.point}",
            value=e.state,
            text=e.text,
            source=path,
            clock=clock,
            row=i + 2,
        )
        for i, e in enumerate(case.alarms)
    ]
    switches = tuple(_listed(role, f"{sheet.tag} {name}", on, lines) for role, name, on, _ in ALARM_TEXTS if lines)
    exhibit = Exhibit(path, folder / path, "0" * 64, 0, 0)
    return _spanned(SourceResult(exhibit, "events", "", clock, switches=switches, log=tuple(lines)))


def _listed(role: str, point: str, on: str, lines: Sequence[LogLine]) -> Switch:
    """A point of an event list: in the opposite state until its own first line, or off throughout."""
    from forensics.model.points import Origin
    from forensics.model.switches import Switch
    from forensics.model.vocabulary import Recorded, Role

    found = [(line.time_ns, line.value == on, line.row) for line in lines if line.point == point]
    first = lines[0]
    begin = min(first.time_ns, found[0][0] - _MILLISECOND_NS) if found else first.time_ns
    rows = [(begin, not found[0][1] if found else False, found[0][2] if found else first.row), *found]
    origin = Origin(first.source, point, first.clock, Recorded.CHANGE, resolution_s=0.001)
    t, state, row = zip(*rows, strict=True)
    return Switch(Role(role), origin, np.array(t, np.int64), np.array(state, np.int8), np.array(row, np.int64))
