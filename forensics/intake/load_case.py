"""Read a case: its file, every source it names, and the record on each source's own clock.

The last floor that touches files on the way up.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from forensics.case.as_evidence import with_job_evidence
from forensics.case.read import parse_case, read_case_bytes
from forensics.case.schema import CaseFile
from forensics.case.values import local_to_utc
from forensics.errors import InputError, Problem, Problems, Severity
from forensics.intake import SourceResult, read_sources
from forensics.intake.case_files import earlier_hash_problems, named_path_problems
from forensics.intake.first_round import further_problems
from forensics.model.events import events_of
from forensics.model.paths import Identity, opened_as_one
from forensics.model.points import NS, ON, Samples, Span
from forensics.model.record import Record
from forensics.model.switches import Switch
from forensics.model.vocabulary import Recorded, Role
from forensics.refrigerants.catalogue import SaturationCurve, saturation_for
from forensics.rules import Limits, read_limits
from forensics.rules.profiles import Profile, read_profile

EARLIEST_NS = -(2**62)


@dataclass(frozen=True)
class Case:
    """A case as it was read, before any judgement.

    Attributes
    ----------
    readings
        Every source with its accounting, in the order of the case file.
    record
        As stamped: every source on its own clock.
    problems
        What left points out or is to be stated; what stops a case was raised.
    failure_found
        How the failure time was had, where the case file does not give it.
    content
        Bytes of the case file, as they were read.
    opened
        Every file that was opened, as it was then.
    """

    file: CaseFile
    path: Path
    readings: tuple[SourceResult, ...]
    record: Record
    problems: tuple[Problem, ...]
    profile: Profile
    limits: Limits
    saturation: SaturationCurve | None
    saturation_missing: str
    failure_found: str = ""
    content: bytes = field(default=b"", repr=False)
    opened: Mapping[str, Identity] = field(default_factory=dict, repr=False)

    @property
    def folder(self) -> Path:
        """Folder of the case file: paths are relative to it."""
        return self.path.parent


def load_case(path: Path, *, limits: Mapping[str, float] | None = None) -> Case:
    """Read a case file and everything that it names.

    Parameters
    ----------
    limits
        Limits changed by hand in a notebook; they win over those of the case file.

    Raises
    ------
    InputError
        What must be corrected before the case can be judged: all problems of all files at once.
    """
    with opened_as_one() as openings:
        case = _load(path, limits)
        own = {name: first for name, first in openings.items() if Path(name).is_relative_to(case.folder)}
        return replace(case, opened=own)


def _load(path: Path, limits: Mapping[str, float] | None) -> Case:
    path = Path(os.path.realpath(path))  # a link to itself is for the reader to refuse
    try:
        content = read_case_bytes(path)
        casefile = parse_case(content, path.name)
    except InputError as fault:
        raise InputError(dict.fromkeys((*fault.problems, *further_problems(path)))) from None
    problems = Problems()
    problems.extend(named_path_problems(path, casefile))
    problems.extend(earlier_hash_problems(path, casefile))
    profile, chosen, curve, missing = _rules(casefile, path, limits or {}, problems)
    failure_ns = _given_failure_ns(casefile)
    readings = _read(casefile, path.parent, failure_ns, chosen or read_limits(), problems)
    found = ""
    if failure_ns is None:
        failure_ns, found = _find_failure(casefile, readings, problems)
        if failure_ns is not None:
            readings = tuple(cut_to_window(reading, casefile, failure_ns) for reading in readings)
    problems.raise_if_stopped()
    if profile is None or chosen is None or failure_ns is None:
        raise InputError(tuple(problems))
    record = record_of(casefile, readings, failure_ns)
    problems.extend(_momentary(readings))
    casefile = with_job_evidence(casefile)
    return Case(
        file=casefile,
        path=path,
        readings=readings,
        record=record,
        problems=tuple(problems),
        profile=profile,
        limits=chosen,
        saturation=curve,
        saturation_missing=missing,
        failure_found=found,
        content=content,
    )


def _rules(
    casefile: CaseFile, path: Path, by_hand: Mapping[str, float], problems: Problems
) -> tuple[Profile | None, Limits | None, SaturationCurve | None, str]:
    profile: Profile | None = None
    limits: Limits | None = None
    curve: SaturationCurve | None = None
    folder, missing = path.parent, "the saturation table can't be used"
    try:
        profile = read_profile(casefile.machine.sequence, folder)
    except InputError as fault:
        problems.extend(fault.problems)
    try:
        given = {limit.name: (limit.value, limit.source) for limit in casefile.limit}
        limits = read_limits().replaced(given, file=path.name)
    except InputError as fault:
        problems.extend(fault.problems)
    try:
        wanted = {name: (value, "changed by hand for this run") for name, value in by_hand.items()}
        limits = (limits or read_limits()).replaced(wanted, given_by="run")
    except InputError as fault:
        problems.extend(fault.problems)
    try:
        curve, missing = saturation_for(casefile.machine.refrigerant, casefile.machine.saturation_table, folder)
    except InputError as fault:
        problems.extend(fault.problems)
    return profile, limits, curve, missing


def _given_failure_ns(casefile: CaseFile) -> int | None:
    if casefile.case.failure is None:
        return None
    stamp = local_to_utc(casefile.case.failure, casefile.case.time_zone)
    return round(stamp.timestamp()) * NS + stamp.microsecond * 1000


def _kept_span(casefile: CaseFile, failure_ns: int) -> Span:
    """History, window before and window after. Without ``history`` all there is before the window is kept."""
    start = failure_ns - round(casefile.case.window_before * NS)
    history = casefile.case.history
    first = EARLIEST_NS if history is None else start - round(history * NS)
    return Span(first, failure_ns + round(casefile.case.window_after * NS) + 1)


def _read(
    casefile: CaseFile, folder: Path, failure_ns: int | None, limits: Limits, problems: Problems
) -> tuple[SourceResult, ...]:
    """Read every source; those on other clocks are kept a little wider, since their offset is not known yet."""
    if failure_ns is None:
        return read_sources(casefile, folder, None, problems)
    own = _kept_span(casefile, failure_ns)
    slack_ns = round(limits["clocks.search_s"] * NS)
    wider = Span(max(own.start_ns - slack_ns, EARLIEST_NS), own.end_ns + slack_ns)
    clocks = {casefile.clock_of(source) for source in casefile.source}
    keep = {clock: own if clock == casefile.reference_clock else wider for clock in clocks}
    return read_sources(casefile, folder, keep, problems)


def _find_failure(casefile: CaseFile, readings: tuple[SourceResult, ...], problems: Problems) -> tuple[int | None, str]:
    """The last trip found; without one, the end of the record in a follow-up, which needs no failure; else ask."""
    times: list[tuple[int, str]] = []
    for reading in readings:
        for switch in reading.switches:
            if switch.role is not Role.TRIP or not len(switch):
                continue
            times += [(edge.latest_ns, reading.exhibit.path) for edge in events_of(switch) if edge.to == ON]
    if times:
        time_ns, source = max(times)
        return time_ns, f"the failure time is the last trip found, in {source}"
    ends = [(reading.last_ns, reading.exhibit.path) for reading in readings if reading.last_ns is not None]
    if casefile.follow_up is not None and ends:
        time_ns, source = max(ends)
        return time_ns, f"no failure is told or found in this follow-up: the end of {source} stands for its time"
    problems.add(
        Problem(
            "no failure time is given and no trip was found",
            file="case.toml",
            column="case.failure",
            remedy="Give case.failure, or bind a point with role trip.",
            severity=Severity.STOP,
        )
    )
    return None, ""


def cut_to_window(reading: SourceResult, casefile: CaseFile, failure_ns: int) -> SourceResult:
    """Cut points to what is kept, where the failure time was found only after reading."""
    keep = _kept_span(casefile, failure_ns)
    return replace(
        reading,
        samples=tuple(s.between(keep.start_ns, keep.end_ns) for s in reading.samples),
        switches=tuple(_cut_switch(s, keep) for s in reading.switches),
        log=tuple(line for line in reading.log if keep.holds(line.time_ns)),
    )


def _cut_switch(switch: Switch, keep: Span) -> Switch:
    chosen = (switch.t >= keep.start_ns) & (switch.t < keep.end_ns)
    return replace(switch, t=switch.t[chosen], state=switch.state[chosen], row=switch.row[chosen])


def record_of(casefile: CaseFile, readings: tuple[SourceResult, ...], failure_ns: int) -> Record:
    """All points of a case as one record, those of a role with the fastest first."""
    samples: dict[Role, list[Samples]] = {}
    switches: dict[Role, list[Switch]] = {}
    for reading in readings:
        for point in reading.samples:
            if tells_a_course(point):
                samples.setdefault(point.role, []).append(point)
        for switch in reading.switches:
            if tells_a_course(switch):
                switches.setdefault(switch.role, []).append(switch)
    window = Span(
        failure_ns - round(casefile.case.window_before * NS), failure_ns + round(casefile.case.window_after * NS)
    )
    firsts = [int(point.t[0]) for found in samples.values() for point in found]
    firsts += [int(switch.t[0]) for others in switches.values() for switch in others]
    return Record(
        samples={role: tuple(sorted(found, key=_rate)) for role, found in sorted(samples.items())},
        switches={role: tuple(sorted(found, key=_rate)) for role, found in sorted(switches.items())},
        waveforms=tuple(reading.waveform for reading in readings if reading.waveform is not None),
        log=tuple(line for reading in readings for line in reading.log),
        failure_ns=failure_ns,
        window=window,
        history=Span(min([*firsts, window.start_ns]), window.start_ns),
    )


def tells_a_course(point: Samples | Switch) -> bool:
    """Whether a point has readings at two moments at least: one of a trend tells of no course and of no interval."""
    return bool(len(point)) and (point.origin.recorded is Recorded.CHANGE or bool(np.isfinite(point.interval_s)))


def _momentary(readings: Iterable[SourceResult]) -> list[Problem]:
    """A problem for each point of a trend that was read at one moment alone: it is left out, and that is said."""
    points: list[Samples | Switch] = [point for reading in readings for point in reading.samples]
    points += [point for reading in readings for point in reading.switches]
    what = "it has a reading at one moment only, which tells of no course: it is left out"
    remedy = "Export the hours around the failure."
    return [
        Problem(f"point {p.role.value}: {what}", p.origin.source, None, p.origin.column, remedy, Severity.POINT)
        for p in points
        if len(p) and not tells_a_course(p)
    ]


def _rate(point: Samples | Switch) -> tuple[float, int, str, str]:
    """Fastest first; of equal rates the longer one, then by name, so that the order of columns changes nothing."""
    return point.interval_s, -len(point), point.origin.source, point.origin.column
