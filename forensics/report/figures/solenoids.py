"""All events of one kind of a solenoid laid over each other, with current, oil pressure and discharge temperature."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from forensics.model.findings import SwitchEvent
from forensics.model.points import NS, OFF, ON, Samples
from forensics.model.record import Record
from forensics.model.vocabulary import Role
from forensics.report.figures.figure import Figure, axis
from forensics.report.figures.overlay import Curve, around, band, each, single
from forensics.report.figures.panels import Panel, stack
from forensics.report.words.units import ReportTime, number, role_words, shown_change, shown_role

BEFORE_S, AFTER_S = 15.0, 45.0
MOST_EVENTS = 400
KINDS = (
    (Role.LOAD_SOLENOID, ON),
    (Role.UNLOAD_SOLENOID, ON),
    (Role.BYPASS_SOLENOID, ON),
    (Role.BYPASS_SOLENOID, OFF),
)
FOLLOWED: tuple[tuple[Role, ...], ...] = (
    (Role.MOTOR_AMPS, Role.AMPS_A),
    (Role.OIL_PRESSURE, Role.OIL_PRESSURE_DIFFERENCE),
    (Role.DISCHARGE_TEMPERATURE,),
    (Role.SLIDE_POSITION,),
)
_SLOWEST_S = 20.0
_BASE_AGE_S = 60.0
_PANEL_PX = 130


def event_overlays(record: Record, events: Sequence[SwitchEvent], display: str, clock: ReportTime) -> list[Figure]:
    """One plate for each kind of event that happened."""
    plates = []
    for role, to in KINDS:
        kind = [e for e in events if e.role is role and e.to == to]
        if kind:
            plate = _overlay(record, kind, role, to, display, clock)
            if plate is not None:
                plates.append(plate)
    return plates


def _overlay(
    record: Record, events: Sequence[SwitchEvent], role: Role, to: int, display: str, clock: ReportTime
) -> Figure | None:
    word = "energised" if to == ON else "released"
    before = [e for e in events if e.earliest_ns <= record.failure_ns]
    last = (before or list(events))[-1]
    others = [e for e in events if e is not last]
    kept = (
        [others[i] for i in np.unique(np.linspace(0, len(others) - 1, min(len(others), MOST_EVENTS)).astype(int))]
        if others
        else []
    )
    panels, rows = [], []
    for roles in FOLLOWED:
        point = next((p for p in (record.fastest(r) for r in roles) if p is not None), None)
        if point is None or point.interval_s > _SLOWEST_S:
            continue
        made = _panel(point, kept, last, display)
        if made is not None:
            panels.append(made[0])
            rows.append(made[1])
    if not panels:
        return None
    name = role_words(role)
    widest_s = max((e.latest_ns - e.earliest_ns) / NS for e in events)
    x = axis(f"seconds from the {name} {word}", {"range": [-BEFORE_S, AFTER_S]})
    figure = stack(panels, x, lines_at=[(0.0, word)])
    caption = (
        f"{name} {word}: {len(events)} events in the record laid over each other at the end of each one's "
        "interval (the "
        f"widest interval is {number(widest_s, digits=2)} s). Thin: up to 30 of them spread evenly; band and "
        "dashed line: "
        f"middle eight tenths and median of {len(kept)}; black: the last before the failure, "
        "each less its own last reading before the event; "
        f"{clock.interval(last.earliest_ns, last.latest_ns)}. Thin lines and band are drawn on a grid made for drawing."
    )
    key = f"events-{role.value.replace('_', '-')}-{'on' if to == ON else 'off'}"
    return Figure(key, figure, caption, caption, pd.DataFrame(rows))


def _panel(
    point: Samples, kept: Sequence[SwitchEvent], last: SwitchEvent, display: str
) -> tuple[Panel, dict[str, str]] | None:
    shown = shown_role(point.role, display)
    traces = []
    curve = None
    if kept:
        plain = around(point, [e.latest_ns for e in kept], BEFORE_S, AFTER_S)
        base = point.at(np.array([e.earliest_ns for e in kept], np.int64), _BASE_AGE_S)
        curve = Curve(plain.seconds, (plain.values - base[:, None]) * shown.factor)
        traces = [each(curve, name="events"), *band(curve, name="median")]
    before, after = point.before(last.earliest_ns), point.after(last.latest_ns)
    if before is not None:
        own = single(
            point,
            last.latest_ns,
            BEFORE_S,
            AFTER_S,
            name="last before the failure",
            factor=shown.factor,
            offset=-before.value * shown.factor,
        )
        if own is not None:
            traces.append(own)
    if not traces:
        return None
    unit = shown_change(point.role, display).text
    title = f"change of {role_words(point.role).split(' (')[0]}, {unit}"
    row = {
        "quantity": title,
        "last: before": shown.number(before.value) if before else "–",
        "age, s": number(before.age_s, digits=3) if before else "–",
        "last: after": shown.number(after.value) if after else "–",
        "after, s": number(after.age_s, digits=3) if after else "–",
    }
    for second in (-5.0, 5.0, 20.0):
        known = np.zeros(0)
        if curve is not None and len(curve.values):
            column = curve.values[:, int(np.argmin(np.abs(curve.seconds - second)))]
            known = column[np.isfinite(column)]
        row[f"all, median {second:+.0f} s"] = number(float(np.median(known))) if len(known) else "–"
    return Panel(title, traces, _PANEL_PX), row
