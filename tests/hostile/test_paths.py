"""Every name in a case leads to a bounded regular file inside its folder, or to a problem: at every command alike."""

from __future__ import annotations

import os
import socket
from collections.abc import Callable
from pathlib import Path

import pytest
from case_folders import CASE, bounded, changed, write_folder

from forensics.batch.plan import BatchPlan, plan_jobs
from forensics.cli import CORRECT, main
from forensics.errors import InputError
from forensics.intake.case_files import case_inputs
from forensics.intake.load_case import load_case
from forensics.model.paths import name_fault, open_regular, read_inside, read_regular

LIMIT_S = 2.0
OBSERVED = '[[observation]]\ntext = "seen"\nphoto = "{name}"\n'
# key of the case file that names a path, and the case with a name in its place
KEYS: dict[str, Callable[[str], str]] = {
    "source": lambda name: changed('path = "exports/trend.csv"', f"path = '{name}'"),
    "waveform": lambda name: CASE + f"[[source]]\npath = '{name}.cfg'\nkind = \"waveform\"\n",
    "photo": lambda name: CASE + OBSERVED.replace('"{name}"', f"'{name}'"),
    "profile": lambda name: changed("altitude_m = 180.0", f"altitude_m = 180.0\nsequence = '{name}'"),
    "table": lambda name: changed("altitude_m = 180.0", f"altitude_m = 180.0\nsaturation_table = '{name}'"),
    "supersedes": lambda name: changed('site = "Hall 3"', f"site = \"Hall 3\"\nsupersedes = '{name}'\nrevision = 2"),
}


def _pipe(path: Path) -> None:
    os.mkfifo(path)


def _socket(path: Path) -> None:
    # bound under a short relative name: the path of a socket has about a hundred bytes
    here = Path.cwd()
    os.chdir(path.parent)
    try:
        with socket.socket(socket.AF_UNIX) as listener:
            listener.bind(path.name)
    finally:
        os.chdir(here)


THINGS: dict[str, Callable[[Path], None]] = {
    "pipe": _pipe,
    "socket": _socket,
    "folder": lambda path: path.mkdir(),
    "device": lambda path: path.symlink_to("/dev/zero"),
    "terminal": lambda path: path.symlink_to("/dev/tty"),
    "link out": lambda path: path.symlink_to("/etc/passwd"),
    "link to a folder out": lambda path: path.symlink_to("/etc"),
    "link to itself": lambda path: path.symlink_to(path.name),
}
NAMES = (
    "/etc/passwd",
    "/dev/zero",
    "/dev/stdin",
    "/proc/self/environ",
    "../outside.csv",
    "exports/../../outside.csv",
    r"C:\share\trend.csv",
    r"..\outside.csv",
    r"\\server\share\trend.csv",
    "//server/share/trend.csv",
    "file:///etc/passwd",
    "https://localhost/trend.csv",
    "s3://bucket/trend.csv",
    "~/trend.csv",
    "a" * 300,
    "b/" * 900 + "c",
)


def _refused(case: Path, key: str) -> None:
    """Check, planning and sealing answer in time; what is wrong is told as a problem, never as a traceback."""
    with bounded() as clock:
        assert main(["check", str(case)]) == CORRECT
    assert clock.seconds < LIMIT_S, clock.seconds
    with bounded() as clock, pytest.raises(InputError):
        load_case(case)
    assert clock.seconds < LIMIT_S
    with bounded() as clock:
        jobs = plan_jobs(BatchPlan((case,), case.parent / "out"), "software", "token")
    assert len(jobs) == 1
    assert clock.seconds < LIMIT_S
    if key != "supersedes":  # a bag holds the earlier findings apart from the inputs
        with bounded() as clock, pytest.raises(InputError):
            case_inputs(case)
        assert clock.seconds < LIMIT_S


@pytest.mark.parametrize("thing", THINGS)
@pytest.mark.parametrize("key", KEYS)
def test_what_is_no_file_of_the_folder_is_a_problem(tmp_path: Path, key: str, thing: str) -> None:
    case = write_folder(tmp_path / "case", KEYS[key]("exports/thing"))
    THINGS[thing](case.parent / "exports" / ("thing.cfg" if key == "waveform" else "thing"))
    if key == "supersedes" and thing == "folder":
        load_case(case)  # the folder of an earlier report; without findings there is nothing to compare
        return
    _refused(case, key)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("key", KEYS)
