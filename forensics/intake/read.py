"""Reads the sources of a case: each export by its kind, every problem collected, nothing raised."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path, PurePosixPath

from forensics.case.exports import Source, is_pattern
from forensics.case.schema import CaseFile
from forensics.case.values import local_to_utc
from forensics.errors import Problem, Problems, UnreadableError
from forensics.intake.exhibits import Exhibit, hash_of, source_files, take_exhibit
from forensics.intake.job import SourceJob
from forensics.intake.lexicon import plain
from forensics.intake.outcomes import Outcome, resolve_points
from forensics.intake.read_files import read_files
from forensics.intake.read_table import open_export, read_table
from forensics.intake.result import SourceResult
from forensics.intake.same_logger import joined_job, same_logger
from forensics.intake.table.export import TableExport
from forensics.intake.typed.reader import TYPED, WORKBOOKS
from forensics.model.paths import EXPORT_BYTES, is_there, name_fault, open_regular, path_problem
from forensics.model.points import Span

_MOST_FILES = 5000  # a file an hour for half a year
_WAVEFORM = {".cfg", ".cff", ".dat"}


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
    jobs = [_job(casefile, source, folder, keep, failure_ns, problems) for source in casefile.source]
    outcomes: list[Outcome] = []
    for group in same_logger(jobs):
        together = _read_together(group, folder)
        outcomes += [together] if together is not None else [_read_source(job, folder) for job in group]
    outcomes.sort(key=lambda outcome: jobs.index(outcome.first))
    return resolve_points(casefile, [outcome for outcome in outcomes if outcome.results], problems)


def _job(
    casefile: CaseFile,
    source: Source,
    folder: Path,
    keep: Span | Mapping[str, Span] | None,
    failure_ns: int | None,
    problems: Problems,
) -> SourceJob:
    points = [(number, point) for number, point in enumerate(casefile.point) if point.source in ("", source.path)]
    clock = casefile.clock_of(source)
    kept = keep.get(clock) if isinstance(keep, Mapping) else keep
    zone = source.time_zone or casefile.case.time_zone
    return SourceJob(
        casefile=casefile,
        source=source,
        file=folder / source.path,
        zone=zone,
        clock=clock,
        keep=kept,
        failure_ns=failure_ns,
        problems=problems,
        points=points,
    )


def _read_source(job: SourceJob, folder: Path) -> Outcome:
    """Read one source, whether it names one file or a pattern."""
    paths = source_files(job.source.path, folder)
    if not is_pattern(job.source.path) or paths == (job.source.path,):
        reading = _read_one(job, folder)
        return Outcome(job, job, [] if reading is None else [reading], (job.path,))
    if not paths:
        job.stop("no file fits this pattern.", "Put the exports beside the case file, or correct path.")
    if len(paths) > _MOST_FILES:
        job.stop(f"{len(paths)} files fit this pattern, more than {_MOST_FILES}.", "Narrow the pattern.")
        paths = ()
    opened: list[TableExport] = []
    results: list[SourceResult] = []
    for path in paths:
        part = job.of_file(path, folder)
        export = _opened(part, folder, opened[0] if opened else None)
        if isinstance(export, SourceResult):
            results.append(replace(export, joined_as=job.source.path))
            job.found |= part.found
        elif export is not None:
            opened.append(export)
    if opened:
        results = [*(_hashed(job, one) for one in read_files(job, opened, folder)), *results]
    return Outcome(job, job, results, (job.path,))


def _read_together(group: list[SourceJob], folder: Path) -> Outcome | None:
    """Read sources of one clock as the files of one logger; None where they are not, and are read one by one."""
    if len(group) == 1:
        return None
    problems = group[0].problems
    before = len(problems.found)
    opened = [_opened(job, folder) for job in group]
    exports = [export for export in opened if export is not None and not isinstance(export, SourceResult)]
    names = {frozenset(plain(name) for name in export.dialect.raw_names) for export in exports}
    if len(exports) == len(group) and len(names) == 1:
        job = joined_job(group)
        results = [_hashed(_owner(group, one), one) for one in read_files(job, exports, folder)]
        if not any(one.conflict for one in results):
            return Outcome(job, group[0], results, tuple(one.path for one in group))
    del problems.found[before:]
    return None


def _may_be_opened(job: SourceJob, folder: Path) -> bool:
    """Whether an export, and with it every part of a waveform record, is a regular file inside the folder.

    One that is not there is left to the reading, which says so.
    """
    names = [job.path]
    suffix = job.file.suffix.lower()
    if suffix in _WAVEFORM:
        from forensics.intake.waveform.reader import record_files

        names += [PurePosixPath(job.path).with_name(part.name).as_posix() for part in record_files(job.file)]
    found = [
        problem
        for name in dict.fromkeys(names)
        if is_there(folder, name) or name_fault(name)
        if (problem := path_problem(folder, name, EXPORT_BYTES, file=job.path)) is not None
    ]
    job.problems.extend(found)
    return not found


def _owner(group: list[SourceJob], result: SourceResult) -> SourceJob:
    return next(job for job in group if job.path == result.exhibit.path)


def _opened(job: SourceJob, folder: Path, first: TableExport | None = None) -> TableExport | SourceResult | None:
    """A table of one file, opened; a result where it is no table or can't be read, None where it is not there."""
    if not _may_be_opened(job, folder):
        return None
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
    try:
        suffix = _kept_suffix(job, job.file.suffix.lower())
        if job.source.kind == "waveform" or (job.source.kind is None and suffix in _WAVEFORM):
            return _hashed(job, _read_waveform(job, exhibit))
        return open_export(job, exhibit, suffix, first)
    except UnreadableError as fault:
        job.leave_out(fault.what, fault.remedy)
    except OSError as fault:
        job.leave_out(f"the file can't be read ({fault.strerror or fault}).", "Copy it again from its origin.")
    return _hashed(job, SourceResult(exhibit, job.source.kind or "trend", job.source.layout or "", job.clock))


