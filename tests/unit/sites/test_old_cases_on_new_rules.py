"""Old cases run again on new rules, by the command line from the batch to the page: what changed, and why."""

from __future__ import annotations

import csv
import subprocess
from pathlib import Path

import pytest
from batch.started import cases, command, end

from forensics import cli

pytestmark = pytest.mark.slow


def _said(process: subprocess.Popen[str]) -> tuple[int, str]:
    try:
        said, complained = process.communicate(timeout=120)
    finally:
        end(process)
    assert "Traceback" not in complained, complained
    return process.returncode, said


def test_the_sites_page_tells_what_new_rules_changed_and_why(tmp_path: Path) -> None:
    given, out = cases(tmp_path, "a", "b"), tmp_path / "done"
    old = {"TEST_RULES": "1" * 64, "TEST_MODE": "unload-path-failed"}
    new = {"TEST_RULES": "2" * 64, "TEST_MODE": "slide-stuck"}
    code, said = _said(command("batch", *given, "--out", out, mark=tmp_path, **old))
    assert (code, "verdict," in said) == (0, False)
    # case b reads the same under the new rules, so it is told as unchanged
    code, said = _said(command("batch", given[0], "--out", out, mark=tmp_path, **new))
    assert code == 0
    assert "a: verdict, mode: unload-path-failed -> slide-stuck" in said
    code, said = _said(command("batch", given[1], "--out", out, mark=tmp_path, **{**old, "TEST_RULES": "2" * 64}))
    assert (code, "verdict," in said) == (0, False)

    assert cli.main(["sites", str(out), "--out", str(tmp_path / "sites")]) == 0
    page = (tmp_path / "sites" / "sites.html").read_text(encoding="utf-8")
    assert "Old cases run again" in page
    assert "mode: unload-path-failed -&gt; slide-stuck" in page
    assert "other rules: 111111111111 -&gt; 222222222222" in page
    with (tmp_path / "sites" / "tables" / "changed.csv").open(encoding="utf-8") as file:
        rows = {row["case"]: row for row in csv.DictReader(file)}
    assert set(rows) == {"a", "b"}
    assert rows["a"]["verdict"] == "mode: unload-path-failed -> slide-stuck"
    assert rows["b"]["verdict"] == "the same"
    assert all(row["what else differs"] == "other rules: 111111111111 -> 222222222222" for row in rows.values())
