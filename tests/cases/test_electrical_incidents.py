"""Electrical, waveform and sensor checks on whole simulated cases with known truth: sanity, not the verdict."""

from __future__ import annotations

from pathlib import Path

import pytest

from forensics.clocks import align, fit_clocks
from forensics.intake.load_case import load_case
from forensics.machine.runs import find_runs
from forensics.machine.states import cut_states
from forensics.machine.subject import Subject
from forensics.model.vocabulary import Outcome
from forensics.signatures.core.catalogue import detectors_of, run_catalogue

FAMILIES = detectors_of("electrical", "waveform", "sensors")


def outcomes(folder: Path) -> dict[str, Outcome]:
    case = load_case(folder / "case.toml")
    record = align(case.record, fit_clocks(case.record, case.file))
    runs = find_runs(record)
    subject = Subject(
        record=record,
        runs=runs,
        spans=cut_states(record, runs, case.profile),
        limits=case.limits,
        profile=case.profile,
        machine=case.file.machine,
        polarity_confirmed=case.file.machine.sequence_confirmed,
        saturation=case.saturation,
        saturation_missing=case.saturation_missing,
    )
    return {found.check: found.outcome for found in run_catalogue(subject, FAMILIES)}


# what each case must show of these families, and nothing else of them may be present
MUST = {
    "case-02": set(),
    "case-03": {"waveform.supply_sequence_reversed"},
    # a slide that does not unload draws more than its command asks for
    "case-06": {"electrical.overload", "electrical.tripped_on_overload", "electrical.amps_high_at_equal_duty"},
    "case-08": set(),
    "case-10": set(),
    "case-13": set(),
    "case-19": set(),
    "case-22": set(),
    "case-26": set(),
    "case-27": {
        "electrical.phase_lost",
        "electrical.overload",
        "electrical.tripped_on_overload",
        "waveform.phase_lost",
    },
    "case-29": set(),
}


@pytest.mark.parametrize("name", sorted(MUST))
def test_what_is_present_is_what_happened(shared: Path, name: str) -> None:
    found = outcomes(shared / "incidents" / "cases" / name)
    # that the list names a quantity is no reading of the machine
    seen = {check for check, outcome in found.items() if outcome is Outcome.PRESENT} - {"sensors.trip_named"}
    assert seen == MUST[name]


def test_a_rotor_that_turned_back_is_measured_in_the_waveform(shared: Path) -> None:
    found = outcomes(shared / "incidents" / "cases" / "case-12")
    assert {check for check, outcome in found.items() if outcome is Outcome.PRESENT} == {"waveform.residual_reversed"}
