"""Sealing and checking: RFC 8493, "The BagIt File Packaging Format (V1.0)", and what the check must name."""

from __future__ import annotations

import csv
import hashlib
import json
import shutil
from datetime import UTC, datetime
from pathlib import Path

import bagit
import pytest
from finished_cases import findings, write_case, write_finished

from forensics.errors import InputError
from forensics.results.findings_json import dump_findings
from forensics.seal import seal, seal_id, verify
from forensics.seal.custody import COLUMNS
from forensics.seal.remake import Again, Rerun

WHEN = datetime(2031, 4, 1, 12, 0, tzinfo=UTC)


def rerun(case: Path, out: Path, again: Again) -> None:
    """Works the case out anew from the files that lie beside the case file."""
    write_finished(case, out)


@pytest.fixture
def finished(tmp_path: Path) -> Path:
    return write_finished(write_case(tmp_path / "case"), tmp_path / "case" / "report")


@pytest.fixture
def bag(finished: Path, tmp_path: Path) -> Path:
    return seal(finished, tmp_path / "bag", by="B. Sealer", now=lambda: WHEN)


def test_a_bag_is_what_the_standard_says(bag: Path) -> None:
    # RFC 8493, 2.1.1: the declaration, to the letter; 2.1.3: a payload manifest with SHA-256
    assert (bag / "bagit.txt").read_bytes() == b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    lines = (bag / "manifest-sha256.txt").read_text(encoding="utf-8").splitlines()
    listed = {line.split(None, 1)[1]: line.split(None, 1)[0] for line in lines}
    payload = {p.relative_to(bag).as_posix(): p for p in (bag / "data").rglob("*") if p.is_file()}
    assert set(listed) == set(payload)
    for name, path in payload.items():
        assert hashlib.sha256(path.read_bytes()).hexdigest() == listed[name]
    loaded = bagit.Bag(str(bag))
    loaded.validate()
    assert loaded.version_info == (1, 0)


def test_originals_lie_as_the_case_file_names_them_photographs_and_records_whole(bag: Path, tmp_path: Path) -> None:
    for name in ("case.toml", "exports/trend.csv", "exports/rec.cfg", "exports/rec.DAT", "photos/slide.jpg"):
        assert (bag / "data" / "case" / name).read_bytes() == (tmp_path / "case" / name).read_bytes()
    for name in ("findings.json", "report.html", "set_aside.csv", "incident.ipynb"):
        assert (bag / "data" / "results" / name).is_file()
    assert list((bag / "data" / "rules").rglob("*.toml"))
    versions = json.loads((bag / "data" / "versions.json").read_text(encoding="utf-8"))
    assert versions["packages"]["pandas"]


