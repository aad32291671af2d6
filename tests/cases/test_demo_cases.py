"""The demonstration cases that ship: invented data, truth known from the generator."""

from __future__ import annotations

import json
from datetime import datetime
from functools import cache

import pytest

from forensics.demo import DEMO_CASES
from forensics.investigation import Investigation, investigate
from forensics.model.vocabulary import Answer, Grade, Mode, VerdictStatus
from forensics.results.findings_json import dump_findings
from forensics.results.publish import to_findings_file
from forensics.results.schema import FindingsFile

NEAR_S = 12.0


@cache
def _investigated(name: str) -> Investigation:
    return investigate(DEMO_CASES[name])


def _true_starts_s(name: str) -> list[float]:
    truth = json.loads((DEMO_CASES[name].parent / "truth.json").read_text("utf-8"))
    begin_s = datetime.fromisoformat(truth["start_utc"]).timestamp()
    return sorted(begin_s + float(row["time_s"]) for row in truth["starts"])


def test_loaded_starts_end_in_a_failed_unload_path() -> None:
    verdict = _investigated("loaded-starts").weighing.verdict
    assert (verdict.status, verdict.mode) == (VerdictStatus.DETERMINED, Mode.UNLOAD_PATH_FAILED)
    assert verdict.grade is Grade.CONFIRMED, "an inspection found the valve seized"
    assert verdict.because
    assert verdict.would_change_it


def test_healthy_machine_has_no_fault_found_and_says_what_was_not_seen() -> None:
    weighing = _investigated("healthy").weighing
    assert weighing.verdict.status is VerdictStatus.NO_FAULT_FOUND
    assert weighing.verdict.mode is None
    assert any(row.observable != "yes" for row in weighing.observability)


def test_five_minute_data_cannot_tell() -> None:
    investigation = _investigated("cannot-tell")
    assert investigation.weighing.verdict.status is VerdictStatus.UNDETERMINED
    assert all(stop.reverse_rotation.value == "cannot-tell" for stop in investigation.stops)
    assert all(stop.bypass_released is Answer.CANNOT_TELL for stop in investigation.stops)


@pytest.mark.parametrize("name", sorted(DEMO_CASES))
def test_starts_of_the_generator_are_found(name: str) -> None:
    investigation = _investigated(name)
    found = sorted(start.time_ns / 1e9 for start in investigation.starts)
    true = _true_starts_s(name)
    slack_s = NEAR_S if name != "cannot-tell" else 310.0
    inside = [t for t in true if found and min(abs(t - f) for f in found) <= slack_s]
    window = investigation.record
    covered = [t for t in true if window.history.start_ns / 1e9 < t < window.window.end_ns / 1e9]
    assert len(inside) >= len(covered) - 1
    assert len(found) <= len(true)


@pytest.mark.parametrize("name", sorted(DEMO_CASES))
def test_findings_keep_the_whole_contract(name: str) -> None:
    findings = to_findings_file(_investigated(name))
    assert {row.mode for row in findings.graded} == set(Mode)
    assert [str(row.mode) for row in findings.hypotheses if row.grade is None] == ["unlisted"]
    text = dump_findings(findings)
    assert dump_findings(FindingsFile.model_validate_json(text)) == text
    assert dump_findings(to_findings_file(investigate(DEMO_CASES[name]))) == text
    for source in findings.sources:
        assert source.rows_read == source.rows_kept + sum(source.set_aside.values())
    checks = {row.id for row in findings.findings}
    for id_ in (*findings.verdict.because, *findings.verdict.against):
        assert id_ in checks or id_.startswith(("observation", "measurement"))
