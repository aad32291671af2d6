"""Say what a case has and lacks before it is judged: quality, clocks, problems, and which modes could be seen."""

from __future__ import annotations

import math
import textwrap
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from forensics.case.read import read_job_file
from forensics.case.schema import CaseFile
from forensics.case.stage import IN_WORDS, job_gaps, next_step, steps_begun
from forensics.errors import InputError, one_a_kind
from forensics.hypotheses.evidence import Observability
from forensics.hypotheses.readiness import Readiness, ready
from forensics.intake import SourceResult
from forensics.intake.case_files import custody_hash_gaps
from forensics.intake.first_round import further_problems
from forensics.intake.load_case import load_case
from forensics.intake.result import how_read
from forensics.model.outside_text import for_line
from forensics.model.points import NS, iso
from forensics.rules.profile_words import explain

WIDTH = 34
COLUMNS = 120
HOUR_S = 3600.0
MOST_UNLOCKS = 8
VALUE, EVIDENCE = 46, 52


@dataclass(frozen=True)
class Checked:
    """What a case has and lacks: titled lists of sentences, in the order in which they are told."""

    case: str
    parts: tuple[tuple[str, tuple[str, ...]], ...]
    observability: tuple[Observability, ...]

    def data(self) -> dict[str, Any]:
        """For JSON."""
        return {
            "case": self.case,
            "parts": {title: list(lines) for title, lines in self.parts},
            "modes": [asdict(row) for row in self.observability],
        }


def check_case(path: Path) -> Checked:
    """Read everything that a case names and describe it; judges nothing.

    A case without any export, as after a telephone call, is described by the tables of the job alone.

    Raises
    ------
    InputError
        What stops the case: all problems of all files at once.
    """
    try:
        job = read_job_file(path)
    except InputError as fault:
        raise InputError(dict.fromkeys((*fault.problems, *further_problems(path)))) from None
    if not job.source:
        return Checked(path.name, (("The job so far", tuple(_job(path, job))),), ())
    found = ready(load_case(path))
    readings = found.case.readings
    parts = [
        ("What is judged", [_window(found), *_before(found)]),
        ("Sources", [_source(reading) for reading in readings]),
        *((f"How {_name(reading)} was read", _how(reading)) for reading in readings if reading.detections),
        ("What the exports say of themselves", _notes(readings)),
        ("Points", _points(found)),
        ("Clocks", _clocks(found)),
        ("The sequence profile, as it was understood", list(explain(found.case.profile))),
        ("Problems and open questions", [str(problem) for problem in one_a_kind(found.problems)]),
        ("Taken for granted", list(found.assumptions)),
        ("Which modes could be seen with these points and intervals", mode_lines(found.observability)),
        ("What to ask the site for, the change that unlocks most first", unlocks(found.observability)),
        ("The job so far", _job(path, job)),
    ]
    return Checked(path.name, tuple((title, tuple(lines)) for title, lines in parts), found.observability)


def text_of(checked: Checked) -> str:
    """The description as text."""
    return "\n".join(_heading(title, lines) for title, lines in checked.parts)


def check_case_folder(path: Path) -> str:
    """The description of a case as text; see :func:`check_case`."""
    return text_of(check_case(path))


def _before(found: Readiness) -> list[str]:
    """What of the record lies before the window, and is baseline alone."""
    record = found.case.record
    first = min((r.first_ns for r in found.case.readings if r.kind == "trend" and r.first_ns is not None), default=None)
    if first is None or first >= record.window.start_ns:
        return []
    before_h = (record.window.start_ns - first) / NS / HOUR_S
    whole_h = math.ceil((record.failure_ns - first) / NS / HOUR_S)
    return [
        f"{before_h:.3g} h of the trends lie before that and serve as the machine's own baseline alone; "
        f'window_before = "{whole_h}h" in [case] would judge them, too'
    ]


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


def _heading(title: str, lines: Sequence[str]) -> str:
    return f"{title}\n" + "\n".join(f"  {for_line(line)}" for line in lines or ["none"]) + "\n"


def _job(path: Path, job: CaseFile) -> list[str]:
    """Steps begun, what each lacks, contradictions, and the step that comes next."""
    begun = steps_begun(job)
    lines = [f"begun: {', '.join(IN_WORDS[step] for step in begun) or 'nothing'}"]
    lines += [str(gap) for gap in (*job_gaps(job), *custody_hash_gaps(path, job))]
    coming = next_step(job)
    if coming is not None:
        lines.append(f"next: {IN_WORDS[coming]}; the sheets to work with: forensics papers")
    return lines


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


def mode_lines(rows: Iterable[Observability]) -> list[str]:
    """Whether each mode could be seen, and why; wrapped to the width of a screen."""
    lines: list[str] = []
    for row in rows:
        head = f"{row.mode:<{WIDTH}} {row.observable:<7} "
        lines += textwrap.wrap(row.why, COLUMNS, initial_indent=head, subsequent_indent=" " * len(head)) or [head]
    return lines


def unlocks(rows: Iterable[Observability]) -> list[str]:
    """Changes of the logging by the number of modes that each unlocks."""
    counted = Counter(row.unlocked_by for row in rows if row.unlocked_by)
    return [f"{change} (modes: {number})" for change, number in counted.most_common(MOST_UNLOCKS)]
