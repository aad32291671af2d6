"""A bag that the first version sealed: checked as far as it goes, and told apart from one that shows everything."""

from __future__ import annotations

import hashlib
import shutil
import tarfile
from collections.abc import Callable
from pathlib import Path

import forging
import pytest
from plotly.offline import get_plotlyjs

from forensics.seal import verify
from forensics.seal.remake import Again, run_again

PACKED = Path(__file__).resolve().parent / "data" / "sealed_by_first_version.tar.xz"


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    folder = tmp_path / "bag"
    with tarfile.open(PACKED) as packed:
        packed.extractall(folder, filter="data")
    page = folder / "data" / "results" / "report.html"
    text = page.read_text(encoding="utf-8")
    page.write_text(text.replace("@@ plotly.js @@", get_plotlyjs().replace("\r\n", "\n")), encoding="utf-8")
    _first_sums(folder)
    return folder


def _first_sums(folder: Path) -> None:
    """The manifests that were left out (RFC 8493, 2.1.3 and 2.2.1)."""
    listed = sorted(p for p in (folder / "data").rglob("*") if p.is_file())
    _manifest(folder, folder / "manifest-sha256.txt", listed)
    tags = [folder / name for name in ("bag-info.txt", "bagit.txt", "manifest-sha256.txt")]
    oxum = f"Payload-Oxum: {sum(p.stat().st_size for p in listed)}.{len(listed)}"
    lines = (folder / "bag-info.txt").read_text(encoding="utf-8").splitlines()
    kept = [oxum if line.startswith("Payload-Oxum") else line for line in lines]
    (folder / "bag-info.txt").write_text("\n".join(kept) + "\n", encoding="utf-8")
    _manifest(folder, folder / "tagmanifest-sha256.txt", tags)


def _manifest(folder: Path, path: Path, files: list[Path]) -> None:
    lines = [f"{hashlib.sha256(p.read_bytes()).hexdigest()}  {p.relative_to(folder).as_posix()}" for p in files]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


@pytest.fixture(scope="module")
def rerun(tmp_path_factory: pytest.TempPathFactory) -> Callable[[Path, Path, Again], None]:
    made: list[Path] = []

    def run(case: Path, out: Path, again: Again) -> None:
        assert again.limits == {"starts.unloaded_ratio_max": 0.45}  # told by its findings, not by seal.json
        if not made:
            made.append(tmp_path_factory.mktemp("made") / "out")
            run_again(case, made[0], again)
        shutil.copytree(made[0], out, dirs_exist_ok=True)

    return run


def test_its_results_are_made_again_and_what_it_can_not_show_is_listed(bag: Path, rerun: Callable[..., None]) -> None:
    found = verify(bag, rerun=rerun)
    assert found.faults == (), found.text
    assert {row.name for row in found.results} >= {"findings.json", "report.html", "set_aside.csv", "incident.ipynb"}
    assert found.limits == ("starts.unloaded_ratio_max = 0.45",)
    assert not found.sound
    assert "sealed by the first version" in found.text
    assert "Traceback" not in found.text


def test_a_forged_page_of_the_first_version_is_quoted(bag: Path, rerun: Callable[..., None]) -> None:
    page = bag / "data" / "results" / "report.html"
    text = page.read_text(encoding="utf-8")
    page.write_text(text.replace("Undetermined", "Determined: forged", 1), encoding="utf-8")
    forging.sums(bag)
    found = verify(bag, rerun=rerun)
    assert any("only sealed: 'Determined: forged" in line for line in found.differences)


def test_a_bag_does_not_pass_for_an_older_one_to_show_less(bag: Path, rerun: Callable[..., None]) -> None:
    """Whoever takes the newer lists out of a bag gains nothing: an older bag is never called sound."""
    forging.change_json(bag / "data" / "seal.json", schema=2)
    forging.sums(bag)
    assert not verify(bag, rerun=rerun).sound
