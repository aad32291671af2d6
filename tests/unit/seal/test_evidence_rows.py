"""Bags and custody: rows FE-029, FE-032 and FE-033 of the check values.

Sources: RFC 8493 sections 2.1 and 3 (BagIt 1.0); the definition of a custody record of NIST SP 800-72 and 800-101
(secondary sources); ISO/IEC 27037 clause 6.1 (from memory).
"""

from __future__ import annotations

import csv
from datetime import UTC, datetime
from pathlib import Path

import bagit
import pytest
from finished_cases import write_case, write_finished

from forensics.seal import seal, verify
from forensics.seal.remake import Again

WHEN = datetime(2031, 4, 1, 12, 0, tzinfo=UTC)


def rerun(case: Path, out: Path, again: Again) -> None:
    write_finished(case, out)


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    finished = write_finished(write_case(tmp_path / "case"), tmp_path / "case" / "report")
    return seal(finished, tmp_path / "bag", by="B. Sealer", now=lambda: WHEN)


def test_custody_tells_handler_time_purpose_and_state_of_every_item(bag: Path) -> None:
    """FE-029: unique id (path and hash), handler, date and time, purpose, and when the file was last changed."""
    with (bag / "data" / "custody.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert rows
    assert len({(row["file"], row["sha256"]) for row in rows}) == len(rows)
    for row in rows:
        assert row["who"] == "B. Sealer"
        assert datetime.fromisoformat(row["time_utc"]) == WHEN
        assert row["what"].startswith("sealed: ")
        assert len(row["sha256"]) == 64
    originals = [row for row in rows if row["file"].startswith("case/exports/")]
    assert originals
    assert all(datetime.fromisoformat(row["file_changed_utc"]).tzinfo is not None for row in originals)


def test_parts_of_a_bag(bag: Path) -> None:
    """FE-032: declaration of version 1.0 and UTF-8, payload folder, payload manifest of a strong hash."""
    lines = (bag / "bagit.txt").read_text(encoding="utf-8").splitlines()
    assert lines == ["BagIt-Version: 1.0", "Tag-File-Character-Encoding: UTF-8"]
    assert (bag / "data").is_dir()
    assert (bag / "manifest-sha256.txt").is_file()
    bagit.Bag(str(bag)).validate()


@pytest.mark.parametrize(
    ("harm", "said"),
    [("alter", "changed"), ("remove", "missing"), ("add", "added")],
)
def test_a_bag_is_valid_only_where_it_is_complete_and_its_sums_match(bag: Path, harm: str, said: str) -> None:
    """FE-033: an altered byte is invalid, a missing file incomplete, and so is one that is not listed."""
    assert verify(bag, rerun=rerun).sound
    path = bag / "data" / "case" / "exports" / "trend.csv"
    if harm == "alter":
        path.write_bytes(path.read_bytes().replace(b"41", b"42"))
    elif harm == "remove":
        path.unlink()
    else:
        path = path.with_name("more.csv")
        path.write_bytes(b"x")
    found = verify(bag, rerun=rerun)
    assert not found.sound
    assert any(path.name in fault and said in fault for fault in found.faults), found.faults
    with pytest.raises(bagit.BagError):
        bagit.Bag(str(bag)).validate()
