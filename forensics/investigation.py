"""Compose the pure steps in order: case, clocks, states, signatures, hypotheses. No cleverness.

The result is one frozen object; :func:`to_findings_file` writes it as the public findings file.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from importlib import metadata
from pathlib import Path

from forensics.case.schema import CaseFile
from forensics.clocks import ClockFit, NamedEvent, align, events_near, fit_clocks, order_all
from forensics.errors import Problem
from forensics.hypotheses import Evidence, Weighing, read_modes, weigh
from forensics.hypotheses.readiness import logged_points, taken_for_granted
from forensics.intake import SourceResult, check_untouched
from forensics.intake.load_case import Case, load_case
from forensics.machine.built.build import contradicting_keys, machine_assumed
from forensics.machine.built.profile_evidence import commands_doubted, profile_problems, profile_told
from forensics.machine.citations import FileRows, cites_by_file
from forensics.machine.duty.line_amps import as_line_amps, place_unsure
from forensics.machine.solenoid_events import solenoid_events
from forensics.machine.starts.start_table import list_starts, unloaded_share
from forensics.machine.states import StateSpan, cut_states, find_runs
from forensics.machine.stops.stop_table import list_stops
from forensics.machine.subject import Subject
from forensics.machine.trip_words import tripped_on
from forensics.model.findings import Finding, Ordered, Share, Start, Stop, SwitchEvent
from forensics.model.record import Record
from forensics.model.silence import with_silences
from forensics.model.vocabulary import Starter
from forensics.rules import Limits, read_checks, rules_sha256
from forensics.signatures.core.catalogue import all_detectors, meaningless_for, run_catalogue
from forensics.signatures.core.named_by_trip import open_what_the_trip_names

PACKAGES = (
    "numpy",
    "pandas",
    "pyarrow",
    "scipy",
    "plotly",
    "papermill",
    "pydantic",
    "comtrade",
    "CoolProp",
)


@dataclass(frozen=True)
class Investigation:
    """Everything that a report is made from."""

    case: Case
    clocks: tuple[ClockFit, ...]
    subject: Subject
    events: tuple[SwitchEvent, ...]
    near: tuple[NamedEvent, ...]
    order: tuple[Ordered, ...]
    unloaded_starts: Share
    findings: tuple[Finding, ...]
    weighing: Weighing
    assumptions: tuple[str, ...]
    problems: tuple[Problem, ...]
    packages: Mapping[str, str]
    version: str
    rules_sha256: str
    inputs_sha256: str

    @property
    def casefile(self) -> CaseFile:
        """The case file."""
        return self.case.file

    @property
    def readings(self) -> tuple[SourceResult, ...]:
        """Sources as read, with their accounting."""
        return self.case.readings

    @property
    def record(self) -> Record:
        """The record on the reference clock."""
        return self.subject.record

    @property
    def spans(self) -> tuple[StateSpan, ...]:
        """Operating states."""
        return self.subject.spans

    @property
    def starts(self) -> tuple[Start, ...]:
        """Starts in time order, history included."""
        return self.subject.starts

    @property
    def stops(self) -> tuple[Stop, ...]:
        """Stops in time order, history included."""
        return self.subject.stops

    @property
    def limits(self) -> Limits:
        """Limits in use."""
        return self.case.limits


def investigate(path: Path, *, limits: Mapping[str, float] | None = None) -> Investigation:
    """Investigate a case from its file to the weighed hypotheses.

    Parameters
    ----------
    path
        The case file.
    limits
        Limits changed by hand for this run, by name.

    Raises
    ------
    InputError
        What must be corrected first: all problems of all files at once.
    """
    return judge(load_case(path, limits=limits))


@dataclass(frozen=True)
class WeighedCase:
    """What judging a case comes to, before it is dressed for a report."""

    clocks: tuple[ClockFit, ...]
    subject: Subject
    findings: tuple[Finding, ...]
    near: tuple[NamedEvent, ...]
    order: tuple[Ordered, ...]
    evidence: Evidence
    weighing: Weighing


def weigh_case(case: Case) -> WeighedCase:
    """Put a case on one clock, look for every signature and weigh the causes; nothing is read from disk."""
    clocks = fit_clocks(case.record, case.file, case.limits)
    record = align(case.record, clocks, case.limits)
    subject = look(case, record)
    record = subject.record
    findings = open_what_the_trip_names(subject, run_catalogue(subject, all_detectors()))
    near = events_near(record, case.limits)
    order = order_all(near, record)
    evidence = _evidence(case, subject, findings, order)
    return WeighedCase(
        clocks=clocks,
        subject=subject,
        findings=findings,
        near=near,
        order=order,
        evidence=evidence,
        weighing=weigh(evidence),
    )


def judge(case: Case) -> Investigation:
    """Judge a case that was read, and look once more at the files that it was read from."""
    done = weigh_case(case)
    return Investigation(
        case=case,
        clocks=done.clocks,
        subject=done.subject,
        events=solenoid_events(done.subject),
        near=done.near,
        order=done.order,
        unloaded_starts=unloaded_share(done.subject.starts),
        findings=_cited_by_file(done.findings, case.readings),
        weighing=done.weighing,
        assumptions=(
            *_assumptions(case, done.clocks, done.subject),
            *machine_assumed(done.subject.profile, done.subject.build),
        ),
        problems=(
            *case.problems,
            *contradicting_keys(case.file.machine, case.profile, case.path.name),
            *profile_problems(done.subject),
            *check_untouched([reading.exhibit for reading in case.readings]),
        ),
        packages=_packages(),
        version=metadata.version("screw-forensics"),
        rules_sha256=rules_sha256(),
        inputs_sha256=_inputs_sha256(case),
    )


def _cited_by_file(findings: tuple[Finding, ...], readings: tuple[SourceResult, ...]) -> tuple[Finding, ...]:
    """Findings whose citations name the file of a source that has several."""
    files: dict[str, list[FileRows]] = {}
    for reading in readings:
        if reading.joined_as:
            files.setdefault(reading.joined_as, []).append(FileRows(reading.exhibit.path, *reading.rows))
    if not files:
        return findings
    return tuple(replace(finding, cites=cites_by_file(finding.cites, files)) for finding in findings)


def look(case: Case, record: Record) -> Subject:
    """Cut the record into runs and states and list its starts and stops."""
    rated = case.file.machine.rated_load_amps
    least_s, times_usual = case.limits["states.silence_s"], case.limits["states.silence_times"]
    record = with_silences(as_line_amps(record, case.file.machine), least_s=least_s, times_usual=times_usual)
    on_drive = case.file.machine.starter is Starter.VARIABLE_SPEED
    runs = find_runs(record, case.limits, rated_load_amps=rated, on_drive=on_drive)
    subject = Subject(
        record=record,
        runs=runs,
        spans=cut_states(record, runs, case.profile, case.limits, rated_load_amps=rated),
        limits=case.limits,
        profile=case.profile,
        machine=case.file.machine,
        polarity_confirmed=case.file.machine.sequence_confirmed,
        saturation=case.saturation,
        saturation_missing=case.saturation_missing,
        observations=case.file.observation,
    )
    subject = replace(subject, stops=list_stops(subject))
    return replace(subject, starts=list_starts(subject))


def evidence_of(work: Investigation, findings: tuple[Finding, ...] | None = None) -> Evidence:
    """What a case is weighed on: to weigh it again on findings that were graded by other limits."""
    return _evidence(work.case, work.subject, work.findings if findings is None else findings, work.order)


def _evidence(case: Case, subject: Subject, findings: tuple[Finding, ...], order: tuple[Ordered, ...]) -> Evidence:
    record = subject.record
    return Evidence(
        findings=findings,
        starts=subject.starts,
        stops=subject.stops,
        failure_ns=record.failure_ns,
        window=record.window,
        modes=read_modes(read_checks()),
        limits=case.limits,
        machine=case.file.machine,
        polarity_confirmed=case.file.machine.sequence_confirmed and not commands_doubted(subject),
        points=logged_points(record),
        sources=tuple(source.path for source in case.file.source),
        clock_uncertainty_s=record.clock_uncertainty_s,
        observations=case.file.observation,
        measurements=case.file.measurement,
        facts=case.file.fact,
        order=order,
        time_zone=case.file.case.time_zone,
        log=record.log,
        impossible=meaningless_for(subject).modes,
        voided=meaningless_for(subject).voids,
        tripped_on=tripped_on(subject),
    )


def _assumptions(case: Case, clocks: tuple[ClockFit, ...], subject: Subject) -> tuple[str, ...]:
    """What was taken for granted, said in words."""
    unsure = place_unsure(subject)
    sensors = (f"{unsure[0].upper()}{unsure[1:]}.",) if unsure else ()
    return (
        *taken_for_granted(case, clocks, sensors=sensors),
        *machine_assumed(subject.profile, subject.build),
        *profile_told(subject),
    )


def _packages() -> dict[str, str]:
    """Versions of what results rest on; what is not installed had no part in them."""
    found = {}
    for name in PACKAGES:
        with suppress(metadata.PackageNotFoundError):
            found[name] = metadata.version(name)
    return found


def _inputs_sha256(case: Case) -> str:
    digest = hashlib.sha256(case.content)
    for reading in sorted(case.readings, key=lambda r: r.exhibit.path):
        digest.update(f"{reading.exhibit.path}\0{reading.exhibit.sha256}\n".encode())
    return digest.hexdigest()
