"""Reads the sources of a case: each export by its kind, every problem collected, nothing raised."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path, PurePosixPath

from forensics.case.schema import CaseFile, Point, local_to_utc
from forensics.errors import Problem, Problems, Severity
from forensics.intake.exhibits import Exhibit, take_exhibit
from forensics.intake.job import SourceJob
from forensics.intake.read_table import TYPED, open_export, read_table
from forensics.intake.refusals import UnreadableError
from forensics.intake.result import SourceResult
from forensics.model.points import Span

_WAVEFORM = {".cfg", ".cff", ".dat"}
_WORKBOOK = {".xlsx", ".xlsm", ".ods", ".xls", ".xlsb"}


def read_sources(
    casefile: CaseFile, folder: Path, keep: Span | Mapping[str, Span] | None, problems: Problems
) -> tuple[SourceResult, ...]:
    """Read every source of a case.

    Parameters
    ----------
    folder
        Folder of the case file; paths of sources are relative to it.
    keep
        Rows outside are counted, not kept; a span for all sources or one a clock; None keeps all.
    problems
        Collects every problem of every file: ``stop`` for questions about time and files that are not there, ``point``
        for what leaves points out, ``note`` for what is only said.

    Returns
    -------
    tuple of SourceReading
        In the order of the case file; an export that can't be read gives a reading without points.
    """
    failure = casefile.case.failure
    failure_ns = None
    if failure is not None:
        failure_ns = round(local_to_utc(failure, casefile.case.time_zone).timestamp()) * 10**9
    readings: list[SourceResult] = []
    jobs: list[SourceJob] = []
    for source in casefile.source:
        points = [(number, point) for number, point in enumerate(casefile.point) if point.source in ("", source.path)]
        job = SourceJob(
            casefile, source, folder / source.path, source.time_zone or casefile.case.time_zone,
            casefile.clock_of(source), _kept_by(keep, casefile.clock_of(source)), failure_ns, problems, points,
        )  # fmt: skip
        reading = _read_one(job)
        if reading is not None:
            readings.append(reading)
            jobs.append(job)
    return _resolve(casefile, jobs, readings, problems)


def _kept_by(keep: Span | Mapping[str, Span] | None, clock: str) -> Span | None:
    return keep.get(clock) if isinstance(keep, Mapping) else keep


def _read_one(job: SourceJob) -> SourceResult | None:
    try:
        exhibit = take_exhibit(job.path, job.file, sha256="-")
    except FileNotFoundError:
        job.stop("the file is not there.", f"Put it beside the case file as {job.path}, or correct path.")
        return None
    except OSError as fault:
        job.stop(f"the file can't be opened ({fault.strerror}).", "Correct path or its permissions.")
        return None
    if job.file.is_dir():
        job.stop("this is a folder, not a file.", "Name the export itself.")
        return None
    suffix = job.file.suffix.lower()
    try:
        suffix = _kept_suffix(job, suffix)
        if job.source.kind == "waveform" or (job.source.kind is None and suffix in _WAVEFORM):
            reading = _read_waveform(job, exhibit)
        else:
            reading = read_table(job, open_export(job, exhibit, suffix))
    except UnreadableError as fault:
        job.leave_out(fault.what, fault.remedy)
        reading = SourceResult(exhibit, job.source.kind or "trend", job.source.layout or "", job.clock)
    except OSError as fault:
        job.leave_out(f"the file can't be read ({fault.strerror or fault}).", "Copy it again from its origin.")
        reading = SourceResult(exhibit, job.source.kind or "trend", job.source.layout or "", job.clock)
    return _hashed(job, reading)


def _read_waveform(job: SourceJob, exhibit: Exhibit) -> SourceResult:
    """Read an IEEE C37.111 record."""
    from forensics.intake.waveform.reader import read_waveform

    machine = job.casefile.machine
    points = [point for _, point in job.points]
    result = read_waveform(
        job.source, points, job.file, job.zone, job.problems,
        air_kpa=machine.air_kpa, rated_amps=machine.rated_load_amps, clock=job.clock,
    )  # fmt: skip
    waveform = result.waveform
    job.names = list(result.channels)
    if waveform is None:
        job.found |= {number for number, point in job.points if point.source == job.path}
        first = last = None
    else:
        bound = {(role, column) for role, column in waveform.columns.items()}
        bound |= {(switch.role, switch.origin.column) for switch in result.switches}
        job.found |= {number for number, point in job.points if (point.role, point.column) in bound}
        first, last = waveform.span.start_ns, waveform.span.end_ns
    also = tuple(take_exhibit(_beside(job, file), file) for file in result.files if file != job.file)
    return SourceResult(
        exhibit, "waveform", "", job.clock, result.accounting, result.detections, result.notes,
        switches=result.switches, waveform=waveform, first_ns=first, last_ns=last, also=also,
    )  # fmt: skip


def _beside(job: SourceJob, file: Path) -> str:
    """Path, as the case file would give it, of a file that belongs to the record it names."""
    return PurePosixPath(job.path).with_name(file.name).as_posix()


def _kept_suffix(job: SourceJob, suffix: str) -> str:
    """The ending by which a file is read: its bytes overrule a name that calls text a workbook, or a workbook text.

    Raises
    ------
    UnreadableError
        The file is a web page under the name of a workbook.
    """
    with job.file.open("rb") as file:
        head = file.read(4096)
    if suffix in _WORKBOOK and head and not head.startswith((b"PK", b"\xd0\xcf\x11\xe0")):
        start = head.lstrip(b"\xef\xbb\xbf \r\n\t")[:64].lower()
        if start.startswith((b"<html", b"<!doctype", b"<table", b"<?xml", b"<head", b"<meta")):
            raise UnreadableError(
                f"the file is named {suffix} but holds a page of markup.", "Open it and save it as .xlsx or .csv."
            )
        if _is_text(head):
            job.note(f"the file is named {suffix} but holds text: it is read as text.")
            return ".csv"
    if suffix not in TYPED and head.startswith(b"PK\x03\x04") and _is_workbook(job.file):
        job.note(f"the file is named {suffix or 'without ending'} but is a workbook: it is read as one.")
        return ".xlsx"
    return suffix


def _is_text(head: bytes) -> bool:
    """Whether bytes are text with a delimiter: UTF-16 with its mark, or without any control but line ends and tabs."""
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return True
    controls = set(head) - set(range(32, 256)) - set(b"\r\n\t\f")
    return not controls and any(mark in head for mark in (b",", b";", b"\t", b"|"))


def _is_workbook(file: Path) -> bool:
    import zipfile

    try:
        with zipfile.ZipFile(file) as archive:
            names = set(archive.namelist())
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError):
        return False
    return "xl/workbook.xml" in names or "content.xml" in names


def _hashed(job: SourceJob, reading: SourceResult) -> SourceResult:
    from dataclasses import replace

    from forensics.intake.exhibits import hash_of

    exhibit = reading.exhibit
    if exhibit.sha256 == "-":
        exhibit = replace(exhibit, sha256=hash_of(job.file))
        reading = replace(reading, exhibit=exhibit)
    told = job.source.sha256
    if told and told != exhibit.sha256:
        job.stop(
            f"its SHA-256 is {exhibit.sha256}, the case file gives {told}.",
            "This is not the file that was hashed: find the right one, or correct sha256.",
        )
    return reading


def _resolve(
    casefile: CaseFile, jobs: Sequence[SourceJob], readings: list[SourceResult], problems: Problems
) -> tuple[SourceResult, ...]:
    """Ask for points that are in no source, or in several."""
    from dataclasses import replace

    asked = {problem.column for problem in problems if problem.column}
    unread = {job.path for job, reading in zip(jobs, readings, strict=True) if not reading.accounting.rows_read}
    for number, point in enumerate(casefile.point):
        holders = [i for i, job in enumerate(jobs) if number in job.found]
        if len(holders) > 1:
            names = ", ".join(jobs[i].path for i in holders)
            problems.add(
                Problem(
                    f"point {point.role.value}: its column is in several sources ({names}).",
                    file="case.toml",
                    column=point.column,
                    remedy="Give source in its [[point]].",
                    severity=Severity.POINT,
                )
            )
            for i in holders:
                readings[i] = replace(
                    readings[i],
                    samples=tuple(s for s in readings[i].samples if not _is_of(s.role, s.origin.column, point)),
                    switches=tuple(s for s in readings[i].switches if not _is_of(s.role, s.origin.column, point)),
                )
        elif not holders and point.column not in asked:
            if point.source and (point.source in unread or point.source not in {job.path for job in jobs}):
                continue
            _not_found(casefile, point, jobs, problems)
    from forensics.intake.points.checks import settle_series

    return settle_series(readings)


def _is_of(role: object, column: str, point: Point) -> bool:
    return role is point.role and column == point.column


def _not_found(casefile: CaseFile, point: Point, jobs: Sequence[SourceJob], problems: Problems) -> None:
    import difflib

    names = [name for job in jobs if point.source in ("", job.path) for name in job.names]
    if not names:
        return  # no export that could hold it was read: that is asked for already
    near = difflib.get_close_matches(point.column, names, n=3, cutoff=0.5)
    hint = f" Nearest: {', '.join(near)}." if near else ""
    where = point.source or ", ".join(job.path for job in jobs)
    problems.add(
        Problem(
            f"point {point.role.value}: there is no such column in {where}.{hint}",
            file=point.source or "case.toml",
            column=point.column,
            remedy="Correct column, or name its source.",
            severity=Severity.POINT,
        )
    )
