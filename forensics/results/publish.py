"""Write an investigation as the public findings file: plain rows, UTC stamps, canonical bytes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Literal

from forensics.intake import SourceResult
from forensics.investigation import Investigation
from forensics.model.findings import Finding, Start, Stop, SwitchEvent
from forensics.model.points import OFF, ON, Reading, iso
from forensics.model.vocabulary import Mode, Role
from forensics.results.schema import (
    CaseRow,
    CiteRow,
    ClockRow,
    EventRow,
    FactRow,
    FindingRow,
    FindingsFile,
    HypothesisRow,
    MachineRow,
    ObservabilityRow,
    OrderRow,
    OverrideRow,
    ReadingRow,
    ReproduceRow,
    RobustnessRow,
    SoftwareRow,
    SourceRow,
    StartRow,
    StateRow,
    StopRow,
    UnloadedStartsRow,
    VerdictRow,
)

CLAIM_FACTS = (
    "in_period",
    "restarts_after_trip",
    "supply_in_tolerance",
    "operated_in_limits",
    "settings_changed",
    "maintenance_done",
    "earlier_repair",
    "parts_retained",
)
NOT_SEARCHED = "not searched"


def to_findings_file(investigation: Investigation) -> FindingsFile:
    """The whole contract from one investigation; no key is missing."""
    casefile = investigation.casefile
    machine = casefile.machine
    return FindingsFile(
        case=CaseRow(
            id=casefile.case.id,
            site=casefile.case.site,
            machine_tag=casefile.case.machine_tag,
            failure_utc=iso(investigation.record.failure_ns),
            revision=casefile.case.revision,
        ),
        machine=MachineRow(
            refrigerant=machine.refrigerant,
            starter=machine.starter,
            rated_load_amps=machine.rated_load_amps,
            run_hours=machine.run_hours,
            start_count=machine.start_count,
            serial=machine.serial,
        ),
        verdict=_verdict(investigation),
        hypotheses=[
            HypothesisRow(
                mode=Mode(row.mode),
                grade=row.grade,
                for_=list(row.for_),
                against=list(row.against),
                cannot_tell=list(row.cannot_tell),
                next_test=row.next_test,
            )
            for row in investigation.weighing.hypotheses
        ],
        findings=[_finding(finding) for finding in investigation.findings],
        events=[_event(event) for event in investigation.events],
        order=[OrderRow(a=row.a, b=row.b, order=row.order) for row in investigation.order],
        starts=[_start(start) for start in investigation.starts],
        unloaded_starts=_share(investigation),
        stops=[_stop(stop) for stop in investigation.stops],
        states=[
            StateRow(state=s.state, from_utc=iso(s.start_ns), to_utc=iso(s.end_ns), inferred=s.inferred)
            for s in investigation.spans
        ],
        clocks=_clocks(investigation),
        sources=[_source(reading) for reading in investigation.readings],
        observability=_observability(investigation),
        robustness=[
            RobustnessRow(changed=r.changed, verdict=r.verdict, flips=r.flips)
            for r in investigation.weighing.robustness
        ],
        facts=claim_facts(investigation),
        assumptions=list(investigation.assumptions),
        overrides=[
            OverrideRow(limit=limit.name, value=limit.value, default=limit.default, source=limit.basis)
            for limit in investigation.limits.overridden
        ],
        software=SoftwareRow(
            version=investigation.version,
            packages=dict(investigation.packages),
            rules_sha256=investigation.rules_sha256,
        ),
        reproduce=ReproduceRow(
            command=f"forensics report {investigation.case.path.name} --out report",
            inputs_sha256=investigation.inputs_sha256,
        ),
    )


def _verdict(investigation: Investigation) -> VerdictRow:
    verdict = investigation.weighing.verdict
    return VerdictRow(
        status=verdict.status,
        mode=None if verdict.mode is None else Mode(verdict.mode),
        grade=verdict.grade,
        also=[Mode(mode) for mode in verdict.also],
        chain=list(verdict.chain),
        statement=verdict.statement,
        because=list(verdict.because),
        against=list(verdict.against),
        would_change_it=list(verdict.would_change_it),
    )


def _stamp(time_ns: int | None) -> str | None:
    return None if time_ns is None else iso(time_ns)


def _finding(finding: Finding) -> FindingRow:
    return FindingRow(
        id=finding.id,
        check=finding.check,
        outcome=finding.outcome,
        from_utc=_stamp(finding.from_ns),
        to_utc=_stamp(finding.to_ns),
        value=finding.value,
        low=finding.low,
        high=finding.high,
        unit=finding.unit,
        limit=finding.limit,
        basis=finding.basis,
        cites=[CiteRow(source=c.source, column=c.column, rows=c.rows) for c in finding.cites],
        sample_interval_s=finding.sample_interval_s,
        statement=finding.statement,
        why_not=finding.why_not,
    )


def _readings(readings: Mapping[Role, Reading]) -> dict[str, ReadingRow]:
    return {role.value: ReadingRow(value=r.value, age_s=r.age_s) for role, r in readings.items()}


def _event(event: SwitchEvent) -> EventRow:
    word: Literal["on", "off", "unknown"] = "on" if event.to == ON else "off" if event.to == OFF else "unknown"
    return EventRow(
        earliest_utc=iso(event.earliest_ns),
        latest_utc=iso(event.latest_ns),
        point=event.role.value,
        to=word,
        before=_readings(event.before),
        after=_readings(event.after),
    )


def _start(start: Start) -> StartRow:
    return StartRow(
        time_utc=iso(start.time_ns),
        inrush_amps=start.inrush_amps,
        settled_amps=start.settled_amps,
        ratio=start.ratio,
        low=start.low,
        high=start.high,
        unloaded=start.unloaded,
        reverse_rotation=start.reverse_rotation,
        previous_stop=start.previous_stop,
    )


def _stop(stop: Stop) -> StopRow:
    basis: Literal["measured", "inferred"] | None = None
    if stop.reverse_basis is not None:
        basis = "measured" if stop.reverse_basis == "measured" else "inferred"
    return StopRow(
        time_utc=iso(stop.time_ns),
        kind=stop.kind,
        reverse_rotation=stop.reverse_rotation,
        reverse_basis=basis,
        bypass_released=stop.bypass_released,
        equal_at_motor_off=stop.equal_at_motor_off,
        equalisation_time_constant_s=stop.equalisation_time_constant_s,
        high_side_decay_s=stop.high_side_decay_s,
        residual_difference_kpa=stop.residual_difference_kpa,
    )


def _share(investigation: Investigation) -> UnloadedStartsRow:
    share = investigation.unloaded_starts
    return UnloadedStartsRow(
        count=share.count,
        of=share.of,
        cannot_tell=share.cannot_tell,
        fraction=share.fraction,
        low=share.low,
        high=share.high,
    )


def _clocks(investigation: Investigation) -> list[ClockRow]:
    return [
        ClockRow(
            clock=fit.clock,
            offset_s=fit.offset_s,
            uncertainty_s=fit.uncertainty_s,
            drift_ppm=fit.drift_ppm,
            utc_error_s=fit.utc_error_s,
            method=fit.method,
            candidates_s=list(fit.candidates_s),
        )
        for fit in investigation.clocks
    ]


def _source(reading: SourceResult) -> SourceRow:
    return SourceRow(
        path=reading.exhibit.path,
        sha256=reading.exhibit.sha256,
        bytes=reading.exhibit.size,
        rows_read=reading.accounting.rows_read,
        rows_kept=reading.accounting.rows_kept,
        set_aside=dict(reading.accounting.set_aside),
        cells_missing=dict(reading.accounting.cells_missing),
    )


def _observability(investigation: Investigation) -> list[ObservabilityRow]:
    rows = []
    for row in investigation.weighing.observability:
        word: Literal["yes", "partly", "no"] = (
            "yes" if row.observable == "yes" else "partly" if row.observable == "partly" else "no"
        )
        rows.append(ObservabilityRow(mode=Mode(row.mode), observable=word, why=row.why, unlocked_by=row.unlocked_by))
    return rows


def claim_facts(investigation: Investigation) -> list[FactRow]:
    """Claim-relevant facts: those of the case with their source, the usual others as not searched."""
    given = investigation.casefile.fact
    rows = [
        FactRow(what=fact.what, value=_word(fact.value), source=fact.source or "source not given") for fact in given
    ]
    have = {fact.what for fact in given}
    rows += [FactRow(what=what, value=NOT_SEARCHED, source=NOT_SEARCHED) for what in _missing(CLAIM_FACTS, have)]
    return rows


def _missing(wanted: Iterable[str], have: set[str]) -> list[str]:
    return [what for what in wanted if what not in have]


def _word(value: str | bool | float) -> str:  # noqa: FBT001 - the value itself, not an option
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)
