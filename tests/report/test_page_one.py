"""Page one as a person without the trade reads it: no ids, nothing cut, nothing said by its absence."""

from __future__ import annotations

import html
import re

import nbformat
import pytest

from forensics.demo import DEMO_CASES
from forensics.model.vocabulary import Mode, Role
from forensics.report import RunResult, run_report
from forensics.report.binding.markup import PLOTLY_MIME
from forensics.results.findings_json import read_findings
from forensics.rules import read_checks, read_limits


@pytest.fixture
def one(page: str) -> str:
    """The text of page one, links and pictures' words included."""
    part = re.split(r'<section class="page-one[^>]*>', page)[1].split("</section>")[0]
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", part)).split())


def test_no_id_stands_on_page_one(one: str) -> None:
    words = set(re.findall(r"[\w.@-]+", one))
    ids = set(read_checks()) | set(read_limits()) | {m.value for m in Mode if "-" in m.value}
    ids |= {r.value for r in Role if "_" in r.value}
    assert not words & ids
    assert not [w for w in words if w.rstrip(".").partition("@")[0] in ids]


def test_nothing_is_cut_or_said_by_its_absence(one: str) -> None:
    assert "…" not in one
    assert "not seen" not in one
    assert "..." not in one
    assert ": absent" not in one


def test_the_verdict_is_at_most_two_sentences(page: str) -> None:
    said = re.search(r'<p class="statement">(.*?)</p>', page, re.DOTALL)
    assert said is not None
    text = html.unescape(re.sub(r"<[^>]+>", "", said[1])).strip()
    assert 1 <= len(re.findall(r"[.!?](?:\s|$)", text)) <= 2


def test_checks_that_could_not_be_made_are_counted(one: str, finished: RunResult) -> None:
    findings = read_findings(finished.findings).findings
    silent = sum(f.outcome.value == "cannot-tell" for f in findings)
    assert silent
    assert f"{silent} of {len(findings)} checks could not be made" in one


def test_facts_that_the_record_contradicts_are_said(one: str, finished: RunResult) -> None:
    """The alarm list of the invented case holds two restarts; its fact says one."""
    assert "Restarts after a trip: 1 by alarm list of the panel, 2 in the record" in one


def test_no_test_is_proposed_that_would_move_a_machine_of_a_confirmed_case(one: str) -> None:
    steps = one.split("Next, in this order")[1].split("What is not known")[0]
    assert "Command load" not in steps
    assert "Coil resistance" not in steps
    assert "Save the memories" in steps
    assert "Changes evidence: tell the parties first." in steps


def test_the_picture_tells_what_changed_and_when(page: str) -> None:
    picture = page.split('<figure class="story"')[1].split("</figure>")[0]
    words = html.unescape(" ".join(re.findall(r"<text[^>]*>([^<]*)</text>", picture)))
    assert "tripped at 04:17 and 05:02" in words
    assert "first loaded start" in words
    assert "limit for an unloaded start, 0.50" in words
    assert "started loaded" in words
    assert picture.count("<svg") == 2


def test_the_notebook_carries_pictures_that_any_viewer_shows(finished: RunResult) -> None:
    """Close-up, starts and stops as SVG beside the interactive figure; every other figure names the page."""
    book = nbformat.read(str(finished.notebook), as_version=4)
    data = [o["data"] for c in book.cells for o in c.get("outputs", []) if PLOTLY_MIME in o.get("data", {})]
    assert len([d for d in data if "image/svg+xml" in d]) == 3
    for one in data:
        assert "image/svg+xml" in one or "report.html" in "".join(one["text/markdown"])


def test_how_sure_the_verdict_is_stands_above_it_in_a_word(page: str, finished: RunResult) -> None:
    grade = read_findings(finished.findings).verdict.grade
    assert grade is not None
    box = html.unescape(page.split('<div class="verdict')[1].split("</div>")[0])
    assert grade.value.capitalize() in box


def test_each_number_says_of_what_it_is(one: str) -> None:
    """A bare value in brackets can't be quoted: words stand before each, and it is told no finer than its interval."""
    shown = one.split("What shows it")[1].split("What else it could be")[0]
    numbers = re.findall(r"\(([^()]*limit [^()]*)\)", shown)
    assert numbers
    for words in numbers:
        assert re.match(r"[a-z][^:]{5,}: [−\d]", words), words
        assert not re.search(r"\d\.\d{3,}", words), words


def test_no_step_asks_to_read_what_was_read(one: str) -> None:
    steps = one.split("Next, in this order")[1].split("What is not known")[0]
    assert "read from the record" not in steps
    assert steps.count("Save the memor") == 1


@pytest.fixture(scope="module")
def other_pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Page one of the other demonstration cases: one sound, one undetermined."""
    texts = {}
    for name in ("healthy", "cannot-tell"):
        out = tmp_path_factory.mktemp(name)
        page = run_report(DEMO_CASES[name], out).report.read_text(encoding="utf-8")
        part = re.split(r'<section class="page-one[^>]*>', page)[1].split("</section>")[0]
        texts[name] = " ".join(html.unescape(re.sub(r"<[^>]+>", " ", part)).split())
    return texts


def test_an_undetermined_page_says_what_would_settle_it(other_pages: dict[str, str]) -> None:
    one = other_pages["cannot-tell"]
    for words in ("How far these data go", "What leads", "What is missing", "What would settle it"):
        assert words in one
    assert "more than one cause" not in one
    assert "can't be told from it" not in one


def test_a_sound_page_names_no_failure_in_its_picture(other_pages: dict[str, str]) -> None:
    one = other_pages["healthy"]
    assert "causes are ruled out by what could be seen" in one
    assert "up to the event" in one
    assert "failure on" not in one


def test_no_id_stands_on_page_one_of_the_others(other_pages: dict[str, str]) -> None:
    ids = set(read_checks()) | set(read_limits()) | {m.value for m in Mode if "-" in m.value}
    for one in other_pages.values():
        assert not set(re.findall(r"[\w.@-]+", one)) & ids
