"""One machine of the study, simulated once, recorded several ways, each record judged: plain data of what came out."""

from __future__ import annotations

import math
import time
from dataclasses import asdict
from functools import cache
from typing import Any

from forensics.hypotheses import Evidence
from forensics.hypotheses.scale import Scale, by_words, each_by_itself, read_scale
from forensics.hypotheses.weigher import Weigher
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
    row["hypotheses"]["unlisted"] = ["", _finite(done.weighing.unlisted.decibans)]
    row["ablation"] = {name: _without(done.evidence, scale) for name, scale in _scales().items()}
    row["findings"] = [_finding(finding) for finding in done.findings]
    return row | {"failed": "", "spent_s": _spent(began)}


@cache
def _scales() -> dict[str, Scale]:
    """Scales that lack something of the one in use: what an ablation holds against it."""
    scale = read_scale()
    return {
        "in use": scale,
        "trade's words": read_scale(with_study=False),
        "words without amounts": by_words(scale),
        "nothing explained away": each_by_itself(scale),
    }


def _without(evidence: Evidence, scale: Scale) -> dict[str, Any]:
    """Status, mode, further modes and decibans by another scale, before sensitivity takes anything back."""
    judged = Weigher(evidence, scale=scale).judge(evidence.findings)
    verdict = judged.judgement
    return {
        "status": verdict.status.value,
        "mode": verdict.cause,
        "also": list(verdict.also),
        "db": {mode: _finite(one.net) for mode, one in judged.tallies.items()},
    }


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
