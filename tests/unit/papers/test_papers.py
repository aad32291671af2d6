"""The working papers with a call alone, with entries that lack or contradict something. Cases here are invented."""

from __future__ import annotations

import gzip
import html
import json
import re
from pathlib import Path

import pytest

from forensics.case.job import Call, Part
from forensics.case.read import read_job_file
from forensics.cli import main
from forensics.model.vocabulary import Mode
from forensics.papers import make_papers
from forensics.papers.asking import points_asked
from forensics.papers.bench_sheets import planned_tests
from forensics.papers.live import live_causes
from forensics.report.evidence.damage_map import HEIGHT, WIDTH, damage_map
from forensics.rules.papers_forms import part_of, read_paper_rules

HEAD = 'schema = 1\n[case]\nid = "call"\ntime_zone = "America/Chicago"\n'
CALL = HEAD + '[call]\nwords = "it growled <b>twice</b>"\npanel_text = "MOTOR OVERLOAD"\n'


def _papers(folder: Path, text: str) -> dict[str, str]:
    case = folder / "case.toml"
    case.write_text(text, encoding="utf-8")
    made = make_papers(case, folder / "papers")
    return {path.stem: path.read_text(encoding="utf-8") for path in made.files}


def _words(page: str) -> str:
    body = page.split("<main>")[1]
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", body)).split())


def test_the_papers_of_a_bare_case_hold_every_sheet(tmp_path: Path) -> None:
    pages = _papers(tmp_path, HEAD)
    assert list(pages) == [
        "papers",
        "call",
        "hold",
        "request",
        "photos",
        "tests",
        "teardown",
        "samples",
        "decision",
        "action",
        "custody",
    ]
    assert all(page.count('class="paper"') == 1 for name, page in pages.items() if name != "papers")
    assert pages["papers"].count('class="paper"') == 10
    assert "the papers ask for everything" in _words(pages["request"])


def test_a_call_fills_its_sheet_and_leaves_lines_for_the_rest(tmp_path: Path) -> None:
    bare, called = _papers(tmp_path, HEAD)["call"], _papers(tmp_path, CALL)["call"]
    assert "it growled &lt;b&gt;twice&lt;/b&gt;" in called
    assert "MOTOR OVERLOAD" in called
    assert bare.count('class="line"') - called.count('class="line"') == 5 + 2  # lines of the two questions answered


def test_the_clock_is_photographed_first_and_the_memory_saved_before_a_restart(tmp_path: Path) -> None:
    text = _words(_papers(tmp_path, HEAD)["hold"])
    order = ["clock beside a telephone", "Memory of the motor protection", "alarm and event list", "Fast trend buffer"]
    at = [text.index(words, text.index("Overwritten by")) for words in order]
    assert at == sorted(at)
    assert "no restart before it is downloaded" in text


def test_the_call_asks_for_safety_before_anything_else() -> None:
    keys = [question.key for question in read_paper_rules().call.question]
    assert keys[0] == "safe"
    assert set(keys) == set(Call.model_fields) - {"time", "by"}


def test_the_words_of_the_trip_choose_the_tests(tmp_path: Path) -> None:
    case = tmp_path / "case.toml"
    case.write_text(CALL, encoding="utf-8")
    live = live_causes(case, read_job_file(case))
    assert {"motor-overload", "unload-path-failed", "sensor-fault"} <= live.ids
    assert "oil-filter-plugged" not in live.ids
    case.write_text(CALL.replace("MOTOR OVERLOAD", "OIL FILTER DIFFERENTIAL"), encoding="utf-8")
    other = live_causes(case, read_job_file(case))
    assert "oil-filter-plugged" in other.ids
    assert "motor-overload" not in other.ids


