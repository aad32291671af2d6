"""The one builder of findings: its statement, what it fills in, and a finding that is opened again."""

from __future__ import annotations

from dataclasses import replace

import pytest

from forensics.machine.citations import rows_of, rows_of_each
from forensics.machine.subject import Subject
from forensics.model.findings import Cite
from forensics.model.role_words import in_words
from forensics.model.vocabulary import Outcome, Role
from forensics.rules import read_checks
from forensics.signatures.core.finding import Seen, Value, downgrade, make_finding
from signatures.machine import EPOCH, draw, healthy, subject_of

CHECK, LIMIT = "heat.oil_hot", "heat.oil_hot"


@pytest.fixture(scope="module")
def subject() -> Subject:
    return subject_of(draw(healthy(1)))


@pytest.mark.parametrize("outcome", [Outcome.PRESENT, Outcome.ABSENT])
@pytest.mark.parametrize("words", ["oil stood at 75 degC", "Oil stood at 75 degC."])
def test_a_statement_is_title_outcome_and_sentence(subject: Subject, outcome: Outcome, words: str) -> None:
    found = make_finding(subject, CHECK, outcome, words)
    assert found.statement == f"Oil hot: {outcome.value}. Oil stood at 75 degC."


def test_a_value_that_does_not_decide_says_why_before_it(subject: Subject) -> None:
    found = make_finding(subject, CHECK, Outcome.CANNOT_TELL, "oil stood at 69 degC", why_not="too near the limit")
    assert found.statement == "Oil hot: cannot tell (too near the limit). Oil stood at 69 degC."
    assert found.why_not == "too near the limit"


def test_a_reason_goes_with_cannot_tell_alone(subject: Subject) -> None:
    found = make_finding(subject, CHECK, Outcome.ABSENT, "oil stood at 40 degC", why_not="too near the limit")
    assert found.why_not == ""
    assert "near" not in found.statement


def test_the_limit_comes_from_the_rules_with_its_basis(subject: Subject) -> None:
    found = make_finding(subject, CHECK, Outcome.PRESENT, "hot", Value.exact(80.0, "degC", LIMIT, above=True))
    assert (found.limit, found.limit_name, found.above) == (subject.limits[LIMIT], LIMIT, True)
    assert found.basis == subject.limits.basis(LIMIT)


@pytest.mark.parametrize("limit", [90.0, 0.0])
def test_a_widened_limit_stands_for_the_one_of_the_rules(subject: Subject, limit: float) -> None:
    found = make_finding(
        subject, CHECK, Outcome.PRESENT, "hot", Value.exact(95.0, "degC", LIMIT, above=True, limit=limit)
    )
    assert (found.limit, found.limit_name) == (limit, LIMIT)
    assert found.basis == subject.limits.basis(LIMIT)


def test_without_a_limit_the_basis_is_the_source_of_the_check(subject: Subject) -> None:
    found = make_finding(subject, CHECK, Outcome.PRESENT, "hot")
    assert (found.value, found.limit, found.limit_name, found.above) == (None, None, "", None)
    assert found.basis == read_checks()[CHECK].source


def test_intervals_of_a_value() -> None:
    assert Value.within(10.0, 2.0, "kPa") == Value(10.0, 8.0, 12.0, "kPa")
    assert Value.exact(3.0, "stops") == Value(3.0, 3.0, 3.0, "stops")
    assert Value.exact(None, "1") == Value(unit="1")
    assert Value(3.0, unit="K").low is None


@pytest.mark.parametrize(("interval_s", "told"), [(None, None), (float("nan"), None), (float("inf"), None), (5.0, 5.0)])
def test_an_interval_that_is_not_finite_is_not_told(
    subject: Subject, interval_s: float | None, told: float | None
) -> None:
    found = make_finding(subject, CHECK, Outcome.ABSENT, "cool", seen=Seen(interval_s=interval_s))
    assert found.sample_interval_s == told


def test_what_an_answer_rests_on_is_kept(subject: Subject) -> None:
    cites = (Cite("trend.csv", "oil", (3, 9)),)
    seen = Seen((EPOCH, EPOCH + 5), cites, 1.0, 7, rests_on_commands=True, clocks=("a", "b"), suffix="@2")
    found = make_finding(subject, CHECK, Outcome.ABSENT, "cool", seen=seen)
    assert (found.id, found.check) == (f"{CHECK}@2", CHECK)
    assert (found.from_ns, found.to_ns, found.samples, found.cites) == (EPOCH, EPOCH + 5, 7, cites)
    assert found.rests_on_commands
    assert found.cross_clock == ("a", "b")


def test_one_clock_alone_needs_no_relation(subject: Subject) -> None:
    assert make_finding(subject, CHECK, Outcome.ABSENT, "cool", seen=Seen(clocks=("a", "a"))).cross_clock == ()


@pytest.mark.parametrize("outcome", [Outcome.PRESENT, Outcome.ABSENT])
def test_left_open_keeps_what_was_measured(subject: Subject, outcome: Outcome) -> None:
    measured = Value.within(80.0, 1.0, "degC", LIMIT, above=True)
    found = make_finding(subject, CHECK, outcome, "oil stood at 80 degC", measured, Seen(samples=4))
    opened = downgrade(found, "the sensor jumped")
    assert opened.statement == "Oil hot: cannot tell (the sensor jumped). Oil stood at 80 degC."
    told = {"outcome": outcome, "statement": found.statement, "why_not": ""}
    assert replace(opened, **told) == found
    assert downgrade(opened, "no lift").statement == "Oil hot: cannot tell (no lift). Oil stood at 80 degC."


def test_rows_of_a_span_hold_both_ends(subject: Subject) -> None:
    point = subject.record.samples[Role.MOTOR_AMPS][0]
    first, last = int(point.t[3]), int(point.t[8])
    (cite,) = rows_of(point, first, last)
    assert cite.rows == (int(point.row[3]), int(point.row[8]))
    assert rows_of(point, last + 1, int(point.t[9]) - 1) == ()
    assert rows_of(None, first, last) == ()
    assert rows_of_each([point, None, point], first, last) == (cite, cite)


def test_a_role_reads_as_words() -> None:
    assert in_words(Role.DISCHARGE_TEMPERATURE) == "discharge temperature"
