"""Say what a case has and lacks before it is judged: quality, clocks, problems, and which modes could be seen."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

from forensics.case.schema import CaseFile, read_job_file
from forensics.case.stage import IN_WORDS, job_gaps, next_step, steps_begun
from forensics.intake import SourceResult
from forensics.intake.load_case import load_case
from forensics.investigation import Investigation, judge
from forensics.model.points import iso

WIDTH = 34


def check_case_folder(path: Path) -> str:
    """Read everything that a case names and describe it; judges nothing.

    A case without any export, as after a telephone call, is described by the tables of the job alone.

    Raises
    ------
    InputError
        What stops the case: all problems of all files at once.
    """
    job = read_job_file(path)
    if not job.source:
        return _heading("The job so far", _job(job))
    investigation = judge(load_case(path))
    parts = [
        _heading("Sources", [_source(reading) for reading in investigation.readings]),
        _heading("Detected, not told", _detections(investigation.readings)),
        _heading("Points", _points(investigation)),
        _heading("Clocks", _clocks(investigation)),
        _heading("Problems and open questions", [str(problem) for problem in investigation.problems]),
        _heading("Taken for granted", list(investigation.assumptions)),
        _heading("Which modes could be seen with these points and intervals", _modes(investigation)),
        _heading("What to ask the site for, the change that unlocks most first", _unlocks(investigation)),
        _heading("The job so far", _job(job)),
    ]
    return "\n".join(part for part in parts if part)


def _heading(title: str, lines: list[str]) -> str:
    return f"{title}\n" + "\n".join(f"  {line}" for line in lines or ["none"]) + "\n"


def _job(job: CaseFile) -> list[str]:
    """Steps begun, what each lacks, contradictions, and the step that comes next."""
    begun = steps_begun(job)
    lines = [f"begun: {', '.join(IN_WORDS[step] for step in begun) or 'nothing'}"]
    lines += [str(gap) for gap in job_gaps(job)]
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


def _detections(readings: tuple[SourceResult, ...]) -> list[str]:
    return [
        f"{reading.exhibit.path}: {d.what} = {d.value} ({d.evidence})"
        for reading in readings
        for d in reading.detections
    ]


def _points(investigation: Investigation) -> list[str]:
    record = investigation.record
    lines = [
        f"{point.role.value:<{WIDTH}} every {point.interval_s:g} s, {point.origin.recorded.value}, "
        f"{len(point)} readings"
        for found in record.samples.values()
        for point in found
    ]
    lines += [
        f"{switch.role.value:<{WIDTH}} {len(switch.edges)} edges, {switch.origin.recorded.value}"
        for found in record.switches.values()
        for switch in found
    ]
    return lines


def _clocks(investigation: Investigation) -> list[str]:
    lines = []
    for fit in investigation.clocks:
        offset = (
            "not possible" if fit.offset_s is None else f"{fit.offset_s:+.2f} s +/- {fit.uncertainty_s or 0.0:.2f} s"
        )
        candidates = f", candidates {', '.join(f'{c:+.1f}' for c in fit.candidates_s)} s" if fit.candidates_s else ""
        lines.append(f"{fit.clock}: {offset} ({fit.method.value}{candidates}) {'; '.join(fit.notes)}".rstrip())
    return lines


def _modes(investigation: Investigation) -> list[str]:
    return [f"{row.mode:<{WIDTH}} {row.observable:<7} {row.why}" for row in investigation.weighing.observability]


def _unlocks(investigation: Investigation) -> list[str]:
    """Changes of the logging by the number of modes that each unlocks."""
    counted = Counter(row.unlocked_by for row in investigation.weighing.observability if row.unlocked_by)
    return [f"{change} (modes: {number})" for change, number in counted.most_common(8)]