def test_findings_choose_the_causes_and_those_of_another_case_do_not(tmp_path: Path) -> None:
    kept = Path(__file__).parents[2] / "kept_findings" / "loaded-starts.json.gz"
    found = json.loads(gzip.decompress(kept.read_bytes()))
    found["software"] = {"version": "0", "packages": {}, "rules_sha256": ""}  # left out of what is kept
    (tmp_path / "report").mkdir()
    (tmp_path / "report" / "findings.json").write_text(json.dumps(found), encoding="utf-8")
    case = tmp_path / "case.toml"
    case.write_text(HEAD.replace('"call"', f'"{found["case"]["id"]}"'), encoding="utf-8")
    live = live_causes(case, read_job_file(case))
    graded = {row["mode"] for row in found["hypotheses"] if row["grade"] in ("confirmed", "probable", "possible")}
    assert live.ids == graded - {"none"}
    assert live.modes[0].id == found["verdict"]["mode"]
    case.write_text(CALL, encoding="utf-8")
    words = live_causes(case, read_job_file(case))
    assert any("is of case" in note for note in words.notes)
    assert "the words of the trip" in words.basis
    (tmp_path / "report" / "findings.json").write_text("{", encoding="utf-8")
    assert any("can't be used" in note for note in live_causes(case, read_job_file(case)).notes)


def test_tests_that_leave_evidence_stand_first_and_running_ones_last(tmp_path: Path) -> None:
    case = tmp_path / "case.toml"
    case.write_text(CALL, encoding="utf-8")
    plan = planned_tests(live_causes(case, read_job_file(case)))
    changes = [test.changes_evidence for test in plan]
    assert changes == sorted(changes)
    running = [test.running for test in plan]
    assert running == sorted(running)
    assert {test.id for test in read_paper_rules().tests.test if test.always} <= {test.id for test in plan}


def test_every_cause_has_a_test() -> None:
    covered = {mode for test in read_paper_rules().tests.test for mode in test.modes}
    assert covered == {mode.value for mode in Mode} - {"none"}


def test_every_test_tells_instrument_condition_limit_basis_and_caution() -> None:
    for test in read_paper_rules().tests.test:
        assert test.instrument
        assert test.condition
        assert "(" in test.limit_words
        assert test.caution


def test_points_take_the_shortest_interval_that_a_cause_asks_for(tmp_path: Path) -> None:
    case = tmp_path / "case.toml"
    case.write_text(HEAD, encoding="utf-8")
    job = read_job_file(case)
    rows = {row.role: row for row in points_asked(job, live_causes(case, job))}
    assert rows["discharge_pressure"].longest_interval_s == 2.0  # of the unloading valve that stays shut
    assert "before the discharge check valve" in rows["discharge_pressure"].words
    assert all(1 <= row.causes <= 28 for row in rows.values())


def test_a_test_of_the_plan_takes_its_result_and_another_stands_by_itself(tmp_path: Path) -> None:
    more = (
        '[[test]]\npart = "coil"\nmethod = "coil-resistance"\nresult = "148 ohm"\npassed = true\n'
        '[[test]]\npart = "sight glass"\nchanges_evidence = true\n'
    )
    text = _words(_papers(tmp_path, CALL + more)["tests"])
    assert "148 ohm, passed" in text
    assert "Own tests" in text
    assert "to whom notice was given before evidence was changed" in text
    assert text.count("148 ohm") == 1


def test_two_results_of_one_test_are_both_shown_and_called_a_contradiction(tmp_path: Path) -> None:
    one = '[[test]]\npart = "coil"\nmethod = "coil-resistance"\nresult = "{}"\npassed = {}\n'
    text = _words(_papers(tmp_path, CALL + one.format("148 ohm", "true") + one.format("open", "false"))["tests"])
    assert "148 ohm, passed / open, NOT passed" in text
    assert "contradiction: test 2 (coil)" in text


