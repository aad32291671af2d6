"""An open case says what leads, by how much, what is missing and what would settle it. All data are invented."""

from __future__ import annotations

import re

import pytest
from finished_cases import findings

from forensics.hypotheses.evidence import NextTest
from forensics.hypotheses.modes import read_modes
from forensics.model.vocabulary import Mode, Role
from forensics.report.page_one.open_case import BARE_SETTLED, leader_and_next, open_rows
from forensics.report.page_one.shown_evidence import look_alike_rows
from forensics.report.words.plain import verdict_says
from forensics.results.schema import FindingsFile
from forensics.rules import read_checks

LEADER, RIVAL = "unload-path-failed", "slide-stuck"
OUTCOMES = {
    "slide.no_response_to_unload": "present",
    "slide.no_response_to_load": "cannot-tell",
    "starts.loaded_growing": "cannot-tell",
}


def undetermined(points: dict[str, float]) -> FindingsFile:
    """A case in which these causes are possible, with their decibans; the leader's load answer could not be seen."""
    found = findings(status="undetermined", possible=tuple(points), outcomes=OUTCOMES)
    rows = [
        h.model_copy(
            update={
                "decibans": points.get(h.mode.value, 0.0),
                "for_": ["slide.no_response_to_unload"] if h.mode.value in points else [],
                "cannot_tell": ["starts.loaded_growing", "slide.no_response_to_load"]
                if h.mode.value == LEADER
                else ["slide.no_response_to_load"],
            }
        )
        for h in found.graded
    ]
    return found.model_copy(update={"hypotheses": rows})


def told(found: FindingsFile, *tests: NextTest) -> dict[str, str]:
    return {row.name: row.says for row in open_rows(found, tests)}


def test_the_leader_its_lead_and_the_bar_are_told_in_words() -> None:
    rows = told(undetermined({LEADER: 20.0, RIVAL: 10.0}))
    assert rows["What leads"].startswith("unload valve or its passage failed")
    assert "about 10 times as likely as the next, capacity slide jammed both ways" in rows["By how much"]
    assert "held 10 times as common" in rows["By how much"]


@pytest.mark.parametrize(("apart", "words"), [(1.0, "no likelier than the next"), (40.0, "more than 1,000 times")])
def test_a_lead_is_no_number_where_it_means_nothing(apart: float, words: str) -> None:
    assert words in told(undetermined({LEADER: 10.0 + apart, RIVAL: 10.0}))["By how much"]


def test_what_would_part_the_leader_from_its_rival_is_missing_first() -> None:
    missing = told(undetermined({LEADER: 20.0, RIVAL: 18.0}))["What is missing"]
    load, growing = missing.find("moved when it was told to load"), missing.find("after each start grew")
    assert 0 < load < growing


def test_the_test_that_splits_the_two_is_what_settles_it() -> None:
    one, both = NextTest("Look at the leader", (LEADER,), "c"), NextTest("Part the two", (RIVAL, LEADER), "c")
    found = undetermined({LEADER: 20.0, RIVAL: 18.0})
    assert told(found, one, both)["What would settle it"].startswith("part the two; it parts the leading cause from")
    other = NextTest("Look at the rival", (RIVAL,), "c")
    assert told(found, one, other)["What would settle it"] == (
        "look at the leader; and for capacity slide jammed both ways: look at the rival"
    )
    assert told(found)["What would settle it"] == BARE_SETTLED


def test_a_case_that_nothing_leads_says_so() -> None:
    rows = told(undetermined({}))
    assert rows["What leads"] == f"no cause; of {len(Mode) - 1} that were weighed, none could be ruled out"
    assert rows["What would settle it"] == BARE_SETTLED
    assert "2 of 3 checks could not be made" in verdict_says(undetermined({}))


@pytest.mark.parametrize("points", [{}, {LEADER: 20.0}, {LEADER: 20.0, RIVAL: 18.0}])
def test_the_sentence_names_the_leader_first_in_two_sentences_without_ids(points: dict[str, float]) -> None:
    found = undetermined(points)
    said = verdict_says(found)
    assert len(re.findall(r"[.!?](?:\s|$)", said)) == 2
    ids = set(read_checks()) | {m.value for m in Mode if "-" in m.value} | {r.value for r in Role if "_" in r.value}
    whole = " ".join([said, *told(found).values()])
    assert not set(re.findall(r"[\w.-]+", whole)) & ids
    assert "more than one" not in whole
    assert "can't be told from it" not in whole
    leader, _ = leader_and_next(found)
    assert (leader is None) is (not points)
    if points:
        assert said.find("reduce its load") > 0


def test_what_else_it_could_be_leaves_the_leader_out_and_says_that_the_rival_fits() -> None:
    found = undetermined({LEADER: 20.0, RIVAL: 18.0})
    rows = dict(look_alike_rows(found, Mode(LEADER), {m.value: m.value for m in Mode}, most=3))
    assert LEADER not in rows
    assert rows[RIVAL].startswith("it fits as well")
    assert "less speaks for it" not in " ".join(rows.values())


def test_the_bar_of_the_rules_is_the_one_that_is_told() -> None:
    assert LEADER in read_modes(read_checks()).by_id
    assert "at least two separate ways" in told(undetermined({LEADER: 20.0, RIVAL: 10.0}))["By how much"]
