"""Nothing is absent while the text of the trip names it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from forensics.machine.trip_words import quantity_of, read_trip_words
from forensics.model.findings import Finding
from forensics.model.record import LogLine
from forensics.model.vocabulary import Outcome
from forensics.rules import read_checks
from forensics.signatures.core.named_by_trip import open_what_the_trip_names
from signatures.machine import draw, healthy, subject_of


@pytest.mark.parametrize(
    ("text", "quantity"),
    [
        ("INSTANTANEOUS OVERCURRENT", "instantaneous"),
        ("Short circuit trip", "instantaneous"),
        ("Kurzschluss Verdichter", "instantaneous"),
        ("Ground fault trip", "ground_fault"),
        ("Differential current", "ground_fault"),
        ("MOTOR OVERCURRENT", "overload"),
    ],
)
def test_an_instantaneous_trip_is_no_ground_fault(text: str, quantity: str) -> None:
    found = quantity_of(text)
    assert found is not None
    assert found.name == quantity


def test_every_check_that_a_text_names_is_in_the_catalogue() -> None:
    named = [check for quantity in read_trip_words()[0].values() for check in quantity.checks]
    assert named
    assert set(named) <= set(read_checks())


def test_what_the_trip_names_is_left_open_and_what_it_does_not_name_stays() -> None:
    subject = subject_of(draw(healthy(2)))
    findings = tuple(
        Finding(check, check, outcome, f"{read_checks()[check].title}: {outcome.value}. As seen.")
        for check, outcome in (
            ("electrical.overload", Outcome.ABSENT),
            ("electrical.phase_lost", Outcome.ABSENT),
            ("starts.locked_rotor", Outcome.PRESENT),
        )
    )
    assert open_what_the_trip_names(subject, findings) == findings
    line = LogLine(
        time_ns=subject.record.failure_ns,
        point="C1 TRIP",
        value="ALARM",
        text="MOTOR OVERLOAD",
        source="alarms.csv",
        clock="controller",
        row=9,
    )
    told = replace(subject, record=replace(subject.record, log=(line,)))
    overload, phase, locked = open_what_the_trip_names(told, findings)
    assert overload.outcome is Outcome.CANNOT_TELL
    assert "MOTOR OVERLOAD" in overload.why_not
    assert overload.statement.endswith("As seen.")
    assert (phase, locked) == findings[1:]
