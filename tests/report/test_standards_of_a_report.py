"""What a report must hold by standards of technical investigations: rows of areas FE and SA of the check values.

Sources: NFPA 921, IEC 62740, ISO/IEC 27037, ISO 13379-1 and ASTM E620, E678, E860, E1188 by secondary sources or from
memory; OSHA 29 CFR 1910.147 and 1910.333, NFPA 70E, ISO 5149, ASHRAE 15, IEEE 43 for the cautions. None of these is
claimed to be met: each check says what of it the finished report shows.
"""

from __future__ import annotations

import hashlib
import html
import re
from pathlib import Path

import nbformat
import pytest

from forensics.demo import DEMO_CASES
from forensics.model.vocabulary import Grade, Outcome
from forensics.report import RunResult
from forensics.report.tables import matrix_table
from forensics.results.findings_json import dump_findings, read_findings
from forensics.results.schema import FindingsFile


@pytest.fixture
def text(page: str) -> str:
    """What a reader reads: the page without scripts, styles and marks."""
    bare = re.sub(r"<(script|style)\b.*?</\1>", " ", page, flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", bare)).split())


@pytest.fixture
def findings(finished: RunResult) -> FindingsFile:
    return read_findings(finished.findings)


# each row's caution as fragments that the report must show, in any order
CAUTIONS = [
    ("SA-001", ("gives no leave to open, energise or restart",)),
    ("SA-002", ("qualified or licensed under local law",)),
    ("SA-003", ("Treat every enclosure as energised until it is proved dead", "arc-flash study", "what to wear")),
    ("SA-004", ("prepare, shut down, isolate, apply the devices, relieve stored energy, verify",)),
    ("SA-005", ("go on verifying while pressure or charge can build up again",)),
    (
        "SA-006",
        ("control circuits and interlocks isolate nothing", "charged until they are discharged"),
    ),
    ("SA-007", ("stay under pressure", "both sides", "springs, capacitors, spinning rotors and the slide piston")),
    ("SA-008", ("turn the rotors, backwards too", "wait for zero speed and equal pressures")),
    ("SA-009", ("Refrigerant displaces air: detect it, ventilate", "keep ignition away where it can burn")),
    ("SA-010", ("recovered by certified persons with no release to the air",)),
    ("SA-011", ("Ammonia is toxic and corrosive", "emergency plan")),
    ("SA-012", ("Discharge lines burn, liquid refrigerant freezes the skin",)),
    ("SA-013", ("under vacuum", "state that is not known", "disconnect electronics, limit the voltage, discharge")),
    ("SA-014", ("No test restarts", "no jogging")),
    ("SA-015", ("meter on the supply side, never by bumping",)),
    ("SA-016", ("may be acid", "gloves, eye protection, ventilation, and the rules for waste")),
    ("SA-017", ("Never defeat a relief device or a cut-out",)),
    ("SA-018", ("tell all interested parties, photograph as found", "Copy logs before anything is reset")),
    ("SA-019", ("Technical findings only: nothing here decides on cover, fault or cost",)),
]


@pytest.mark.parametrize(("row_id", "fragments"), CAUTIONS, ids=[row_id for row_id, _ in CAUTIONS])
def test_a_caution_stands_in_the_report(text: str, row_id: str, fragments: tuple[str, ...]) -> None:
    for fragment in fragments:
        assert fragment in text, (row_id, fragment)


def test_steps_of_an_investigation_in_their_order(page: str, text: str) -> None:
    """FE-001, FE-002 (order), FE-010: question, data, analysis, hypotheses, tests, selection, presentation."""
    heads = [html.unescape(re.sub(r"<[^>]+>", "", h)).strip() for h in re.findall(r"<h[12][^>]*>(.*?)</h[12]>", page)]
    order = ["What happened", "The failing start or stop against healthy ones", "Causes: what speaks for and against"]
    order += ["Physical evidence and custody", "What cannot be known, and how firm the verdict is", "Next steps"]
    order += ["Data and clocks", "Findings with raw lines", "Method, limits, and how to run it again"]
    assert [h for h in heads if h in order] == order
    assert "The order is that of the scientific method" in text
    assert "each tested against all of the data" in text


def test_several_hypotheses_each_with_evidence_for_and_against(findings: FindingsFile) -> None:
    """FE-002: the table ranks every mode, and keeps what speaks against the one that stands."""
    assert len(findings.hypotheses) >= 2
    assert len([h for h in findings.graded if h.for_]) >= 2
    assert len([h for h in findings.graded if h.against]) >= 2
    assert len({h.grade for h in findings.graded}) >= 2


def test_bias_is_named_and_countered(text: str) -> None:
    """FE-005."""
    assert "Expectation and the wish to confirm (bias)" in text
    assert "limits that were set before the data were seen" in text


def test_every_answer_stands_in_the_matrix_or_speaks_of_no_mode(findings: FindingsFile) -> None:
    """FE-009: each answer is for, against or cannot-tell of the modes that read it; none is left out unseen."""
    table = matrix_table(findings)
    assert set(table["mode"]) == {h.mode.value for h in findings.graded}
    words = {"for", "against", "cannot tell", ""}
    assert set(table.drop(columns=["mode", "grade"]).to_numpy().ravel()) <= words
    cited = {one for h in findings.graded for one in (*h.for_, *h.against, *h.cannot_tell)}
    by_hand = {one for one in cited if one.partition(" ")[0] in ("observation", "measurement")}
    assert cited - by_hand <= {f.id for f in findings.findings}
    assert set(table.columns) - {"mode", "grade"} == {f.id for f in findings.findings} & cited


def test_points_and_sources_are_judged_before_use(page: str, text: str) -> None:
    """FE-009, FE-021: every point with its interval and record type; every row kept or set aside with a reason."""
    for key in ("table-points", "table-sources", "table-observability", "table-detection"):
        assert f'id="{key}"' in page
    for word in ("rows read", "kept", "set aside", "recorded", "usual interval, s"):
        assert word in text.lower()


def test_the_event_is_described(page: str, text: str, findings: FindingsFile) -> None:
    """FE-011: what, where, when and with what effect."""
    one = re.split(r'<section class="page-one[^>]*>', page)[1].split("</section>")[0]
    for name in ("Machine", "Site", "Event", "Purpose", "Asked by"):
        assert f"<dt>{name}</dt>" in one
    assert findings.case.site in one
    assert findings.case.machine_tag in one
    assert "7 Mar 2031, 05:02:28 (UTC−06:00)" in one
    assert findings.verdict.statement[:40] in text


def test_every_conclusion_can_be_followed_to_rows(findings: FindingsFile) -> None:
    """FE-012: what the verdict names is a finding, and a finding that says present or absent cites rows."""
    by_id = {f.id: f for f in findings.findings}
    assert findings.verdict.because
    for name in findings.verdict.because:
        if name in by_id:
            assert by_id[name].cites, name
    assert set(findings.verdict.because) & set(by_id)
    for found in findings.findings:
        if found.outcome is Outcome.PRESENT:
            assert found.cites, found.id
            assert all(cite.rows[0] <= cite.rows[1] for cite in found.cites)
            assert {cite.source for cite in found.cites} <= {s.path for s in findings.sources}


# of a part "at fault" is a technical word; of persons and companies it would be blame
_PEOPLE = (
    r"(?:owner|operator|installer|contractor|manufacturer|company|party|technician) (?:is |was )?(?:at fault|to pay)"
)
BLAME = re.compile(rf"\b(?:liab\w+|blame\w*|culpab\w+|negligen\w+|who pays|{_PEOPLE})\b", re.IGNORECASE)


def test_technical_cause_is_kept_apart_from_blame(text: str, findings: FindingsFile) -> None:
    """FE-013, scope of IEC 62740."""
    assert not BLAME.search(text)
    assert not BLAME.search(dump_findings(findings))


def test_validation_is_a_step_of_its_own(page: str, text: str, findings: FindingsFile) -> None:
    """FE-014: what the verdict becomes when a limit, a sensor or a source is changed; and a line for a reviewer."""
    changed = {row.changed for row in findings.robustness}
    assert len(changed) > 3
    assert any("without" in one or "source" in one for one in changed)
    assert 'id="table-robustness"' in page
    effects = [row.effect for row in findings.robustness]
    assert effects.count("lost")  # a change can cost this verdict: the sheet must not hide it
    assert f"the verdict holds in {effects.count('holds')}, is weaker in {effects.count('weaker')}" in text
    assert f"is lost in {effects.count('lost')}, changes to another cause in {effects.count('changed')}." in text
    assert "Reviewer:" in text


def test_limits_of_the_report_are_said(text: str, findings: FindingsFile) -> None:
    """FE-015: assumptions, excluded data, unresolved points."""
    assert findings.assumptions
    for one in findings.assumptions:
        assert one[:40] in text
    assert "What is not known" in text
    assert "Rows set aside, by reason" in text or "No row was set aside" in text
    assert findings.verdict.would_change_it


def test_form_of_a_report_of_opinion(text: str, findings: FindingsFile) -> None:
    """FE-018, FE-025: author, date, items studied, data relied on, method, opinion with reasons, limits, signature.

    Purpose and scope stand in the first caution; qualifications of the author are his own to add.
    """
    for words in (
        "Investigator:",
        "Reviewer:",
        "Made 2031-06-01",
        "Exports, their hashes, and the account of every row",
        "Method, limits, and how to run it again",
        "What shows it",
        "What is not known",
        "This report is technical",
    ):
        assert words in text
    assert findings.case.revision == 1


def test_no_conformance_is_claimed(text: str) -> None:
    """FE-019: no practice is claimed to be met, so no deviation has to be justified."""
    claim = r"\b(?:compl(?:ies|iant)|conform(?:s|ing)?|in accordance) (?:with|to) (?:ASTM|NFPA|ISO|IEC)"
    assert not re.search(claim, text)


def test_opinions_in_plain_words_with_the_whole_behind_them(page: str, findings: FindingsFile) -> None:
    """FE-020: page one for a reader who knows the event, every finding with its rows for one who checks."""
    one = re.split(r'<section class="page-one[^>]*>', page)[1].split("</section>")[0]
    assert findings.verdict.plain in html.unescape(one)
    assert findings.verdict.statement[:40] in html.unescape(page)
    assert re.search(r'<a class="ref" href="#f-', one)
    anchors = set(re.findall(r'id="f-([^"]+)"', page))
    assert {f.id.lower().replace("@", "-") for f in findings.findings} <= anchors
    assert set(re.findall(r'<a class="ref" href="#f-([^"]+)"', page)) <= anchors


def test_tests_that_change_evidence_are_marked(text: str, findings: FindingsFile) -> None:
    """FE-023: each proposed test says whether it changes evidence, with a caution."""
    assert "changes evidence" in text
    assert "tell all interested parties" in text


def test_same_findings_same_bytes(finished: RunResult, findings: FindingsFile) -> None:
    """FE-027: what is read back is written again to the byte (a second run's bytes: test_finished_report)."""
    assert dump_findings(findings).encode() == finished.findings.read_bytes()
    assert len(findings.software.rules_sha256) == 64


def test_originals_are_hashed_and_left_as_they_are(
    finished: RunResult, demo_case: Path, findings: FindingsFile
) -> None:
    """FE-028, FE-030: every export is identified by path, size and SHA-256, and the run has changed none."""
    for source in findings.sources:
        content = (demo_case.parent / source.path).read_bytes()
        assert hashlib.sha256(content).hexdigest() == source.sha256
        assert len(content) == source.bytes
    original = DEMO_CASES["loaded-starts"].parent
    for source in findings.sources:
        assert (original / source.path).read_bytes() == (demo_case.parent / source.path).read_bytes()
    assert finished.out not in demo_case.parents


def test_offset_of_every_clock_with_method_and_uncertainty(text: str, findings: FindingsFile) -> None:
    """FE-031."""
    assert len(findings.clocks) >= 2
    for clock in findings.clocks:
        assert clock.method.value
        assert (clock.offset_s is None) == (clock.uncertainty_s is None)
        assert clock.clock in text
    assert "offset is clock minus reference" in text


def test_software_and_parameters_are_told(text: str, finished: RunResult, findings: FindingsFile) -> None:
    """FE-036: versions, hashes of inputs and rules, parameters, the notebook itself; nothing is drawn by chance."""
    assert findings.software.version
    assert findings.software.packages
    for name, version in findings.software.packages.items():
        assert f"{name} {version}" in text
    assert findings.reproduce.inputs_sha256 in text
    assert findings.software.rules_sha256 in text
    assert re.search(r"limits changed for this run[^:]*: none", text)
    book = nbformat.read(str(finished.notebook), as_version=4)
    assert [c for c in book.cells if "injected-parameters" in c.metadata.get("tags", [])]


def test_a_diagnosis_carries_its_symptoms_confidence_and_next_checks(text: str, findings: FindingsFile) -> None:
    """FE-062: symptoms (findings for), hypothesis, confidence (grade), proposed checks. Severity is not graded."""
    named = next(h for h in findings.graded if h.mode is findings.verdict.mode)
    assert named.for_
    assert named.grade in (Grade.PROBABLE, Grade.CONFIRMED)
    assert "Next steps in order" in text
    assert "Save the memories of controller, protection relay and recorder" in text
