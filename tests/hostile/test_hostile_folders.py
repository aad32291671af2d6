"""Folders of results that somebody else prepared: nothing outside of them is written, moved or taken away."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from finished_cases import write_case, write_finished

from forensics.errors import InputError, RunError
from forensics.report.written.placing import held
from forensics.report.written.result_set import is_inside, read_set
from forensics.seal.custody import read_received


@pytest.fixture
def outside(tmp_path: Path) -> Path:
    (tmp_path / "outside").mkdir()
    (tmp_path / "outside" / "precious.txt").write_text("kept", encoding="utf-8")
    return tmp_path / "outside"


def untouched(outside: Path) -> bool:
    return [(p.name, p.read_text(encoding="utf-8")) for p in outside.iterdir()] == [("precious.txt", "kept")]


NAMES = (
    "../outside/precious.txt",
    "/etc/passwd",
    "a/../../outside/precious.txt",
    "a\\b",
    "C:/x",
    "",
    ".",
    "a//b",
    "x\0",
)


@pytest.mark.parametrize("name", NAMES, ids=range(len(NAMES)))
def test_a_manifest_names_nothing_outside(tmp_path: Path, outside: Path, name: str) -> None:
    assert not is_inside(name)
    case = write_case(tmp_path / "case")
    out = write_finished(case, tmp_path / "case" / "report")
    noted = json.loads((out / "results.json").read_text(encoding="utf-8"))
    noted["results"][name] = {"sha256": "0" * 64, "bytes": 4}
    (out / "results.json").write_text(json.dumps(noted), encoding="utf-8")
    with pytest.raises(InputError, match="can't be read"):
        read_set(out)
    write_finished(case, out)  # a new run does not take away what the manifest names
    assert untouched(outside)


def test_a_prepared_commit_takes_nothing_from_outside_and_nothing_away(tmp_path: Path, outside: Path) -> None:
    out = tmp_path / "report"
    prepared = out / ".commit-prepared"
    (prepared / "new").mkdir(parents=True)
    (prepared / "new" / "link.txt").symlink_to(outside / "precious.txt")
    names = ["../outside/precious.txt", str(outside / "precious.txt"), 5, "folder/precious.txt"]
    (out / "folder").symlink_to(outside)
    (prepared / "remove.json").write_text(json.dumps(names), encoding="utf-8")
    linked = out / ".commit-linked"
    linked.mkdir()
    (linked / "new").symlink_to(outside)
    (linked / "remove.json").write_text("[]", encoding="utf-8")
    (out / ".run-linked").symlink_to(outside)
    (out / ".commit-deep").mkdir()
    (out / ".commit-deep" / "remove.json").write_text("[" * 100_000, encoding="utf-8")
    with held(out):
        pass
    assert untouched(outside)
    assert sorted(p.name for p in out.iterdir()) == [".results.lock", "folder"]


def test_results_are_not_written_through_links(tmp_path: Path, outside: Path) -> None:
    case, out = write_case(tmp_path / "case"), tmp_path / "case" / "report"
    out.mkdir()
    (out / "tables").symlink_to(outside)
    with pytest.raises(RunError, match="is a link"):
        write_finished(case, out, tables={"starts.csv": "a\n"})
    assert untouched(outside)
    (out / "tables").unlink()
    (out / "report.html").symlink_to(outside / "precious.txt")
    write_finished(case, out)
    assert untouched(outside)
    assert not (out / "report.html").is_symlink()


def test_a_lock_that_is_a_link_is_refused(tmp_path: Path, outside: Path) -> None:
    out = tmp_path / "report"
    out.mkdir()
    (out / ".results.lock").symlink_to(outside / "precious.txt")
    with pytest.raises(InputError, match="is a link"), held(out):
        pass
    assert untouched(outside)


@pytest.mark.parametrize("kind", ["link out", "huge", "not text"])
def test_a_custody_log_beside_the_case_is_a_bounded_file_of_the_folder(tmp_path: Path, kind: str) -> None:
    """Received from, how and by what are read from it at the sealing: of nothing outside, and never for ever."""
    log = tmp_path / "case" / "custody.csv"
    log.parent.mkdir()
    if kind == "link out":
        (tmp_path / "custody.csv").write_text("file,received_from\na.csv,somebody\n", encoding="utf-8")
        log.symlink_to(tmp_path / "custody.csv")
    elif kind == "huge":
        with log.open("wb") as file:
            file.truncate(1 << 40)  # a hole: a byte of disk
    else:
        log.write_bytes(b"\xff\xfe\x00file")
    with pytest.raises(InputError):
        read_received(log.parent)