def _read_one(job: SourceJob, folder: Path) -> SourceResult | None:
    export = _opened(job, folder)
    if export is None or isinstance(export, SourceResult):
        return export
    try:
        reading = read_table(job, export)
    except UnreadableError as fault:
        job.leave_out(fault.what, fault.remedy)
        reading = SourceResult(export.exhibit, job.source.kind or "trend", job.source.layout or "", job.clock)
    except OSError as fault:
        job.leave_out(f"the file can't be read ({fault.strerror or fault}).", "Copy it again from its origin.")
        reading = SourceResult(export.exhibit, job.source.kind or "trend", job.source.layout or "", job.clock)
    return _hashed(job, reading)


def _read_waveform(job: SourceJob, exhibit: Exhibit) -> SourceResult:
    """Read an IEEE C37.111 record."""
    from forensics.intake.waveform.reader import read_waveform

    points = [point for _, point in job.points]
    machine = job.casefile.machine
    result = read_waveform(job.source, points, job.file, job.zone, job.problems, machine=machine, clock=job.clock)
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
        exhibit=exhibit,
        kind="waveform",
        layout="",
        clock=job.clock,
        accounting=result.accounting,
        detections=result.detections,
        notes=result.notes,
        switches=result.switches,
        waveform=waveform,
        first_ns=first,
        last_ns=last,
        also=also,
    )


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
    with open_regular(job.file) as file:
        head = file.read(4096)
    if suffix in WORKBOOKS and head and not head.startswith((b"PK", b"\xd0\xcf\x11\xe0")):
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
        with open_regular(file) as stream, zipfile.ZipFile(stream) as archive:
            names = set(archive.namelist())
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError):
        return False
    return "xl/workbook.xml" in names or "content.xml" in names


def _hashed(job: SourceJob, reading: SourceResult) -> SourceResult:
    exhibit = reading.exhibit
    if exhibit.sha256 == "-":
        exhibit = replace(exhibit, sha256=hash_of(exhibit.file))
        reading = replace(reading, exhibit=exhibit)
    told = job.source.told_sha256(exhibit.path)
    if told and told != exhibit.sha256:
        what = f"its SHA-256 is {exhibit.sha256}, the case file gives {told}."
        remedy = "This is not the file that was hashed: find the right one, or correct sha256."
        job.problems.add(Problem(what, file=exhibit.path, remedy=remedy))
    return reading
