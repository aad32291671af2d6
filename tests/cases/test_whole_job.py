"""One invented case from the telephone call to the action that worked; the machine is that of the demonstration."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest
from forensics.demo.whole_job import whole_job

import forensics
from forensics.case.read import read_job_file
from forensics.case.stage import job_gaps, steps_begun
from forensics.investigation import investigate
from forensics.papers import make_papers
from forensics.report.outline import compose
from forensics.results.findings_json import dump_findings
from forensics.results.follow_up import follow_up, read_follow_up_rules
from forensics.results.publish import to_findings_file
from forensics.sites.gather import gather
from forensics.sites.tables import follow_ups_table


@pytest.fixture(scope="module")
def stages(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("job")
    whole_job(folder)
    return folder


def test_each_stage_holds_more_of_the_job_and_contradicts_nothing(stages: Path) -> None:
    jobs = [read_job_file(stages / name / "case.toml") for name in ("1-call", "2-hold", "3-tests", "4-action")]
    begun = [set(steps_begun(job)) for job in jobs]
    assert all(before < after for before, after in pairwise(begun))
    assert not [gap for job in jobs for gap in job_gaps(job) if gap.contradicts]


@pytest.mark.parametrize("name", ["1-call", "2-hold"])
def test_the_papers_of_the_first_stages_tell_the_trip(stages: Path, name: str) -> None:
    made = make_papers(stages / name / "case.toml")
    text = made.files[0].read_text(encoding="utf-8")
    assert "Motor overload on start" in text
    assert "unload-path-failed" in text  # one of the causes that an overload at a start leaves open
    assert not made.notes


def test_the_repair_is_proved_by_the_signature_that_its_action_named(stages: Path) -> None:
    before = investigate(stages / "4-action" / "case.toml")
    assert before.weighing.verdict.mode == "unload-path-failed"
    earlier = stages / "5-proof" / "earlier"
    earlier.mkdir(exist_ok=True)
    (earlier / "findings.json").write_text(dump_findings(to_findings_file(before)), encoding="utf-8")
    after = investigate(stages / "5-proof" / "case.toml")
    told = follow_up(after)
    assert told is not None
    assert told.answer == "gone", told.why
    assert told.starts_needed is not None
    assert told.starts >= told.starts_needed >= 20
    assert told.promise.what.startswith("Replace unload valve")
    facts = {row.what: row.value for row in to_findings_file(after).facts}
    assert facts["follow-up of action 1"] == "gone"
    share = to_findings_file(before).unloaded_starts.high
    assert share is not None
    assert share**told.starts_needed <= read_follow_up_rules().chance.value


def test_the_report_shows_photographs_beside_their_part_and_where_a_fact_is_written(stages: Path) -> None:
    work = forensics.open_case(stages / "4-action" / "case.toml")
    page = " ".join(cell_texts(work))
    at = page.index("<h4>unload solenoid</h4>")
    assert "photos/unload_valve.png" in page[at : at + 200_000]
    assert "serial DEMO-U, orientation flow arrow up" in page[at : at + 200_000]
    assert "service sheets of the contractor; papers/service_sheets.txt, page 2" in page
    assert "claim facts: missing: fact 1 (restarts_after_trip)" in page


def cell_texts(work: forensics.Workbook) -> list[str]:
    cells = compose(work.sheet)
    return [str(o["data"].get("text/html", "")) for cell in cells for o in cell.get("outputs", []) if "data" in o]


def test_sites_tell_whether_the_action_worked(stages: Path, tmp_path: Path) -> None:
    earlier = stages / "5-proof" / "earlier"
    earlier.mkdir(exist_ok=True)
    before = to_findings_file(investigate(stages / "4-action" / "case.toml"))
    (earlier / "findings.json").write_text(dump_findings(before), encoding="utf-8")
    after = to_findings_file(investigate(stages / "5-proof" / "case.toml"))
    (tmp_path / "findings.json").write_text(dump_findings(after), encoding="utf-8")
    table = follow_ups_table(gather([earlier, tmp_path]))
    assert table[["action", "the signature is"]].to_numpy().tolist() == [["1", "gone"]]
    assert "absent over" in table["because"][0]
