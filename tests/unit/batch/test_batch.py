"""A batch: what befalls one case never touches another, and nothing that was finished is lost."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from importlib import metadata
from pathlib import Path

import psutil
import pytest
from finished_cases import write_case

from batch.started import cases, command, end, until, whole_results
from forensics.batch import BatchPlan, fingerprint, run_batch
from forensics.batch.locks import locked, scratch_folder
from forensics.errors import InputError

pytestmark = pytest.mark.usefixtures("stand_in")


def results(out: Path) -> dict[str, str]:
    return {p.parent.name: p.read_text(encoding="utf-8") for p in out.glob("*/findings.json")}


def test_good_cases_among_bad_ones_are_all_done(tmp_path: Path) -> None:
    names = ("good-1", "input-1", "stop-1", "defect-1", "die-1", "good-2", "good-3")
    given = list(cases(tmp_path, *names))
    broken = write_case(tmp_path / "broken", "broken")
    broken.write_text("this is [not TOML", encoding="utf-8")
    missing = tmp_path / "nowhere" / "case.toml"
    outcome = run_batch(BatchPlan((*given, broken, missing), tmp_path / "out", workers=2))
    found = {row.name.partition("-")[0] + row.name[-2:]: row for row in outcome.rows}
    assert [r.result for r in outcome.rows if r.name.startswith("good")] == ["done"] * 3
    assert set(results(tmp_path / "out")) == {"good-1", "good-2", "good-3"}
    assert found["input-1"].result == "to correct"
    assert "exports/trend.csv column 'Amps': no unit" in found["input-1"].why
    assert found["stop-1"].why == "stopped at cell 3 of 4: it broke"
    assert "ZeroDivisionError" in found["defect-1"].why
    assert "SIGKILL" in found["die-1"].why
    assert sum(row.result == "to correct" for row in outcome.rows) == 3
    assert outcome.exit_code == 2
    assert "3 done" in outcome.table
    for row in outcome.rows:
        failed = (tmp_path / "out" / row.name / "report.FAILED.html").is_file()
        assert failed == (row.result != "done"), row
    assert not (tmp_path / "out" / ".running").exists()


def test_a_worker_that_dies_takes_what_it_started_along(tmp_path: Path) -> None:
    run_batch(BatchPlan(cases(tmp_path, "die-1"), tmp_path / "out"))
    asleep = (p for p in psutil.process_iter(["cmdline"]) if "time.sleep(600)" in " ".join(p.info["cmdline"] or []))
    left = [p for p in asleep if str(tmp_path) in " ".join(p.info["cmdline"] or [])]
    assert left == []


def test_a_case_that_hangs_is_stopped_and_named(tmp_path: Path) -> None:
    began = time.monotonic()
    outcome = run_batch(BatchPlan(cases(tmp_path, "hang-1", "good-1"), tmp_path / "out", case_limit_s=3.0))
    assert time.monotonic() - began < 30
    assert [row.result for row in outcome.rows] == ["failed", "done"]
    assert "longer than --case-limit 3" in outcome.rows[0].why
    assert outcome.exit_code == 1


def test_a_case_that_takes_too_much_memory_is_stopped_and_named(tmp_path: Path) -> None:
    outcome = run_batch(BatchPlan(cases(tmp_path, "grow-1", "good-1"), tmp_path / "out", memory_limit_mib=700))
    assert [row.result for row in outcome.rows] == ["failed", "done"]
    assert "more than --memory-limit 700" in outcome.rows[0].why
    assert outcome.rows[0].peak_mib > 700
    assert outcome.rows[1].peak_mib < 700


def test_resume_leaves_alone_what_is_unchanged(tmp_path: Path) -> None:
    given = cases(tmp_path, "a", "b", "c", "d")
    out = tmp_path / "out"
    run_batch(BatchPlan(given, out))
    (tmp_path / "b" / "exports" / "trend.csv").write_bytes(b"Time,Amps\n2031-03-14T05:12:29Z,43\n")
    (out / "c" / "report.html").write_text("meddled with", encoding="utf-8")
    (out / "d" / "run.json").unlink()
    again = run_batch(BatchPlan(given, out, resume=True))
    assert [row.result for row in again.rows] == ["skipped", "done", "done", "done"]
    assert again.rows[0].mode == "unload-path-failed"
    assert (out / "c" / "report.html").read_text(encoding="utf-8") != "meddled with"
    assert run_batch(BatchPlan(given, out, resume=True)).counts == {"skipped": 4}


def test_resume_runs_again_after_a_change_of_rules_code_or_packages(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    package, real_version = tmp_path / "forensics", metadata.version
    rules, code = package / "rules" / "limits" / "oil.toml", package / "batch" / "fingerprint.py"
    for file in (rules, code):
        file.parent.mkdir(parents=True)
        file.write_text("first = 1\n", encoding="utf-8")
    monkeypatch.setattr(fingerprint, "__file__", str(code))
    for user in ("run", "job"):
        monkeypatch.setattr(f"forensics.batch.{user}.software_hash", fingerprint.software_hash)

    def counts() -> dict[str, int]:
        fingerprint.software_hash.cache_clear()
        return run_batch(BatchPlan(given, tmp_path / "out", resume=True)).counts

    given = cases(tmp_path, "a")
    try:
        assert counts() == {"done": 1}
        assert counts() == {"skipped": 1}
        rules.write_text("first = 2\n", encoding="utf-8")
        assert counts() == {"done": 1}
        code.write_text("second = 1\n", encoding="utf-8")
        assert counts() == {"done": 1}
        monkeypatch.setattr(metadata, "version", lambda name: "99.0" if name == "scipy" else real_version(name))
        assert counts() == {"done": 1}
        assert counts() == {"skipped": 1}
    finally:
        fingerprint.software_hash.cache_clear()


def test_old_cases_on_new_rules_say_what_changed_and_keep_the_old(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    given = cases(tmp_path, "a", "b")
    out = tmp_path / "out"
    run_batch(BatchPlan(given, out))
    old = (out / "a" / "findings.json").read_bytes()
    monkeypatch.setenv("TEST_RULES", "2" * 64)
    monkeypatch.setenv("TEST_MODE", "slide-stuck")
    outcome = run_batch(BatchPlan(given, out))
    assert all(row.verdict_changed for row in outcome.rows)
    assert "a: verdict, mode: unload-path-failed -> slide-stuck" in outcome.table
    assert "a: because: other rules: 111111111111 -> 222222222222" in outcome.table
    assert [p.read_bytes() for p in (out / "a" / "earlier").glob("*/findings.json")] == [old]
    again = run_batch(BatchPlan(given, out))
    assert not any(row.verdict_changed or row.changed for row in again.rows)
    assert "verdict, mode" in (out / "changed.txt").read_text(encoding="utf-8")


def test_a_failing_rerun_leaves_the_older_report(tmp_path: Path) -> None:
    (case,) = cases(tmp_path, "a")
    out = tmp_path / "out"
    run_batch(BatchPlan((case,), out))
    before = {p.name: p.read_bytes() for p in (out / "a").iterdir()}
    (tmp_path / "a" / "exports" / "trend.csv").unlink()
    assert run_batch(BatchPlan((case,), out)).exit_code == 2
    after = {p.name: p.read_bytes() for p in (out / "a").iterdir()}
    assert set(after) == {*before, "report.FAILED.html"}
    assert all(after[name] == before[name] for name in before)


def test_two_batches_never_write_the_same_folder(tmp_path: Path) -> None:
    given = cases(tmp_path, "a")
    with locked(tmp_path / "out", "first"), pytest.raises(InputError, match="another batch writes there"):
        run_batch(BatchPlan(given, tmp_path / "out"))
    assert run_batch(BatchPlan(given, tmp_path / "out")).exit_code == 0


def test_a_second_batch_started_beside_the_first_is_refused_and_the_first_goes_on(tmp_path: Path) -> None:
    given, out = cases(tmp_path, "wait-1"), tmp_path / "out"
    words = ("batch", *given, "--out", out)
    first = command(*words, mark=tmp_path)
    try:
        until(lambda: list(out.glob(".running/*/wait-1-*")), "the first batch runs no case")
        second = command(*words, mark=tmp_path)
        said, complained = second.communicate(timeout=60)
        assert second.returncode == 2
        assert "another batch writes there" in complained
        assert "--out" in complained
        assert said == ""
        (given[0].parent / "go").touch()
        first.communicate(timeout=60)
        assert first.returncode == 0
    finally:
        end(first)
    assert whole_results(out) == {"wait-1"}


def test_half_done_work_of_a_batch_that_was_killed_is_taken_away(tmp_path: Path) -> None:
    left = tmp_path / "out" / ".running" / "0123" / "a-xyz" / "made"
    left.mkdir(parents=True)
    (left / "findings.json").write_text("half", encoding="utf-8")
    assert run_batch(BatchPlan(cases(tmp_path, "a"), tmp_path / "out")).exit_code == 0
    assert whole_results(tmp_path / "out") == {"a"}


def test_cases_of_one_id_get_folders_of_their_own_and_twice_the_same_is_run_once(tmp_path: Path) -> None:
    one, two = write_case(tmp_path / "one", "same"), write_case(tmp_path / "two", "same")
    outcome = run_batch(BatchPlan((one, two, one), tmp_path / "out"))
    assert len({row.name for row in outcome.rows}) == 2
    assert len(results(tmp_path / "out")) == 2


def test_results_never_lie_among_the_originals(tmp_path: Path) -> None:
    given = cases(tmp_path, "a")
    with pytest.raises(InputError, match="among the originals"):
        run_batch(BatchPlan(given, tmp_path))


def test_a_plan_that_cannot_be_carried_out_is_refused_with_all_faults() -> None:
    with pytest.raises(InputError) as caught:
        run_batch(BatchPlan((), "out", workers=0, case_limit_s=-1.0, memory_limit_mib=0.0))
    assert len(caught.value.problems) == 4


RUN = """
import functools, signal, sys
from pathlib import Path
signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell that runs tests behind it has it ignored
from forensics.batch import BatchPlan, job, run, supervisor
run.software_hash = job.software_hash = lambda: "same"
run.Worker = functools.partial(supervisor.Worker, (sys.executable, sys.argv[1]))
outcome = run.run_batch(BatchPlan(tuple(Path(p) for p in sys.argv[3:]), Path(sys.argv[2]), workers=2))
print(outcome.table)
sys.exit(outcome.exit_code)
"""


def _start(tmp_path: Path, given: tuple[Path, ...]) -> subprocess.Popen[str]:
    child = Path(__file__).with_name("child.py")
    words = [sys.executable, "-c", RUN, str(child), str(tmp_path / "out"), *map(str, given)]
    return subprocess.Popen(words, stdout=subprocess.PIPE, text=True, env=dict(os.environ))


def _wait_for(out: Path, count: int) -> None:
    until = time.monotonic() + 30
    while len(list(out.glob("*/run.json"))) < count:
        assert time.monotonic() < until
        time.sleep(0.02)


def test_interrupted_by_hand_what_is_finished_is_finished(tmp_path: Path) -> None:
    given = cases(tmp_path, *(f"slow-{n:02}" for n in range(16)))
    process = _start(tmp_path, given)
    _wait_for(tmp_path / "out", 3)
    process.send_signal(signal.SIGINT)
    text, _ = process.communicate(timeout=30)
    assert process.returncode == 1
    assert "stopped by hand" in text
    done = len(list((tmp_path / "out").glob("*/run.json")))
    assert 3 <= done < 16
    assert f"{done} done" in text
    again = run_batch(BatchPlan(given, tmp_path / "out", workers=2, resume=True))
    assert again.counts == {"skipped": done, "done": 16 - done}, again.table


def test_a_killed_batch_leaves_whole_results_and_frees_its_folder(tmp_path: Path) -> None:
    given = cases(tmp_path, *(f"slow-{n:02}" for n in range(12)))
    process = _start(tmp_path, given)
    _wait_for(tmp_path / "out", 2)
    started = psutil.Process(process.pid).children(recursive=True)
    process.kill()
    process.communicate()
    psutil.wait_procs(started, timeout=10)
    assert not any(p.is_running() and p.status() != psutil.STATUS_ZOMBIE for p in started)
    for note in (tmp_path / "out").glob("*/run.json"):
        for name in json.loads(note.read_text(encoding="utf-8"))["files"]:
            assert (note.parent / name).is_file()
    again = run_batch(BatchPlan(given, tmp_path / "out", workers=2, resume=True))
    assert again.exit_code == 0
    assert again.counts["skipped"] >= 2
    assert len(results(tmp_path / "out")) == 12


def test_the_threads_of_a_batch_are_gone_afterwards(tmp_path: Path) -> None:
    before = threading.active_count()
    run_batch(BatchPlan(cases(tmp_path, "a", "b"), tmp_path / "out", workers=2))
    assert threading.active_count() <= before + 2  # readers of closed pipes end on their own


def test_software_is_told_by_content(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    from forensics.batch import fingerprint

    first = fingerprint.software_hash()
    assert len(first) == 64
    package = tmp_path / "forensics"
    (package / "batch").mkdir(parents=True)
    (package / "rules.toml").write_text("a = 1", encoding="utf-8")
    monkeypatch.setattr(fingerprint, "__file__", str(package / "batch" / "fingerprint.py"))
    told = []
    for text in ("a = 1", "a = 2"):
        (package / "rules.toml").write_text(text, encoding="utf-8")
        fingerprint.software_hash.cache_clear()
        told.append(fingerprint.software_hash())
    fingerprint.software_hash.cache_clear()
    assert len({first, *told}) == 3


def test_scratch_folders_made_while_others_take_the_last_one_away(tmp_path: Path) -> None:
    """Cases that are skipped end within milliseconds of each other: the folder around them comes and goes."""
    from concurrent.futures import ThreadPoolExecutor

    def one(n: int) -> bool:
        with scratch_folder(str(tmp_path / f"case-{n}"), "token", f"case-{n}") as scratch:
            return scratch.is_dir()

    with ThreadPoolExecutor(8) as pool:
        assert all(pool.map(one, range(600)))
    assert not (tmp_path / ".running").exists()
