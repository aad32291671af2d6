"""A file is told, parsed and hashed in several looks: whatever is put in its place between two of them is noticed.

The exchange is that of an attacker who knows the moment: another file of the same size and the same time of change
stands under the name for one opening only, and the first one is put back.
"""

from __future__ import annotations

import gzip
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest
from case_folders import CASE, changed, rows, write_folder

from forensics.errors import InputError
from forensics.intake.load_case import load_case
from forensics.investigation import investigate
from forensics.model.paths import changed_since, open_regular, opened_as_one


def _text(lines: list[str], path: Path) -> None:
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def _packed(lines: list[str], path: Path) -> None:
    path.write_bytes(gzip.compress(("\n".join(lines) + "\n").encode(), mtime=0))


def _table(lines: list[str]) -> pd.DataFrame:
    head, *body = (line.split(",") for line in lines)
    table = pd.DataFrame(body, columns=head)
    table["Time"] = pd.to_datetime(table["Time"])
    return table.astype(dict.fromkeys(("Amps", "Slide", "Discharge", "Suction"), float))


FORMATS: dict[str, Callable[[list[str], Path], None]] = {
    "csv": _text,
    "csv.gz": _packed,
    "xlsx": lambda lines, path: _table(lines).to_excel(path, index=False),
    "parquet": lambda lines, path: _table(lines).to_parquet(path),
}


def _forged() -> list[str]:
    """The same rows, the current of each another one."""
    head, *lines = rows()
    cells = [line.split(",") for line in lines]
    return [head, *(",".join([one[0], f"{float(one[1]) * 2:.1f}", *one[2:]]) for one in cells)]


class Exchange:
    """Puts another file under a name for the opening of one number, and the first one back after it."""

    def __init__(self, target: Path, other: Path, number: int) -> None:
        self.target, self.other, self.number = target, other, number
        self.seen = 0
        self.really = os.open

    def __call__(self, path: object, *rest: int) -> int:
        if Path(os.path.realpath(str(path))) != self.target:
            return self.really(path, *rest)  # type: ignore[arg-type]
        self.seen += 1
        if self.seen != self.number:
            return self.really(path, *rest)  # type: ignore[arg-type]
        aside = self.target.with_name("aside")
        self.target.rename(aside)
        self.other.rename(self.target)
        try:
            return self.really(path, *rest)  # type: ignore[arg-type]
        finally:
            self.target.rename(self.other)
            aside.rename(self.target)


def _case(folder: Path, ending: str) -> tuple[Path, Path, Path]:
    case = write_folder(folder, changed('path = "exports/trend.csv"', f'path = "exports/trend.{ending}"'))
    (folder / "exports" / "trend.csv").unlink()
    target, other = folder / "exports" / f"trend.{ending}", folder.parent / "other"
    FORMATS[ending](rows(), target)
    made = folder.parent / f"made.{ending}"
    FORMATS[ending](_forged(), made)
    shutil.move(made, other)
    return case, target.resolve(), other


@pytest.mark.parametrize("ending", FORMATS)
def test_an_export_exchanged_for_one_look_stops_the_case(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ending: str
) -> None:
    case, target, other = _case(tmp_path / "case", ending)
    counting = Exchange(target, other, -1)
    monkeypatch.setattr(os, "open", counting)
    sound = load_case(case)
    looks = counting.seen
    assert looks >= 2
    for number in range(1, looks + 1):
        exchanged = Exchange(target, other, number)
        monkeypatch.setattr(os, "open", exchanged)
        with pytest.raises((InputError, OSError), match="exchanged"):
            load_case(case)
    monkeypatch.setattr(os, "open", counting.really)
    assert load_case(case).readings[0].exhibit.sha256 == sound.readings[0].exhibit.sha256


def test_a_link_that_is_turned_out_of_the_folder_between_two_looks_is_not_followed(tmp_path: Path) -> None:
    case = write_folder(tmp_path / "case", changed('"exports/trend.csv"', '"exports/latest.csv"'))
    inside, link = case.parent / "exports" / "trend.csv", case.parent / "exports" / "latest.csv"
    outside = tmp_path / "outside.csv"
    shutil.copy2(inside, outside)
    with opened_as_one():
        link.symlink_to(inside)
        from forensics.model.paths import path_problem

        assert path_problem(case.parent, "exports/latest.csv", 1 << 20) is None
        link.unlink()
        link.symlink_to(outside)
        with pytest.raises(InputError, match="exchanged"):
            open_regular(link)


def test_what_is_written_into_an_open_file_is_noticed(tmp_path: Path) -> None:
    """The same file, its time of change put back: the time of its entry can't be."""
    file = tmp_path / "a.csv"
    file.write_bytes(b"first")
    kept = file.stat()
    with opened_as_one() as openings:
        open_regular(file).close()
        file.write_bytes(b"other")
        os.utime(file, ns=(kept.st_atime_ns, kept.st_mtime_ns))
        assert changed_since(openings)
        with pytest.raises(InputError, match="exchanged"):
            open_regular(file)
    open_regular(file).close()  # outside of a case nobody is held to anything


def test_a_case_file_is_hashed_as_it_was_parsed(tmp_path: Path) -> None:
    case = write_folder(tmp_path / "case", CASE)
    before = load_case(case)
    assert before.content == case.read_bytes()
    assert not changed_since(before.opened)
    assert {Path(name).name for name in before.opened} == {"case.toml", "trend.csv"}
    first = investigate(case).inputs_sha256
    case.write_text(CASE + "\n", encoding="utf-8")
    assert changed_since(before.opened)
    assert investigate(case).inputs_sha256 != first
