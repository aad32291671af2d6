"""Plain words: there for every cause and every check, and free of the ids that stand behind them."""

from __future__ import annotations

import re
from dataclasses import dataclass

import pytest

from forensics.model.vocabulary import Mode, Outcome, Role
from forensics.report.words.plain import finding_says, mode_means, mode_name, plain_words
from forensics.rules import read_checks


@dataclass
class Told:
    check: str
    outcome: Outcome


def test_every_check_and_every_cause_has_words() -> None:
    words = plain_words()
    assert {f"{family}.{name}" for family, rows in words.check.items() for name in rows} == set(read_checks())
    assert {mode.value for mode in Mode} <= set(words.mode)


def every_sentence() -> list[str]:
    words = plain_words()
    found = [
        text for rows in words.check.values() for w in rows.values() for text in (w.yes, w.no, w.whether, w.number)
    ]
    return found + [text for w in words.mode.values() for text in (w.name, w.plain)]


def test_no_words_hold_an_id_or_end_in_a_full_stop() -> None:
    ids = set(read_checks()) | {r.value for r in Role if "_" in r.value} | {m.value for m in Mode if "-" in m.value}
    for sentence in every_sentence():
        assert not set(re.findall(r"[\w.-]+", sentence)) & ids, sentence
        assert not sentence.endswith((".", ":", "…")), sentence
        assert sentence == " ".join(sentence.split())


@pytest.mark.parametrize("outcome", list(Outcome))
def test_the_three_answers_of_a_check_read_differently(outcome: Outcome) -> None:
    said = {name: finding_says(Told(name, outcome)) for name in read_checks()}
    assert len(set(said.values())) == len(said)
    begins = [s.startswith("The record cannot show whether") for s in said.values()]
    assert all(begins) if outcome is Outcome.CANNOT_TELL else not any(begins)


def test_a_cause_without_words_of_its_own_falls_back_to_its_name() -> None:
    assert mode_name("some-new-cause") == "some new cause"
    assert mode_means("some-new-cause") == "some new cause"


def test_a_check_without_words_of_its_own_says_its_title_without_turning_it_round() -> None:
    assert finding_says(Told("own.check", Outcome.ABSENT)) == "own.check: this was looked for and is not there"
