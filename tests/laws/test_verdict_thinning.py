"""Thinned or removed data never make a confident verdict that the whole record did not give."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from forensics.intake.load_case import Case, load_case
from forensics.investigation import judge
from forensics.model.points import Samples
from forensics.model.record import Record
from forensics.model.switches import Switch
from forensics.model.vocabulary import Grade, Recorded, VerdictStatus

CASES = ("case-03", "case-06", "case-12", "case-13", "case-19", "case-22", "case-27", "case-29")


def _thin_samples(point: Samples, factor: int, phase: int) -> Samples:
    if point.origin.recorded is Recorded.CHANGE:
        return point
    kept = slice(phase, None, factor)
    return replace(point, t=point.t[kept], v=point.v[kept], q=point.q[kept], row=point.row[kept])


def _thin_switch(point: Switch, factor: int, phase: int) -> Switch:
    if point.origin.recorded is Recorded.CHANGE:
        return point
    kept = slice(phase, None, factor)
    return replace(point, t=point.t[kept], state=point.state[kept], row=point.row[kept])


def thinned(record: Record, factor: int, phase: int) -> Record:
    """Every n-th row of what is sampled; event lists and waveforms stay as they are."""
    return replace(
        record,
        samples={r: tuple(_thin_samples(p, factor, phase) for p in found) for r, found in record.samples.items()},
        switches={r: tuple(_thin_switch(p, factor, phase) for p in found) for r, found in record.switches.items()},
    )


@pytest.fixture(scope="module")
def loaded(shared: Path) -> dict[str, Case]:
    folder = shared / "incidents" / "cases"
    if not folder.is_dir():
        pytest.skip("../shared/incidents is not here")
    return {name: load_case(folder / name / "case.toml") for name in CASES if (folder / name).is_dir()}


@pytest.mark.slow
@pytest.mark.parametrize(("factor", "phase"), [(2, 1), (7, 3), (30, 11), (120, 60)])
def test_thinning_takes_a_verdict_away_or_leaves_it(loaded: dict[str, Case], factor: int, phase: int) -> None:
    for name, case in loaded.items():
        base = judge(case).weighing
        thin = judge(replace(case, record=thinned(case.record, factor, phase))).weighing
        assert thin.verdict.mode in {base.verdict.mode, *base.verdict.also, None}, (name, factor)
        if base.verdict.status is VerdictStatus.DETERMINED:
            assert thin.verdict.status is not VerdictStatus.NO_FAULT_FOUND, (name, factor)
            assert thin.hypothesis(str(base.verdict.mode)).grade is not Grade.EXCLUDED, (name, factor)


@pytest.mark.slow
def test_removing_a_point_takes_a_verdict_away_or_leaves_it(loaded: dict[str, Case]) -> None:
    for name in ("case-06", "case-13", "case-29"):
        case = loaded[name]
        base = judge(case).weighing.verdict
        for role in (*case.record.samples, *case.record.switches):
            record = replace(
                case.record,
                samples={r: p for r, p in case.record.samples.items() if r is not role},
                switches={r: p for r, p in case.record.switches.items() if r is not role},
            )
            found = judge(replace(case, record=record)).weighing.verdict
            assert found.mode in {base.mode, *base.also, None}, (name, role)
            assert found.status is not VerdictStatus.NO_FAULT_FOUND, (name, role)
