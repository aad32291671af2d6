"""One machine of the study, simulated once, recorded several ways, each record judged: plain data of what came out."""

from __future__ import annotations

import math
import time
from dataclasses import asdict
from typing import Any

from forensics.model.findings import Finding
from forensics.study.machines import BUILDS, Clock, as_case, capacity_of, simulate
from forensics.study.plan import Machine, View, band_of

HOURS = 12.0


def judge_machine(machine: Machine) -> dict[str, Any]:
    """Simulate a machine and judge each of its records.

    A record that the workbook fails on is kept with the fault: it counts as a case that was not judged, and the page
    says so.
    """
    first, *more = machine.faults or (("none", "clear", "sudden"),)
    sim = simulate(
        machine.build,
        *first,
        seed=machine.seed,
        hours=HOURS,
        also=tuple(more),
        disturbances=machine.disturbances,
    )
    about = {key: value for key, value in asdict(machine).items() if key != "views"}
    about["bypass"] = BUILDS[machine.build].has_bypass
    return {"machine": about, "cases": [_judged(sim, view) for view in machine.views]}


def _judged(sim: Any, view: View) -> dict[str, Any]:
    from forensics.investigation import weigh_case

    began = time.process_time()
    made = sim.case(
        sampling=view.sampling_s,
        points=view.points,
        without=view.without,
        dirt=view.dirt,
        recorded=view.recorded,
        fast_s=view.fast_s,
        clocks={name: Clock(name, offset_s, drift_ppm) for name, offset_s, drift_ppm in view.clocks},
    )
    row: dict[str, Any] = {**asdict(view), "band": band_of(view.sampling_s), "capacity": capacity_of(made)}
    del row["clocks"]
    try:
        done = weigh_case(as_case(made))
    except Exception as fault:  # noqa: BLE001 - whatever goes wrong in one case must not end the study
        return row | {"failed": f"{type(fault).__name__}: {fault}", "spent_s": _spent(began)}
    verdict = done.weighing.verdict
    row["verdict"] = {
        "status": verdict.status.value,
        "mode": verdict.mode,
        "grade": None if verdict.grade is None else verdict.grade.value,
        "also": list(verdict.also),
    }
    row["hypotheses"] = {h.mode: [_word(h.grade), _finite(h.decibans)] for h in done.weighing.hypotheses}
    row["findings"] = [_finding(finding) for finding in done.findings]
    return row | {"failed": "", "spent_s": _spent(began)}


def _spent(began: float) -> float:
    return round(time.process_time() - began, 4)


def _word(grade: Any) -> str:
    return "" if grade is None else str(grade.value)


def _finding(finding: Finding) -> list[Any]:
    """Check, outcome, value, low, high, limit, side, unit, samples, smallest effect that would have been seen."""
    numbers = (finding.value, finding.low, finding.high, finding.limit)
    return [
        finding.check,
        finding.outcome.value,
        *(_finite(number) for number in numbers),
        finding.above,
        finding.unit,
        finding.samples,
        _finite(getattr(finding, "detectable", None)),
    ]


FINDING = ("check", "outcome", "value", "low", "high", "limit", "above", "unit", "samples", "detectable")


def _finite(number: float | None) -> float | None:
    """A number to six digits; what is not finite is not told."""
    return float(f"{number:.6g}") if number is not None and math.isfinite(number) else None
