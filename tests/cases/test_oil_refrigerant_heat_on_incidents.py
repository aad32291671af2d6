"""Families oil, refrigerant and heat on simulated incidents: what was wrong shows, and nothing that was not."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from forensics.intake.load_case import load_case
from forensics.investigation import look
from forensics.model.findings import Finding
from forensics.model.vocabulary import Outcome
from forensics.signatures.core.catalogue import detectors_of

DETECTORS = detectors_of("oil", "refrigerant", "heat")


@cache
def findings(path: Path) -> tuple[Finding, ...]:
    case = load_case(path)
    subject = look(case, case.record)
    return tuple(f for detector in DETECTORS.values() for f in detector(subject))


def present(shared: Path, case: str) -> set[str]:
    path = shared / "incidents" / "cases" / case / "case.toml"
    return {f.check for f in findings(path) if f.outcome is Outcome.PRESENT}


@pytest.mark.parametrize("case", ["case-02", "case-19", "case-12", "case-27", "case-06", "case-22", "case-29"])
def test_nothing_is_seen_on_machines_without_such_a_fault(shared: Path, case: str) -> None:
    assert present(shared, case) == set()


def test_a_plugging_filter_is_told_from_lost_oil(shared: Path) -> None:
    seen = present(shared, "case-08")
    assert {"oil.filter_drop_high", "oil.filter_drop_growing", "oil.difference_low_at_failure"} <= seen
    assert "oil.level_low" not in seen


def test_lost_oil_is_told_from_a_plugged_filter(shared: Path) -> None:
    seen = present(shared, "case-13")
    assert {"oil.level_low", "oil.difference_low_at_failure", "oil.sag_while_running"} <= seen
    assert not seen & {"oil.filter_drop_high", "oil.filter_drop_growing", "oil.diluted_before_start"}


def test_two_oil_faults_at_once_are_both_seen(shared: Path) -> None:
    seen = present(shared, "case-26")
    assert {"oil.diluted_before_start", "oil.foaming_at_start", "oil.filter_drop_growing"} <= seen


@pytest.mark.parametrize("case", ["case-02", "case-08", "case-13", "case-26"])
def test_every_number_can_be_followed_to_rows(shared: Path, case: str) -> None:
    path = shared / "incidents" / "cases" / case / "case.toml"
    for finding in findings(path):
        if finding.outcome is not Outcome.CANNOT_TELL:
            assert finding.cites, finding.check
            assert all(0 < c.rows[0] <= c.rows[1] for c in finding.cites)
        else:
            assert finding.why_not, finding.check