def test_a_name_that_leads_out_is_a_problem(tmp_path: Path, key: str, name: str) -> None:
    (tmp_path / "outside.csv").write_text("Time,Amps\n", encoding="utf-8")
    case = write_folder(tmp_path / "case", KEYS[key](name))
    if key == "supersedes" and not name_fault(name):
        load_case(case)  # it may be the id of a bundle that is not at hand
        return
    _refused(case, key)


@pytest.mark.parametrize("key", [key for key in KEYS if key != "supersedes"])
def test_what_is_missing_is_a_problem(tmp_path: Path, key: str) -> None:
    _refused(write_folder(tmp_path / "case", KEYS[key]("exports/nothing")), key)


@pytest.mark.parametrize("part", ["pipe", "device", "link out"])
def test_the_other_part_of_a_waveform_record_is_looked_at_too(tmp_path: Path, part: str) -> None:
    case = write_folder(tmp_path / "case", KEYS["waveform"]("exports/rec"))
    (case.parent / "exports" / "rec.cfg").write_text("station,device,1999\n", encoding="utf-8")
    THINGS[part](case.parent / "exports" / "rec.dat")
    _refused(case, "waveform")


@pytest.mark.parametrize("thing", ["pipe", "device", "folder", "socket", "link to itself"])
def test_a_case_file_that_is_no_file(tmp_path: Path, thing: str) -> None:
    case = tmp_path / "case.toml"
    THINGS[thing](case)
    with bounded() as clock:
        assert main(["check", str(case)]) == CORRECT
        assert main(["report", str(case), "--out", str(tmp_path / "out")]) == CORRECT
        assert len(plan_jobs(BatchPlan((case,), tmp_path / "all"), "software", "token")) == 1
    assert clock.seconds < LIMIT_S


@pytest.mark.parametrize("thing", ["pipe", "device", "folder", "socket", "link to itself"])
@pytest.mark.parametrize("name", ["trend.csv", "trend.xlsx", "trend.parquet", "trend.cfg", "trend.dat"])
def test_draft_asks_for_files(tmp_path: Path, name: str, thing: str) -> None:
    THINGS[thing](tmp_path / name)
    with bounded() as clock:
        assert main(["draft", str(tmp_path / name)]) == CORRECT
    assert clock.seconds < LIMIT_S


def test_links_inside_the_folder_are_followed(tmp_path: Path) -> None:
    case = write_folder(tmp_path / "case", KEYS["source"]("exports/latest.csv"))
    (case.parent / "exports" / "latest.csv").symlink_to("trend.csv")
    assert load_case(case).readings[0].accounting.rows_kept


def test_a_file_that_is_too_large_is_not_read(tmp_path: Path) -> None:
    large = tmp_path / "large.toml"
    with large.open("wb") as file:
        file.truncate(1 << 40)  # a hole: a byte of disk
    with bounded() as clock:
        assert main(["check", str(large)]) == CORRECT
        with pytest.raises(OSError, match="larger"):
            read_inside(tmp_path, "large.toml", 1000)
    assert clock.seconds < LIMIT_S


def test_a_file_exchanged_between_looking_and_opening_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    good, bad = tmp_path / "good", tmp_path / "bad"
    good.write_bytes(b"good")
    bad.write_bytes(b"bad")
    really = os.open
    monkeypatch.setattr(os, "open", lambda path, *rest: really(bad if path == good else path, *rest))
    with pytest.raises(OSError, match="exchanged"):
        open_regular(good)


def test_what_is_read_is_what_lies_there(tmp_path: Path) -> None:
    file = tmp_path / "some.bin"
    for content in (b"", b"x", bytes(range(256)) * 9000):
        file.write_bytes(content)
        assert read_regular(file, 3_000_000) == content
        assert read_inside(tmp_path, "some.bin", 3_000_000) == content