def test_custody_says_who_when_and_what_of_every_file(bag: Path) -> None:
    with (bag / "data" / "custody.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert tuple(rows[0]) == COLUMNS
    assert {row["who"] for row in rows} == {"B. Sealer"}
    assert {row["time_utc"] for row in rows} == {"2031-04-01T12:00:00Z"}
    by_file = {row["file"]: row for row in rows}
    photo = by_file["case/photos/slide.jpg"]
    assert photo["what"] == "sealed: photograph"
    assert photo["sha256"] == hashlib.sha256((bag / "data" / photo["file"]).read_bytes()).hexdigest()
    inside = {p.relative_to(bag / "data").as_posix() for p in (bag / "data").rglob("*") if p.is_file()}
    assert set(by_file) == inside - {"custody.csv"}


def test_an_untouched_bag_is_sound(bag: Path) -> None:
    found = verify(bag, rerun=rerun)
    assert found.sound, found.text
    assert found.rerun
    assert seal_id(bag) in found.text


def _files(bag: Path) -> list[str]:
    return sorted(p.relative_to(bag).as_posix() for p in bag.rglob("*") if p.is_file())


def test_one_flipped_bit_anywhere_is_named(bag: Path) -> None:
    for name in _files(bag):
        path = bag / name
        whole = path.read_bytes()
        if not whole:
            continue
        for place in {0, len(whole) // 2}:
            flipped = bytearray(whole)
            flipped[place] ^= 1
            path.write_bytes(bytes(flipped))
            found = verify(bag, rerun=rerun)
            assert not found.sound, (name, place)
            assert not found.rerun
            assert any(Path(name).name in fault for fault in found.faults), (name, place, found.faults)
        path.write_bytes(whole)
    assert verify(bag, rerun=rerun).sound


def test_a_missing_file_is_named(bag: Path) -> None:
    for name in _files(bag):
        path = bag / name
        whole = path.read_bytes()
        path.unlink()
        found = verify(bag, rerun=rerun)
        assert not found.sound
        assert any("missing" in fault and name in fault for fault in found.faults), (name, found.faults)
        path.write_bytes(whole)


@pytest.mark.parametrize("name", ["data/case/exports/extra.csv", "note.txt", "data/results/.hidden"])
def test_an_added_file_is_named(bag: Path, name: str) -> None:
    (bag / name).write_bytes(b"x")
    found = verify(bag, rerun=rerun)
    assert found.faults == (f"added: {name}",)


def changed_rerun(old: str, new: str) -> Rerun:
    """A program that gives the same but for one text in its findings."""

    def other(case: Path, out: Path, again: Again) -> None:
        write_finished(case, out)
        path = out / "findings.json"
        text = path.read_text(encoding="utf-8")
        assert old in text
        path.write_text(text.replace(old, new), encoding="utf-8")

    return other


def test_a_rerun_that_gives_another_value_is_named(bag: Path) -> None:
    found = verify(bag, rerun=changed_rerun('"value": 0.83', '"value": 0.84'))
    assert not found.sound
    assert "findings.json: findings[0].value: 0.83 -> 0.84" in found.differences


def test_what_agrees_to_six_digits_only_is_told_apart_and_is_not_the_same(bag: Path) -> None:
    found = verify(bag, rerun=changed_rerun('"value": 0.83', '"value": 0.830000001'))
    assert [row.state for row in found.results if row.name == "findings.json"] == ["close"]
    assert not found.sound
    assert "not byte for byte, but every number agrees to 6 significant digits" in found.text


def test_other_versions_loosen_nothing(bag: Path) -> None:
    """A bag that claims other versions would else have its own comparison made loose."""
    found = verify(bag, rerun=changed_rerun('"version": "0.1.0"', '"version": "0.2.0"'))
    assert not found.sound
    assert "findings.json: software.version: 0.1.0 -> 0.2.0" in found.differences


def test_a_run_that_stops_is_no_proof(bag: Path) -> None:
    def broken(case: Path, out: Path, again: Again) -> None:
        raise ZeroDivisionError("division by zero")

    found = verify(bag, rerun=broken)
    assert not found.sound
    assert found.differences == ("the run stopped: division by zero",)


def test_what_changed_since_the_report_is_not_sealed(finished: Path, tmp_path: Path) -> None:
    (tmp_path / "case" / "exports" / "trend.csv").write_bytes(b"Time,Amps\n2031-03-14T05:12:29Z,42\n")
    with pytest.raises(InputError, match=r"exports/trend\.csv: is not the file that the report was made from"):
        seal(finished, tmp_path / "bag")
    assert not (tmp_path / "bag").exists()


def test_a_changed_case_file_is_not_sealed(finished: Path, tmp_path: Path) -> None:
    case = tmp_path / "case" / "case.toml"
    case.write_text(case.read_text(encoding="utf-8").replace("Mill 7", "Mill 8"), encoding="utf-8")
    with pytest.raises(InputError, match="is not the case file that the report was made from"):
        seal(finished, tmp_path / "bag")


def test_a_missing_photograph_is_named(finished: Path, tmp_path: Path) -> None:
    (tmp_path / "case" / "photos" / "slide.jpg").unlink()
    with pytest.raises(InputError, match=r"photos/slide\.jpg"):
        seal(finished, tmp_path / "bag")


def test_an_unfinished_case_is_not_sealed(finished: Path, tmp_path: Path) -> None:
    (finished / "report.html").unlink()
    (finished / "report.FAILED.html").write_text("stopped", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        seal(finished, tmp_path / "bag")
    assert len(caught.value.problems) == 2


def test_nothing_old_is_overwritten(finished: Path, bag: Path) -> None:
    before = seal_id(bag)
    with pytest.raises(InputError, match="is there already"):
        seal(finished, bag)
    assert seal_id(bag) == before


def test_a_case_that_moved_as_a_whole_is_still_found(finished: Path, tmp_path: Path) -> None:
    (tmp_path / "case").rename(tmp_path / "moved")
    bag = seal(tmp_path / "moved" / "report", tmp_path / "bag")
    assert verify(bag, rerun=rerun).sound


def test_the_default_bag_lies_beside_the_results(finished: Path) -> None:
    assert seal(finished) == finished.resolve().with_name("report-sealed")


def test_a_revision_says_what_it_supersedes_and_what_changed(bag: Path, tmp_path: Path) -> None:
    first = seal_id(bag)
    case = write_case(tmp_path / "second", revision=2, supersedes="first-bag")
    shutil.copytree(bag, case.parent / "first-bag")  # what a case names lies in its folder
    outcomes = {"starts.loaded": "absent", "oil.low-difference": "present"}
    results = write_finished(case, tmp_path / "second" / "report", mode="oil-supply-lost", outcomes=outcomes)
    later = seal(results, by="C. Later", now=lambda: WHEN)
    assert later.name == "report-sealed-r2"
    text = (later / "data" / "revision.txt").read_text(encoding="utf-8")
    assert "supersedes: first-bag" in text
    assert "verdict, mode: unload-path-failed -> oil-supply-lost" in text
    assert "finding starts.loaded: present -> absent" in text
    assert "because: the case file has other content" in text
    assert (later / "data" / "superseded" / "findings.json").is_file()
    people = {line.split(",")[1] for line in (later / "data" / "custody.csv").read_text(encoding="utf-8").splitlines()}
    assert {"B. Sealer", "C. Later"} <= people
    assert seal_id(bag) == first


def test_a_revision_kept_beside_the_results_is_found(tmp_path: Path) -> None:
    case = write_case(tmp_path / "case", revision=2)
    results = write_finished(case, tmp_path / "case" / "report", mode="slide-stuck")
    kept = results / "earlier" / "revision-1-0123abcd"
    kept.mkdir(parents=True)
    (kept / "findings.json").write_text(dump_findings(findings("mill-7-c1", mode="high-head")), encoding="utf-8")
    text = (seal(results) / "data" / "revision.txt").read_text(encoding="utf-8")
    assert "supersedes: revision-1-0123abcd, kept beside the results" in text
    assert "verdict, mode: high-head -> slide-stuck" in text


def test_a_revision_must_say_what_it_supersedes(tmp_path: Path) -> None:
    results = write_finished(write_case(tmp_path / "case", revision=2), tmp_path / "case" / "report")
    with pytest.raises(InputError, match="does not say what it supersedes"):
        seal(results)


def test_a_revision_of_another_case_is_refused(bag: Path, tmp_path: Path) -> None:
    case = write_case(tmp_path / "other", "other-case", revision=2, supersedes="first-bag")
    shutil.copytree(bag, case.parent / "first-bag")
    with pytest.raises(InputError, match="is of case 'mill-7-c1'"):
        seal(write_finished(case, tmp_path / "other" / "report"))


@pytest.mark.parametrize("name", ["no-such-bag", "empty"])
def test_what_is_no_bag_is_said(tmp_path: Path, name: str) -> None:
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError):
        verify(tmp_path / name)
