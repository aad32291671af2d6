"""Write an investigation as the public findings file: plain rows, UTC stamps, canonical bytes."""

from __future__ import annotations

import math
from collections.abc import Iterable
from statistics import median
from typing import TypeVar

from pydantic import BaseModel

from forensics.hypotheses import Unlisted
from forensics.intake import SourceResult
from forensics.investigation import Investigation
from forensics.model.findings import Start, Stop, SwitchEvent
from forensics.model.points import OFF, ON, UNKNOWN, iso
from forensics.model.record import Record
from forensics.model.vocabulary import Grade, VerdictStatus
from forensics.results.follow_up import action_facts, follow_up_facts
from forensics.results.machine_rows import ClockRow, EventRow, OrderRow, StartRow, StateRow, StopRow, UnloadedStartsRow
from forensics.results.schema import (
    CaseRow,
    ErrorRateRow,
    FactRow,
    FindingRow,
    FindingsFile,
    HypothesisRow,
    MachineRow,
    ObservabilityRow,
    OverrideRow,
    ReproduceRow,
    RobustnessRow,
    SoftwareRow,
    SourceRow,
    UnlistedRow,
    VerdictRow,
)
from forensics.rules.error_rate import SOUND, error_rate_of

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
_WORDS = {ON: "on", OFF: "off", UNKNOWN: "unknown"}
OF_EVERY_STOP = frozenset(
    {"time_utc", "kind", "reverse_rotation", "reverse_basis", "bypass_released", "equal_at_motor_off"}
)

Row = TypeVar("Row", bound=BaseModel)


def to_findings_file(investigation: Investigation) -> FindingsFile:
    """The whole contract from one investigation; no key is missing."""
    casefile, weighing = investigation.casefile, investigation.weighing
    command = f"forensics report {investigation.case.path.name} --out report"
    return FindingsFile(
        case=row_of(CaseRow, casefile.case, failure_utc=iso(investigation.record.failure_ns)),
        machine=row_of(MachineRow, casefile.machine),
        verdict=row_of(VerdictRow, weighing.verdict, error_rate=_error_rate(investigation)),
        hypotheses=[*_rows(HypothesisRow, weighing.hypotheses), _unlisted(weighing.unlisted)],
        findings=[
            row_of(FindingRow, finding, strength=weighing.strength.get(finding.id))
            for finding in investigation.findings
        ],
        events=[_event(event) for event in investigation.events],
        order=_rows(OrderRow, investigation.order),
        starts=[_start(start) for start in investigation.starts],
        unloaded_starts=row_of(UnloadedStartsRow, investigation.unloaded_starts),
        stops=[_stop(stop) for stop in investigation.stops],
        states=[
            row_of(StateRow, span, from_utc=iso(span.start_ns), to_utc=iso(span.end_ns)) for span in investigation.spans
        ],
        clocks=_rows(ClockRow, investigation.clocks),
        sources=[_source(reading) for reading in investigation.readings],
        observability=_rows(ObservabilityRow, weighing.observability),
        robustness=_rows(RobustnessRow, weighing.robustness),
        facts=[
            *claim_facts(investigation),
            *action_facts(investigation.casefile.action),
            *follow_up_facts(investigation),
        ],
        assumptions=list(investigation.assumptions),
        overrides=[
            row_of(OverrideRow, limit, limit=limit.name, source=limit.basis)
            for limit in investigation.limits.overridden
        ],
        software=row_of(SoftwareRow, investigation, packages=dict(investigation.packages)),
        reproduce=row_of(ReproduceRow, investigation, command=command),
    )


def row_of(model: type[Row], result: object, **given: object) -> Row:
    """The published row of a result: every field is the attribute of its name, a stamp that of its nanoseconds.

    Parameters
    ----------
    given
        Fields that the result does not hold under their published name.

    Raises
    ------
    AttributeError
        The result lacks a field that is published: the two have drifted apart.
    """
    values = dict(given)
    for name in model.model_fields:
        if name in values:
            continue
        if name.endswith("_utc"):
            time_ns = getattr(result, name.removesuffix("_utc") + "_ns")
            values[name] = None if time_ns is None else iso(time_ns)
        else:
            values[name] = getattr(result, name)
    return model.model_validate(values)


def _rows(model: type[Row], results: Iterable[object]) -> list[Row]:
    return [row_of(model, result) for result in results]


def _error_rate(investigation: Investigation) -> ErrorRateRow | None:
    """How often verdicts as this one were right in the study; None for those that it has no rate of."""
    verdict = investigation.weighing.verdict
    sound = verdict.status is VerdictStatus.NO_FAULT_FOUND
    grade = Grade.PROBABLE if sound else verdict.grade
    if grade is None:
        return None
    capacity = getattr(investigation.casefile.machine, "capacity", None)
    found = error_rate_of(SOUND if sound else grade.value, capacity, sampling_of(investigation.record))
    return None if found is None else row_of(ErrorRateRow, found, grade=grade)


def sampling_of(record: Record) -> float | None:
    """Interval of the trend, s: the middle one of all readings, each by its slowest log; None without readings."""
    slowest = [max(one.interval_s for one in found) for found in record.samples.values() if found]
    known = [interval_s for interval_s in slowest if math.isfinite(interval_s)]
    return median(known) if known else None


def _unlisted(unlisted: Unlisted) -> UnlistedRow:
    nothing: list[str] = []
    return UnlistedRow(
        mode="unlisted",
        grade=None,
        for_=nothing,
        against=nothing,
        cannot_tell=nothing,
        next_test="",
        decibans=unlisted.decibans,
        plain=unlisted.reason,
        detail=None,
    )


def _event(event: SwitchEvent) -> EventRow:
    return row_of(EventRow, event, point=event.role.value, to=_WORDS[event.to])


def _stop(stop: Stop) -> StopRow:
    """Every number of a stop with its interval, and whether only a bound of it is known."""
    numbers: dict[str, object] = {name: None for name in StopRow.model_fields if name not in OF_EVERY_STOP}
    for name, bounds in stop.bounded.items():
        numbers[name], numbers[f"{name}_low"], numbers[f"{name}_high"] = bounds.value, bounds.low, bounds.high
        numbers[f"{name}_censored"] = bounds.censored or None
    return row_of(StopRow, stop, **numbers)


def _start(start: Start) -> StartRow:
    numbers: dict[str, object] = {"ratio_censored": start.ratio_censored or None}
    for name, low, high, censored in (
        ("inrush_amps", start.inrush_low, start.inrush_high, start.inrush_censored),
        ("settled_amps", start.settled_low, start.settled_high, start.settled_censored),
    ):
        numbers |= {f"{name}_low": low, f"{name}_high": high, f"{name}_censored": censored or None}
    return row_of(StartRow, start, **numbers)


def _source(reading: SourceResult) -> SourceRow:
    told = reading.accounting
    exhibit = reading.exhibit
    return row_of(SourceRow, told, path=exhibit.path, sha256=exhibit.sha256, bytes=exhibit.size)


def claim_facts(investigation: Investigation) -> list[FactRow]:
    """Claim-relevant facts: those of the case with their source, the usual others as not searched."""
    given = investigation.casefile.fact
    rows = [
        FactRow(what=fact.what, value=_word(fact.value), source=fact.written or "source not given") for fact in given
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
