"""Short demonstration runs as cases on the tests' own disk, and the ways in which the laws change them."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

from forensics.demo.exports import STANDARD_ROLES, write_case
from forensics.demo.layout import CaseSheet, Export
from forensics.demo.scenarios import Run, Scenario, short_run

from forensics.clocks import align, fit_clocks
from forensics.intake.load_case import Case, load_case
from forensics.investigation import look
from forensics.model.findings import Finding
from forensics.model.points import Samples
from forensics.model.record import Record
from forensics.model.switches import Switch
from forensics.model.vocabulary import Outcome, Recorded, Role
from forensics.signatures.core.catalogue import all_detectors, run_catalogue

ROLES = (*STANDARD_ROLES, "amps_a", "amps_b", "amps_c", "volts_ab", "volts_bc", "volts_ca", "motor_power")
SI = (Export("exports/trend.csv", ROLES, inch_pound=False), Export("exports/alarms.csv"))


# a drift is told over an hour of running at least (slide.drift_minutes): so many cycles of 12 to 15 min
# hold one in the windows in which it is told
_CYCLES = {"load-solenoid-leaking": 7, "unload-solenoid-leaking": 14}


@lru_cache(maxsize=32)
def made_run(
    fault: str, seed: int = 5, interval_s: float = 1.0, base: Scenario | None = None, cycles: int | None = None
) -> Run:
    """A few short cycles of a fault, three where no drift is to be told, the first of them healthy."""
    count = cycles or _CYCLES.get(fault, 3)
    return short_run(fault, seed, cycles=count, healthy_cycles=1, interval_s=interval_s, base=base)


def written(run: Run, exports: Sequence[Export] = SI) -> Case:
    """The run as a case that was written and read again; judged at its event, or else at its last stop."""
    event_s = run.truth["event_s"]
    stops: list[dict[str, float]] = run.truth["stops"]  # type: ignore[assignment]
    last_s = stops[-1]["time_s"] if stops else float(run.time_s[-1])
    failure_s = last_s if event_s is None else float(str(event_s))
    sheet = CaseSheet("law", "Law", "Plant", failure_s=failure_s, window_before="40min")
    with tempfile.TemporaryDirectory() as folder:
        return load_case(write_case(run, Path(folder), sheet=sheet, exports=exports))


@lru_cache(maxsize=32)
def made_case(fault: str) -> Case:
    """A fault's short run as a case."""
    return written(made_run(fault))


def findings_of(case: Case, record: Record | None = None) -> tuple[Finding, ...]:
    """Every finding on a case, or on another record in its place."""
    found = case.record if record is None else record
    return run_catalogue(look(case, align(found, fit_clocks(found, case.file))), all_detectors())


def outcomes_of(findings: Sequence[Finding]) -> dict[str, Outcome]:
    """One outcome a check: present if any finding of it is, absent if all are."""
    told: dict[str, set[Outcome]] = {}
    for finding in findings:
        told.setdefault(finding.check, set()).add(finding.outcome)
    return {
        check: Outcome.PRESENT if Outcome.PRESENT in seen else seen.pop() if len(seen) == 1 else Outcome.CANNOT_TELL
        for check, seen in told.items()
    }


@lru_cache(maxsize=32)
def base_outcomes(fault: str) -> dict[str, Outcome]:
    """Outcomes on the whole record of a fault."""
    return outcomes_of(findings_of(made_case(fault)))


def thinned(record: Record, factor: int, phase: int) -> Record:
    """Every n-th row of what is sampled by time; event lists and waveforms stay as they are."""
    cut = slice(phase, None, factor)

    def samples(point: Samples) -> Samples:
        if point.origin.recorded is Recorded.CHANGE:
            return point
        return replace(point, t=point.t[cut], v=point.v[cut], q=point.q[cut], row=point.row[cut])

    def switch(point: Switch) -> Switch:
        if point.origin.recorded is Recorded.CHANGE:
            return point
        return replace(point, t=point.t[cut], state=point.state[cut], row=point.row[cut])

    return replace(
        record,
        samples={role: tuple(map(samples, found)) for role, found in record.samples.items()},
        switches={role: tuple(map(switch, found)) for role, found in record.switches.items()},
    )


def without(record: Record, role: Role) -> Record:
    """The record without one role."""
    return replace(
        record,
        samples={r: p for r, p in record.samples.items() if r is not role},
        switches={r: p for r, p in record.switches.items() if r is not role},
    )
