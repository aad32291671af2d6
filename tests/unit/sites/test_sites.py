"""Comparison across sites: what counts, what is kept apart, and what is refused."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from finished_cases import findings, start, stop

from forensics.errors import InputError
from forensics.model.vocabulary import Answer, Mode
from forensics.results.findings_json import dump_findings
from forensics.results.schema import FindingsFile
from forensics.sites import gather, tables
from forensics.sites.fleet import read_fleet
from forensics.sites.iso14224 import read_coding
from forensics.sites.machines import around_actions, coast_against_past, ratio_against_past
from forensics.sites.reruns import reruns

AT = datetime(2031, 3, 14, 5, 12, 30, tzinfo=UTC)
HOUR = timedelta(hours=1)


def put(root: Path, name: str, found: FindingsFile) -> Path:
    folder = root / name
    folder.mkdir(parents=True)
    (folder / "findings.json").write_text(dump_findings(found), encoding="utf-8")
    return folder


def test_every_mode_is_coded_and_mechanism_is_kept_apart_from_cause() -> None:
    # ISO 14224: mechanism is what is seen, cause is why (rows FE-058 to FE-060 of the shared check values)
    coding, source = read_coding()
    assert set(coding) == {mode.value for mode in Mode} - {"none"}
    assert "ISO 14224" in source
    assert coding["oil-filter-plugged"].code == "PLU"
    assert coding["sensor-fault"].code == "AIR"
    assert coding["slide-stuck"].mechanism == "1.6 mechanical: sticking"
    assert coding["slide-stuck"].cause == "not told by the data alone"


def test_codes_are_those_of_the_standard(shared: Path) -> None:
    text = (shared / "standards" / "check_values.csv").read_text(encoding="utf-8")
    coding, _ = read_coding()
    for code in coding.values():
        assert f"Failure-mode code {code.code}," in text


def test_confirmed_probable_and_possible_are_never_added_up(tmp_path: Path) -> None:
    put(tmp_path, "a", findings("a", tag="A", mode="slide-stuck", grade="confirmed", possible=("high-head",)))
    put(tmp_path, "b", findings("b", tag="B", mode="slide-stuck", grade="probable"))
    put(tmp_path, "c", findings("c", tag="C", status="undetermined", possible=("slide-stuck", "high-head")))
    put(tmp_path, "d", findings("d", tag="D", status="no-fault-found"))
    found = gather([tmp_path])
    assert tables.count_modes(found) == {
        "slide-stuck": {"confirmed": 1, "probable": 1, "possible": 1},
        "high-head": {"possible": 1},
    }
    table = tables.modes_table(found).set_index("mode")
    assert list(table.loc["slide-stuck", ["confirmed", "probable", "possible"]]) == ["1", "1", "1"]
    assert list(table.loc["high-head", ["confirmed", "probable", "possible"]]) == ["0", "0", "1"]


def test_the_same_failure_reported_twice_counts_once(tmp_path: Path) -> None:
    put(tmp_path, "first", findings("x-1", serial="S 77", mode="high-head"))
    put(tmp_path, "again", findings("x-2", tag="Chiller 1", serial="s 77", failure=AT + HOUR / 4, mode="slide-stuck"))
    put(tmp_path, "other", findings("x-3", serial="S 77", failure=AT + 30 * HOUR))
    found = gather([tmp_path])
    assert len(found.machines) == 1
    assert sum(case.counts for case in found.cases) == 2
    same = tables.same_table(found)
    assert list(same["case"]) == ["x-2"]
    assert same["verdicts agree"][0] == "no: slide-stuck (probable) against high-head (probable)"


def test_a_revision_counts_in_place_of_what_it_revises_even_with_another_time(tmp_path: Path) -> None:
    put(tmp_path, "r1", findings("x", mode="high-head"))
    put(tmp_path, "r2", findings("x", revision=2, failure=AT + 5 * HOUR, mode="slide-stuck"))
    found = gather([tmp_path])
    assert [case.mode for case in found.counted] == ["slide-stuck"]


@pytest.mark.parametrize("serial", ["N/A", "-", "demo", "0000", "to be read"])
def test_equal_tags_at_two_sites_are_two_machines_and_a_placeholder_is_no_number(tmp_path: Path, serial: str) -> None:
    put(tmp_path, "a", findings("a", site="Mill 7", serial=serial))
    put(tmp_path, "b", findings("b", site="Mill 8", serial=serial.lower()))
    found = gather([tmp_path])
    assert list(found.machines) == ["Mill 7 / C1", "Mill 8 / C1"]
    assert len(found.counted) == 2


def test_copies_superseded_and_unreadable_files_are_no_cases(tmp_path: Path) -> None:
    put(tmp_path, "a", findings("a"))
    put(tmp_path, "a/earlier/revision-1", findings("a", mode="high-head"))
    put(tmp_path, "copy", findings("a"))
    (put(tmp_path, "bad", findings("b")) / "findings.json").write_text("{", encoding="utf-8")
    found = gather([tmp_path])
    assert len(found.cases) == 1
    texts = [str(problem) for problem in found.problems]
    assert any("is a copy of" in text for text in texts)
    assert any("can't be read as JSON" in text for text in texts)


def test_nothing_to_compare_is_said(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        gather([tmp_path, tmp_path / "nowhere"])
    assert len(caught.value.problems) == 2


def starts(*ratios: float | None, until: datetime = AT, unloaded: str = "yes") -> list[dict[str, Any]]:
    return [start(until - HOUR * (len(ratios) - n), ratio, unloaded) for n, ratio in enumerate(ratios)]


def test_the_last_start_against_the_own_past(tmp_path: Path) -> None:
    put(tmp_path, "loaded", findings("loaded", tag="A", starts=starts(0.40, 0.41, 0.39, 0.42, 0.40, 0.83)))
    put(tmp_path, "usual", findings("usual", tag="B", starts=starts(0.80, 0.83, 0.82, 0.84, 0.81, 0.83)))
    put(tmp_path, "few", findings("few", tag="C", starts=starts(0.40, 0.41, 0.83)))
    put(tmp_path, "unread", findings("unread", tag="D", starts=starts(0.40, 0.41, 0.39, 0.42, 0.40, None)))
    machines = gather([tmp_path]).machines
    found = {name[-1]: ratio_against_past(cases) for name, cases in machines.items()}
    assert found["A"].answer is Answer.YES
    assert found["B"].answer is Answer.NO
    assert found["C"].answer is Answer.CANNOT_TELL
    assert found["C"].why_not == "only 2 earlier, 5 are needed"
    assert found["D"].answer is Answer.CANNOT_TELL
    assert found["A"].median == pytest.approx(0.40)


def test_starts_after_the_failure_and_doubled_starts_do_not_stand_in_the_past(tmp_path: Path) -> None:
    whole = starts(0.40, 0.41, 0.39, 0.42, 0.40, 0.83)
    put(tmp_path, "one", findings("one", starts=[*whole, start(AT + HOUR, 0.41)]))
    put(tmp_path, "two", findings("two", failure=AT - 20 * HOUR, starts=whole[:3], mode="high-head"))
    (cases,) = gather([tmp_path]).machines.values()
    found = ratio_against_past(cases)
    assert (found.count, found.last) == (5, 0.83)


def test_coast_down_against_the_own_past(tmp_path: Path) -> None:
    stops = [stop(AT - HOUR * (7 - n), 2.4 + 0.05 * (n % 3)) for n in range(6)]
    put(tmp_path, "a", findings("a", tag="A", stops=[*stops, stop(AT, 9.0)]))
    put(tmp_path, "b", findings("b", tag="B", stops=[*stops, stop(AT, None)]))
    found = {name[-1]: coast_against_past(cases) for name, cases in gather([tmp_path]).machines.items()}
    assert found["A"].answer is Answer.YES
    assert found["B"].answer is Answer.CANNOT_TELL
    text = tables.machines_table(gather([tmp_path])).to_string()
    assert "no time constant for the last" in text


def test_before_and_after_an_action(tmp_path: Path) -> None:
    before = starts(*[0.85] * 12, unloaded="no")
    after = [start(AT + HOUR * (30 + n), 0.4) for n in range(12)]
    fact = {"what": "corrective_action", "value": "2031-03-15 coil replaced", "source": "work order 7"}
    put(tmp_path, "failed", findings("failed", starts=before))
    later = AT + 60 * HOUR
    put(tmp_path, "later", findings("later", failure=later, status="no-fault-found", starts=after, facts=[fact]))
    (found,) = around_actions(gather([tmp_path]))
    assert (found.action, found.before.count, found.before.of, found.after.count) == ("coil replaced", 0, 12, 12)
    assert found.answer is Answer.YES


def test_few_starts_after_an_action_prove_nothing(tmp_path: Path) -> None:
    fact = {"what": "corrective_action", "value": "2031-03-15", "source": "work order 7"}
    after = [start(AT + HOUR * 30, 0.4)]
    put(tmp_path, "a", findings("a", starts=[*starts(0.85, unloaded="no"), *after], facts=[fact]))
    (found,) = around_actions(gather([tmp_path]))
    assert found.answer is Answer.CANNOT_TELL
    assert "overlap" in found.why_not


HEADER = "machine,from,to,hours,starts,still running\n"


def write_fleet(tmp_path: Path, *lines: str) -> Path:
    path = tmp_path / "fleet.csv"
    path.write_text(HEADER + "\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_rates_count_only_what_lies_in_the_exposure_a_line_a_grade(tmp_path: Path) -> None:
    put(tmp_path, "a", findings("a", tag="A", grade="confirmed"))
    put(tmp_path, "b", findings("b", tag="B", grade="probable"))
    put(tmp_path, "c", findings("c", tag="C", status="undetermined"))
    put(tmp_path, "d", findings("d", tag="D", grade="confirmed"))
    put(tmp_path, "e", findings("e", tag="E", status="no-fault-found"))
    lines = [f"Mill 7/{tag},2031-01-01,2031-12-31,4000,300,yes" for tag in "ABCEF"]
    found = gather([tmp_path])
    fleet = read_fleet(write_fleet(tmp_path, *lines), found)
    table = tables.rates_table(found, fleet).set_index("failures")
    assert table.loc["all failures, cause known or not", "count"] == "3"
    assert table.loc["unload-path-failed, confirmed", "count"] == "1"
    assert table.loc["unload-path-failed, probable", "count"] == "1"
    # 1 in 20,000 h: 0.05 per 1,000 h; Garwood limits of 1 are 0.02532 and 5.5716 (Poisson tables; from memory)
    assert table.loc["unload-path-failed, probable", "per 1,000 h"] == "0.05"
    assert table.loc["unload-path-failed, probable", "95 % interval"] == "0.00127 to 0.279"
    assert fleet.notes == ("d: machine or time is not in the exposure, so it is in no rate",)


def test_without_starts_a_rate_per_start_is_refused(tmp_path: Path) -> None:
    put(tmp_path, "a", findings("a"))
    found = gather([tmp_path])
    fleet = read_fleet(write_fleet(tmp_path, "C1,2031-01-01,2031-12-31,4000,,yes"), found)
    assert tables.rates_table(found, fleet)["per 1,000 starts"][0] == "refused: no exposure"


def test_a_machine_that_ended_without_a_case_is_left_out_of_lives_and_named(tmp_path: Path) -> None:
    put(tmp_path, "a", findings("a", tag="A"))
    found = gather([tmp_path])
    lines = [
        "A,2031-01-01,2031-03-14,900,50,no",
        "B,2031-01-01,2031-03-01,800,50,no",
        "C,2031-01-01,2031-12-31,70,5,yes",
    ]
    fleet = read_fleet(write_fleet(tmp_path, *lines), found)
    failed, running, open_ = fleet.lives(found.counted)
    assert (failed, running, [spell.machine for spell in open_]) == ([900.0], [70.0], ["B"])
    assert any("no case says why" in note for note in fleet.notes)


def test_a_bad_fleet_file_is_refused_with_every_fault(tmp_path: Path) -> None:
    put(tmp_path, "a", findings("a", site="Mill 7"))
    put(tmp_path, "b", findings("b", site="Mill 8"))
    lines = [
        "C1,2031-01-01,2031-12-31,4000,300,yes",
        "X,2031-13-01,2031-12-31,many,300,perhaps",
        "Y,2031-05-01,2031-04-01,-1,300,yes",
        "Z,2031-01-01,2031-01-02,9000,300,yes",
        "W,2031-01-01,2031-06-30,100,3,yes",
        "W,2031-06-01,2031-12-31,100,3,yes",
        "V,2031-06-01,2031-12-31",
    ]
    with pytest.raises(InputError) as caught:
        read_fleet(write_fleet(tmp_path, *lines), gather([tmp_path]))
    texts = "\n".join(str(p) for p in caught.value.problems)
    for wanted in (
        "line 2 column 'machine': 'C1' may be Mill 7 / C1 or Mill 8 / C1",
        "line 3 column 'from'",
        "line 3 column 'hours'",
        "line 3 column 'still_running'",
        "line 4 column 'to': lies before from",
        "line 5 column 'hours': 9000 hours do not fit",
        "line 7 column 'from': the period of 'W' overlaps that of line 6",
        "line 8: has 3 fields",
    ):
        assert wanted in texts, texts


def test_a_missing_column_is_named(tmp_path: Path) -> None:
    put(tmp_path, "a", findings("a"))
    path = tmp_path / "fleet.csv"
    path.write_text("machine;from;to;hours\n", encoding="utf-8")
    with pytest.raises(InputError, match="lacks the column starts, still_running"):
        read_fleet(path, gather([tmp_path]))


def test_old_cases_on_new_rules_say_what_changed_and_what_else_differs(tmp_path: Path) -> None:
    old = findings("a", mode="high-head", outcomes={"x.y": "absent"}, rules_sha256="1" * 64)
    new = findings("a", mode="slide-stuck", outcomes={"x.y": "present"}, rules_sha256="2" * 64)
    put(tmp_path, "a", new)
    put(tmp_path, "a/earlier/revision-1-0", old)
    (found,) = reruns(gather([tmp_path]))
    row = tables.reruns_table([found]).iloc[0]
    assert row["verdict"] == "mode: high-head -> slide-stuck"
    assert row["findings"] == "x.y: absent -> present"
    assert row["what else differs"] == "other rules: 111111111111 -> 222222222222"


def test_evidence_quality_is_said_of_every_case(tmp_path: Path) -> None:
    put(tmp_path, "a", findings("a", outcomes={"x.y": "present", "x.z": "cannot-tell"}))
    row = tables.cases_table(gather([tmp_path])).iloc[0]
    assert row["checks that could not tell"] == "50 %"
    assert row["rows kept"] == "90 %"
    assert row["clocks"] == "± 0.5 s"
    assert row["modes that could be seen"].startswith("15 yes, 0 partly, 16 no")
