"""Tables of the evidence: sources, clocks, events and their order, states, facts, limits, packages."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

import pandas as pd

from forensics.model.vocabulary import Role
from forensics.report.tables.words import frame, stamp_ns, when, yes_no
from forensics.report.words.units import CANNOT, ReportTime, number, role_words, shown_role, shown_unit
from forensics.results.machine_rows import EventRow, ReadingRow
from forensics.results.schema import FindingsFile
from forensics.rules import Limits
from forensics.rules.detectability import Detection


def sources_table(findings: FindingsFile) -> pd.DataFrame:
    """Every export with its hash and the account of its rows."""
    rows = [
        (s.path, s.sha256, s.bytes, s.rows_read, s.rows_kept, sum(s.set_aside.values()), sum(s.cells_missing.values()))
        for s in findings.sources
    ]
    return frame(
        ("source", "SHA-256", "bytes", "rows read", "rows kept", "rows set aside", "cells without reading"), rows
    )


def set_aside_table(findings: FindingsFile) -> pd.DataFrame:
    """Rows set aside by source and reason."""
    rows = [(s.path, reason, count) for s in findings.sources for reason, count in s.set_aside.items()]
    return frame(("source", "reason", "rows"), rows)


def missing_cells_table(findings: FindingsFile) -> pd.DataFrame:
    """Cells without a reading by source and reason."""
    rows = [(s.path, reason, count) for s in findings.sources for reason, count in s.cells_missing.items()]
    return frame(("source", "reason", "cells"), rows)


def clocks_table(findings: FindingsFile) -> pd.DataFrame:
    """Each clock's offset from the reference with its uncertainty and method."""
    rows = [
        (
            c.clock,
            number(c.offset_s, digits=3),
            number(c.uncertainty_s, digits=3),
            number(c.drift_ppm, digits=3),
            number(c.utc_error_s, digits=3),
            c.method.value,
            ", ".join(number(v, digits=3) for v in c.candidates_s) or CANNOT,
        )
        for c in findings.clocks
    ]
    return frame(
        ("clock", "offset, s", "± s", "drift, ppm", "error against UTC, s", "method", "other candidates, s"), rows
    )


def detection_table(found: Iterable[Detection]) -> pd.DataFrame:
    """Short events with the chance that the case's sampling caught one."""
    rows = [
        (
            row.event.title,
            number(row.event.length_s),
            CANNOT if row.role is None else role_words(row.role),
            number(row.interval_s),
            f"{100.0 * row.chance:.0f} %",
            yes_no(row.shape),
            ", ".join(row.event.checks),
            row.event.source,
        )
        for row in found
    ]
    columns = (
        "event",
        "usual length, s",
        "seen in",
        "every, s",
        "chance of a sample",
        "course seen",
        "checks",
        "basis",
    )
    return frame(columns, rows)


def events_table(findings: FindingsFile, clock: ReportTime, display: str) -> pd.DataFrame:
    """Edges of the switches with the readings before and after, each with its age."""
    roles = _roles_read(findings.events)
    columns = ["from", "to", "point", "became"]
    for role in roles:
        title = f"{role_words(role)}, {shown_role(role, display).text}"
        columns += [f"{title} before", f"{title} after"]
    rows = []
    for event in findings.events:
        row: list[object] = [
            when(event.earliest_utc, clock),
            when(event.latest_utc, clock),
            role_words(Role(event.point)),
            event.to,
        ]
        for role in roles:
            row += [_reading(event.before, role, display), _reading(event.after, role, display)]
        rows.append(row)
    return frame(columns, rows)


def _roles_read(events: Iterable[EventRow]) -> list[Role]:
    seen = {name for event in events for name in (*event.before, *event.after)}
    return [role for role in Role if role.value in seen]


def _reading(readings: Mapping[str, ReadingRow], role: Role, display: str) -> str:
    reading = readings.get(role.value)
    if reading is None:
        return CANNOT
    return f"{shown_role(role, display).number(reading.value)} ({number(reading.age_s, digits=3)} s)"


def order_table(findings: FindingsFile) -> pd.DataFrame:
    """Order of the named events, provable or not."""
    return frame(("event", "stands", "event "), [(o.a, o.order.value, o.b) for o in findings.order])


def states_table(findings: FindingsFile, clock: ReportTime) -> pd.DataFrame:
    """Operating states."""
    rows = []
    for s in findings.states:
        begin, end = stamp_ns(s.from_utc), stamp_ns(s.to_utc)
        seconds = None if begin is None or end is None else (end - begin) / 1e9
        rows.append(
            (s.state.value, when(s.from_utc, clock), when(s.to_utc, clock), number(seconds), yes_no(s.inferred))
        )
    return frame(("state", "from", "to", "s", "inferred"), rows)


def facts_table(findings: FindingsFile) -> pd.DataFrame:
    """Claim-relevant facts with where each is written."""
    return frame(
        ("fact", "answer", "where it is written"),
        [(f.what.replace("_", " "), f.value, f.source) for f in findings.facts],
    )


def observability_table(findings: FindingsFile) -> pd.DataFrame:
    """Which modes these points and intervals could show, and what would unlock the others."""
    rows = [(o.mode.value, o.observable, o.why, o.unlocked_by) for o in findings.observability]
    return frame(("mode", "observable", "why", "unlocked by"), rows)


def overrides_table(findings: FindingsFile, limits: Limits, display: str) -> pd.DataFrame:
    """Limits that the case replaced."""
    rows = []
    for o in findings.overrides:
        unit = shown_unit(limits.limit(o.limit).unit, display)
        rows.append((o.limit, unit.number(o.value), unit.number(o.default), unit.text, o.source))
    return frame(("limit", "value used", "default", "unit", "source"), rows)


def limits_table(limits: Limits, display: str, say: Callable[[str], str]) -> pd.DataFrame:
    """Every limit in force; the basis of those that the case replaced is the case's own text and stays as it is."""
    rows = []
    for one in (limits.limit(name) for name in limits):
        unit = shown_unit(one.unit, display)
        basis = one.basis if one in limits.overridden else say(one.basis)
        rows.append((one.name, unit.number(one.value), unit.text, one.kind, basis))
    return frame(("limit", "value", "unit", "kind", "basis"), rows)


def packages_table(findings: FindingsFile) -> pd.DataFrame:
    """Versions of the packages used."""
    rows = [("screw-forensics", findings.software.version), *findings.software.packages.items()]
    return frame(("package", "version"), rows)
