"""Ctrl-C: what is finished stays finished, what is not leaves nothing behind, and the rest can be done later."""

from __future__ import annotations

import csv
import os
import signal
import subprocess
from pathlib import Path

import pytest

from batch.started import by_hand, cases, command, end, marked, until, whole_results

NAMES = ("good-1", "good-2", "wait-1", "wait-2", "wait-3")


def _interrupted(process: subprocess.Popen[str], how: str, out: Path) -> tuple[str, str]:
    """Stop a batch while two of its cases run and two are done."""
    until(lambda: len(list(out.glob("*/run.json"))) == len(list(out.glob(".running/*/wait-*"))) == 2, "no case runs")
    if how == "group":
        os.killpg(process.pid, signal.SIGINT)
    else:
        process.send_signal(signal.SIGINT)
    return process.communicate(timeout=60)


def _stopped_in_the_midst(tmp_path: Path, how: str, *where: str) -> None:
    given, out = cases(tmp_path, *NAMES), tmp_path / "out"
    process = command("batch", *given, "--out", out, *where, mark=tmp_path)
    try:
        said, complained = _interrupted(process, how, out)
    finally:
        end(process)
    assert process.returncode == 1, complained
    assert "Traceback" not in complained, complained
    assert "2 done, 3 not run" in said
    assert "stopped by hand" in said
    assert whole_results(out) == {"good-1", "good-2"}
    rows = list(csv.DictReader((out / "batch.csv").read_text(encoding="utf-8").splitlines()))
    assert [row["result"] for row in rows] == ["done", "done", "not run", "not run", "not run"]
    until(lambda: not marked(tmp_path), "a process is left behind")
    before = (out / "good-1" / "findings.json").stat().st_mtime_ns
    for case in given:
        (case.parent / "go").touch()
    again = command("batch", *given, "--out", out, "--resume", *where, mark=tmp_path)
    said, complained = again.communicate(timeout=120)
    assert again.returncode == 0, complained
    assert "2 skipped, 3 done" in said
    assert whole_results(out) == set(NAMES)
    assert (out / "good-1" / "findings.json").stat().st_mtime_ns == before
    until(lambda: not marked(tmp_path), "a process is left behind")


@pytest.mark.slow
@pytest.mark.parametrize("how", ["group", "parent alone"])
def test_on_this_machine(how: str, tmp_path: Path) -> None:
    _stopped_in_the_midst(tmp_path, how, "--workers", "2")


@pytest.mark.slow
@pytest.mark.parametrize("how", ["group", "parent alone"])
def test_on_a_cluster(how: str, tmp_path: Path) -> None:
    pytest.importorskip("distributed")
    with by_hand(tmp_path, threads=2) as cluster:
        _stopped_in_the_midst(tmp_path, how, "--scheduler", cluster.address)