def test_the_map_tells_damage_clean_contradiction_and_silence_apart() -> None:
    parts = (
        Part(part="unload solenoid", damage="seized"),
        Part(part="slide", clean=True),
        Part(part="male rotor", damage="scored", place="discharge end"),
        Part(part="Male Rotor", clean=True, place="discharge end"),
        Part(part="female rotor", clean=True, place="suction end"),
        Part(part="female rotor", damage="scored", place="discharge end"),
        Part(part="oil filter"),
        Part(part="mounting foot", damage="crack"),
    )
    chart = damage_map(parts)
    states = {row.part.id: row.state for row in chart.rows}
    assert states["unload-solenoid"] == "damaged"
    assert states["slide"] == "clean"
    assert states["male-rotor"] == "contradictory"
    assert states["female-rotor"] == "damaged"
    assert states["oil-filter"] == "seen"
    assert states["check-valve"] == "not looked at"
    assert chart.off_map == (8,)
    assert "unload valve: damage found" in chart.svg


def test_parts_of_the_map_do_not_overlap_and_lie_on_the_paper() -> None:
    boxes = {part.id: part.box for part in read_paper_rules().parts.part}
    for name, (left, top, width, height) in boxes.items():
        assert left + width <= WIDTH
        assert top + height <= HEIGHT
        for other, (x, y, w, h) in boxes.items():
            if name < other:
                assert left + width <= x or x + w <= left or top + height <= y or y + h <= top, (name, other)


def test_every_word_of_a_part_leads_to_one_part() -> None:
    words = [word for part in read_paper_rules().parts.part for word in part.words]
    assert len(words) == len(set(words))
    assert all((found := part_of(part.id)) and found.id == part.id for part in read_paper_rules().parts.part)
    assert part_of("anchor bolt") is None


def test_parts_not_on_the_drawing_are_listed_and_a_clean_part_is_told(tmp_path: Path) -> None:
    more = '[[part]]\npart = "mounting foot"\ndamage = "crack"\n[[part]]\npart = "slide"\nclean = true\n'
    text = _words(_papers(tmp_path, HEAD + more)["teardown"])
    assert "mounting foot crack" in text
    assert "slide: clean, and looked at" in text


def test_a_decision_to_run_with_a_failed_test_is_called_a_contradiction(tmp_path: Path) -> None:
    more = '[decision]\nchoice = "run"\n[[test]]\npart = "winding"\npassed = false\n'
    text = _words(_papers(tmp_path, HEAD + more)["decision"])
    assert "it is to run, and test 1 (winding) failed" in text
    assert "Run (CHOSEN) needs" in text
    assert "who released it as fit to run" in text


def test_an_export_that_is_not_there_becomes_a_question_of_the_letter(tmp_path: Path) -> None:
    more = '[machine]\nrefrigerant = "R134a"\n[[source]]\npath = "exports/none.csv"\n'
    text = _words(_papers(tmp_path, HEAD + more)["request"])
    assert "Questions about files already sent" in text
    assert "exports/none.csv" in text


def test_every_sheet_carries_its_cautions_and_defers_to_local_codes(tmp_path: Path) -> None:
    for name, page in _papers(tmp_path, HEAD).items():
        text = _words(page)
        assert "Local codes, the manufacturer's instructions and licensed practice come before" in text, name
        assert not re.search(r"\b(liable|pays for|covered|warranty|claim is)\b", text), name


def test_nothing_on_a_sheet_comes_from_outside_or_runs(tmp_path: Path) -> None:
    hostile = CALL + '[[part]]\npart = "<script>alert(1)</script>"\ndamage = "<img src=x>"\n'
    for page in _papers(tmp_path, hostile).values():
        assert "<script" not in page
        assert "<img" not in page


def test_the_command_says_what_it_wrote_and_what_is_wrong(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    case = tmp_path / "case.toml"
    case.write_text(HEAD, encoding="utf-8")
    assert main(["papers", str(case)]) == 0
    assert str(tmp_path / "papers" / "call.html") in capsys.readouterr().out
    case.write_text(HEAD + "[call]\nsafe = 'yes'\nword = 'x'\n", encoding="utf-8")
    assert main(["papers", str(case)]) == 2
    said = capsys.readouterr().err
    assert "Write true or false without quotes" in said
    assert "Did you mean 'words'?" in said
    (tmp_path / "file").write_text("x", encoding="utf-8")
    case.write_text(HEAD, encoding="utf-8")
    assert main(["papers", str(case), "--out", str(tmp_path / "file")]) == 2
