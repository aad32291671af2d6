"""Say what a case has and lacks before it is judged: quality, clocks, problems, and which modes could be seen."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

from forensics.errors import one_a_kind
from forensics.hypotheses.readiness import Readiness, ready
from forensics.intake import SourceResult
from forensics.intake.load_case import load_case
from forensics.intake.result import how_read
from forensics.model.points import iso

WIDTH = 34
VALUE, EVIDENCE = 46, 52


def check_case_folder(path: Path) -> str:
    """Read everything that a case names and describe it; judges nothing.

    Raises
    ------
    InputError
        What stops the case: all problems of all files at once.
    """
    found = ready(load_case(path))
    readings = found.case.readings
    parts = [
        _heading("What is judged", [_window(found)]),
        _heading("Sources", [_source(reading) for reading in readings]),
        *(_heading(f"How {_name(reading)} was read", _how(reading)) for reading in readings if reading.detections),
        _heading("What the exports say of themselves", _notes(readings)),
        _heading("Points", _points(found)),
        _heading("Clocks", _clocks(found)),
        _heading("Problems and open questions", [str(problem) for problem in one_a_kind(found.problems)]),
        _heading("Taken for granted", list(found.assumptions)),
        _heading("Which modes could be seen with these points and intervals", _modes(found)),
        _heading("What to ask the site for, the change that unlocks most first", _unlocks(found)),
    ]
    return "\n".join(part for part in parts if part)


def _window(found: Readiness) -> str:
    record = found.case.record
    return (
        f"failure {iso(record.failure_ns)}, judged from {iso(record.window.start_ns)} to {iso(record.window.end_ns)}; "
        "window_before and window_after change it"
    )


def _name(reading: SourceResult) -> str:
    return reading.joined_as or reading.exhibit.path


def _how(reading: SourceResult) -> list[str]:
    """What was decided, from what, and which key would change it: a line each, cut to the width of a screen."""
    lines = []
    for what, value, evidence, key in how_read(reading):
        said = value if len(value) <= VALUE else f"{value[: VALUE - 1]}…"
        why = evidence if len(evidence) <= EVIDENCE else f"{evidence[: EVIDENCE - 1]}…"
        lines.append(f"{what:<18} {said:<{VALUE}} {why:<{EVIDENCE}} {key}".rstrip())
    return [f"{'decided':<18} {'as':<{VALUE}} {'from':<{EVIDENCE}} changed by", *lines]


def _notes(readings: tuple[SourceResult, ...]) -> list[str]:
    return [f"{_name(reading)}: {note}" for reading in readings for note in reading.notes]


def _heading(title: str, lines: list[str]) -> str:
    return f"{title}\n" + "\n".join(f"  {line}" for line in lines or ["none"]) + "\n"


def _source(reading: SourceResult) -> str:
    counts = reading.accounting
    aside = ", ".join(f"{reason} {n}" for reason, n in counts.set_aside.items()) or "none"
    missing = ", ".join(f"{reason} {n}" for reason, n in counts.cells_missing.items()) or "none"
    covers = (
        "no stamps"
        if reading.first_ns is None or reading.last_ns is None
        else f"{iso(reading.first_ns)} to {iso(reading.last_ns)}"
    )
    return (
        f"{reading.exhibit.path}: {counts.rows_read} rows read, {counts.rows_kept} kept, set aside: {aside}; "
        f"cells without a reading: {missing}; {covers}"
    )


def _points(found: Readiness) -> list[str]:
    record = found.case.record
    lines = [
        f"{point.role.value:<{WIDTH}} every {point.interval_s:g} s, {point.origin.recorded.value}, "
        f"{len(point)} readings"
        for points in record.samples.values()
        for point in points
    ]
    lines += [
        f"{switch.role.value:<{WIDTH}} {len(switch.edges)} edges, {switch.origin.recorded.value}"
        for switches in record.switches.values()
        for switch in switches
    ]
    lines += [
        f"{role.value:<{WIDTH}} waveform, every {waveform.interval_s:g} s"
        for waveform in record.waveforms
        for role in waveform.analog
    ]
    return lines


def _clocks(found: Readiness) -> list[str]:
    lines = []
    for fit in found.clocks:
        offset = (
            "not possible" if fit.offset_s is None else f"{fit.offset_s:+.2f} s +/- {fit.uncertainty_s or 0.0:.2f} s"
        )
        candidates = f", candidates {', '.join(f'{c:+.1f}' for c in fit.candidates_s)} s" if fit.candidates_s else ""
        lines.append(f"{fit.clock}: {offset} ({fit.method.value}{candidates}) {'; '.join(fit.notes)}".rstrip())
    return lines


def _modes(found: Readiness) -> list[str]:
    return [f"{row.mode:<{WIDTH}} {row.observable:<7} {row.why}" for row in found.observability]


def _unlocks(found: Readiness) -> list[str]:
    """Changes of the logging by the number of modes that each unlocks."""
    counted = Counter(row.unlocked_by for row in found.observability if row.unlocked_by)
    return [f"{change} (modes: {number})" for change, number in counted.most_common(8)]
