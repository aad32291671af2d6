"""Laws of the verdict: order, thinning, polarity, remarks."""

from __future__ import annotations

import sys
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from forensics.case.schema import Observation
from forensics.hypotheses import Evidence, Modes, Weighing, weigh
from forensics.model.findings import Finding
from forensics.model.vocabulary import Grade, Outcome, VerdictStatus

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "unit"))
from hypotheses.made import evidence, finding, named_checks, shipped

CHECKS = sorted(named_checks())
CAUSES = [mode.id for mode in shipped().causes if not mode.not_yet_seen]
LATER = datetime(2030, 3, 20, 9, 0)


def picture(mode: str) -> set[str]:
    return {s.check for s in shipped()[mode].for_ if s.outcome == "present" and s.weight != "weak"}


@st.composite
def cases(draw: st.DrawFn, chance_max: int = 3) -> Evidence:
    """Cases around one mode's picture, with some chance findings and some that can't tell."""
    mode = draw(st.sampled_from(CAUSES))
    chance = draw(st.sets(st.sampled_from(CHECKS), max_size=chance_max))
    silent = draw(st.sets(st.sampled_from(CHECKS), max_size=25))
    told = {c: finding(c, "cannot-tell") for c in silent - picture(mode)}
    trip = draw(st.sampled_from([None, "LOW OIL DIFFERENTIAL"]))
    return evidence(picture(mode) | chance, findings=told, trip=trip)


def essence(weighing: Weighing) -> object:
    return weighing.verdict, {row.mode: row for row in weighing.hypotheses}, weighing.robustness


@given(cases(), st.randoms(use_true_random=False))
@settings(max_examples=40)
def test_the_order_of_findings_and_modes_changes_nothing(case: Evidence, random: object) -> None:
    shuffled = list(case.findings)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    names = list(case.modes.by_id)
    random.shuffle(names)  # type: ignore[attr-defined]
    other = replace(case, findings=tuple(shuffled), modes=Modes({n: case.modes[n] for n in names}))
    assert essence(weigh(case)) == essence(weigh(other))


@given(cases(chance_max=0), st.data())
@settings(max_examples=60)
def test_removing_data_never_makes_a_confident_verdict_out_of_a_determined_one(
    case: Evidence, data: st.DataObject
) -> None:
    """Where one fault is determined, removing data may take the verdict away, never put another in its place."""
    base = weigh(case).verdict
    if base.status is not VerdictStatus.DETERMINED:
        return
    gone = data.draw(st.sets(st.sampled_from(CHECKS), max_size=len(CHECKS)))
    thin = tuple(replace(f, outcome=Outcome.CANNOT_TELL) if f.check in gone else f for f in case.findings)
    found = weigh(replace(case, findings=thin)).verdict
    assert found.mode in {base.mode, *base.also, None}


@given(cases(chance_max=0))
@settings(max_examples=40)
def test_a_machine_is_not_cleared_by_taking_away_all_that_could_show_a_usual_fault(case: Evidence) -> None:
    mode = weigh(case).verdict.mode
    if mode is None or not shipped()[mode].needed_to_clear:
        return
    gone = set(shipped()[mode].checks)
    thin = tuple(replace(f, outcome=Outcome.CANNOT_TELL) if f.check in gone else f for f in case.findings)
    assert weigh(replace(case, findings=thin)).verdict.status is not VerdictStatus.NO_FAULT_FOUND


@given(cases(), st.data())
@settings(max_examples=40)
def test_removing_data_never_excludes_a_mode(case: Evidence, data: st.DataObject) -> None:
    before = {row.mode: row.grade for row in weigh(case).hypotheses}
    silent_able = [f.check for f in case.findings if f.outcome is Outcome.ABSENT]
    gone = data.draw(st.sets(st.sampled_from(silent_able), max_size=30)) if silent_able else set()
    thin = tuple(replace(f, outcome=Outcome.CANNOT_TELL) if f.check in gone else f for f in case.findings)
    after = {row.mode: row.grade for row in weigh(replace(case, findings=thin)).hypotheses}
    newly = [m for m, g in after.items() if g is Grade.EXCLUDED and before[m] is not Grade.EXCLUDED and m != "none"]
    assert newly == []


MIRROR = {
    "slide.drifts_to_load": "slide.drifts_to_unload",
    "slide.drifts_to_unload": "slide.drifts_to_load",
}
MIRRORED = {
    "load-solenoid-leaking": "unload-solenoid-leaking",
    "unload-solenoid-leaking": "load-solenoid-leaking",
}


def flipped(findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    return tuple(replace(f, check=MIRROR.get(f.check, f.check), id=MIRROR.get(f.id, f.id)) for f in findings)


@given(
    st.sampled_from(["slide.drifts_to_load", "slide.drifts_to_unload"]), st.sets(st.sampled_from(CHECKS), max_size=2)
)
@settings(max_examples=40)
def test_a_flipped_polarity_flips_the_mirrored_modes_exactly(drift: str, chance: set[str]) -> None:
    read = {check for mode in MIRRORED for check in (*shipped()[mode].checks, *shipped()[mode].explains)}
    other = {check for check in chance - read if not check.startswith(("slide.", "starts."))}
    case = evidence({drift} | other, trip="t")
    here = {row.mode: row.grade for row in weigh(case).hypotheses}
    there = {row.mode: row.grade for row in weigh(replace(case, findings=flipped(case.findings))).hypotheses}
    for mode, mirror in MIRRORED.items():
        assert here[mode] is there[mirror]


@given(
    cases(), st.sampled_from(CAUSES), st.booleans(), st.text(st.characters(exclude_categories=("C", "Z")), max_size=60)
)
@settings(max_examples=60)
def test_no_witness_ever_makes_a_grade_confirmed(case: Evidence, mode: str, supports: bool, text: str) -> None:
    remark = Observation(time=LATER, kind="witness", by="owner", text=text, bears_on=(mode,), supports=supports)  # type: ignore[arg-type]
    before, after = weigh(case), weigh(replace(case, observations=(remark,)))
    assert Grade.CONFIRMED not in {row.grade for row in (*before.hypotheses, *after.hypotheses)}
    if before.verdict.status is not VerdictStatus.DETERMINED:
        assert after.verdict.status is not VerdictStatus.DETERMINED or after.verdict.mode != mode


@given(cases())
@settings(max_examples=60)
def test_contract_of_the_verdict(case: Evidence) -> None:
    found = weigh(case)
    grades = {row.mode: row.grade for row in found.hypotheses}
    verdict = found.verdict
    if verdict.status is VerdictStatus.DETERMINED:
        assert verdict.grade in (Grade.PROBABLE, Grade.CONFIRMED)
        assert grades[str(verdict.mode)] is verdict.grade
        assert grades["none"] is Grade.EXCLUDED
        assert not any(row.effect == "changed" for row in found.robustness)
    else:
        assert verdict.mode is None
        assert verdict.grade is None
        assert not [m for m, g in grades.items() if g in (Grade.PROBABLE, Grade.CONFIRMED) and m != "none"]
    assert (grades["none"] is Grade.PROBABLE) == (verdict.status is VerdictStatus.NO_FAULT_FOUND)
