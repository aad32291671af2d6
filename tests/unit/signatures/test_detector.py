"""A detector: what a check needs first, then the look that gives its one answer."""

from __future__ import annotations

import pytest

from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.vocabulary import Outcome, Role
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import cannot_tell, make_finding
from forensics.signatures.core.needs import met, nothing
from signatures.machine import draw, healthy, subject_of
from signatures.running_machine import made


@pytest.fixture(autouse=True)
def _own_register(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is tried here answers for no check of the catalogue."""
    monkeypatch.setattr("forensics.signatures.core.detector.REGISTERED", {})


CHECK = "heat.oil_hot"


@pytest.fixture(scope="module")
def subject() -> Subject:
    return subject_of(draw(healthy(1)))


def test_what_the_needs_get_is_handed_to_the_look(subject: Subject) -> None:
    def needs(_: Subject, check: str) -> tuple[str, float]:
        return check, 75.0

    @detector(CHECK, needs)
    def look(subject: Subject, check: str, named: str, oil_c: float) -> Finding:
        """Decide something."""
        assert named == check
        return make_finding(subject, check, Outcome.PRESENT, f"oil stood at {oil_c:.0f} degC")

    (found,) = look(subject)
    assert found.statement == "Oil hot: present. Oil stood at 75 degC."
    assert (look.__name__, look.__doc__) == ("look", "Decide something.")


def test_needs_that_are_not_met_answer_and_nothing_is_looked_at(subject: Subject) -> None:
    def needs(_: Subject, check: str) -> tuple[float] | Finding:
        return cannot_tell(check, "no oil temperature")

    @detector(CHECK, needs)
    def look(subject: Subject, check: str, oil_c: float) -> Finding:
        raise AssertionError(f"looked at {oil_c}")

    (found,) = look(subject)
    assert (found.check, found.outcome, found.why_not) == (CHECK, Outcome.CANNOT_TELL, "no oil temperature")


def test_a_look_that_needs_nothing_is_always_asked(subject: Subject) -> None:
    @detector(CHECK, nothing)
    def look(subject: Subject, check: str) -> Finding:
        return make_finding(subject, check, Outcome.ABSENT, "cool")

    assert look(subject)[0].outcome is Outcome.ABSENT


def test_met_names_the_point_that_is_missing() -> None:
    assert met(made(), CHECK) == ()
    failed = met(made(without=(Role.OIL_TEMPERATURE,)), CHECK)
    assert isinstance(failed, Finding)
    assert failed.why_not == "no oil_temperature"
    assert failed.unlocked_by.startswith("log oil_temperature")
