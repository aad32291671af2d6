"""Bags that come as ZIP archives: what lies in them is unpacked into the scratch folder, and nowhere else."""

from __future__ import annotations

import shutil
import stat
import zipfile
from pathlib import Path

import pytest
from finished_cases import write_case, write_finished

from forensics.errors import InputError
from forensics.seal import seal, verify
from forensics.seal.archive import unpack
from forensics.seal.remake import Again


def rerun(case: Path, out: Path, again: Again) -> None:
    write_finished(case, out)


@pytest.fixture(scope="module")
def bag(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("bag")
    return seal(write_finished(write_case(folder / "case"), folder / "case" / "report"), folder / "bag")


@pytest.mark.parametrize("inside", [True, False], ids=["as a folder", "at the root"])
def test_a_packed_bag_is_as_good_as_its_folder(bag: Path, tmp_path: Path, inside: bool) -> None:
    root = bag.parent if inside else bag
    packed = shutil.make_archive(str(tmp_path / "packed"), "zip", root, bag.name if inside else ".")
    found = verify(Path(packed), rerun=rerun)
    assert found.sound, found.text


def pack(path: Path, bag: Path, *extra: tuple[zipfile.ZipInfo | str, bytes]) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        for file in sorted(p for p in bag.rglob("*") if p.is_file()):
            packed.write(file, f"bag/{file.relative_to(bag).as_posix()}")
        for name, content in extra:
            packed.writestr(name, content)
    return path


def _link() -> zipfile.ZipInfo:
    link = zipfile.ZipInfo("bag/data/case/link")
    link.external_attr = (stat.S_IFLNK | 0o777) << 16
    return link


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("../escape.txt", "leads outside"),
        ("/tmp/escape.txt", "leads outside"),
        ("bag/../../escape.txt", "leads outside"),
        ("bag\\..\\escape.txt", "leads outside"),
        ("C:/escape.txt", "leads outside"),
        (_link(), "no regular file"),
        ("bag/bagit.txt", "comes twice"),
    ],
    ids=range(7),
)
@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_names_that_lead_astray_are_refused_and_nothing_is_written(
    bag: Path, tmp_path: Path, name: zipfile.ZipInfo | str, said: str
) -> None:
    packed = pack(tmp_path / "packed.zip", bag, (name, b"x"))
    scratch = tmp_path / "deep" / "scratch"
    scratch.mkdir(parents=True)
    with pytest.raises(InputError, match=said):
        unpack(packed, scratch)
    assert sorted(p.name for p in tmp_path.rglob("*")) == ["deep", "packed.zip", "scratch"]


def test_a_file_that_unpacks_to_more_than_it_says_is_stopped(bag: Path, tmp_path: Path) -> None:
    packed = pack(tmp_path / "packed.zip", bag, ("bag/data/case/swelling.txt", b"0" * 10_000_000))
    content = packed.read_bytes()
    told = (10_000_000).to_bytes(4, "little")
    assert content.count(told) == 2
    packed.write_bytes(content.replace(told, (100).to_bytes(4, "little")))
    (tmp_path / "scratch").mkdir()
    with pytest.raises(InputError, match="can't be unpacked"):
        unpack(packed, tmp_path / "scratch")
    assert sum(p.stat().st_size for p in (tmp_path / "scratch").rglob("*") if p.is_file()) < 5_000_000


def test_more_than_there_is_room_for_is_refused_before_it_is_unpacked(
    bag: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    packed = pack(tmp_path / "packed.zip", bag)
    monkeypatch.setattr("forensics.seal.archive.MOST_BYTES", 1000)
    (tmp_path / "scratch").mkdir()
    with pytest.raises(InputError, match="more than"):
        unpack(packed, tmp_path / "scratch")
    assert list((tmp_path / "scratch").iterdir()) == []


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04", b"no archive at all"], ids=range(3))
def test_what_is_no_archive_is_said(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "bag.zip"
    path.write_bytes(content)
    with pytest.raises(InputError, match="can't be unpacked"):
        verify(path)
