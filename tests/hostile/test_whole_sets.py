"""Results are one set or none: killed writers, full disks, two at once. What can be sealed is never mixed.

The short half writes sets with a small program of its own and puts them in place as a run does; the long half
(``-m slow``) runs reports. Small disks are file systems in memory, mounted as root or in a name space of mounts; where
neither can be had, the test is skipped, saying so.
"""

from __future__ import annotations

import multiprocessing
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

import pytest
from finished_cases import write_case
from traps import SCRIPT
from writing import write

from forensics.errors import InputError, RunError
from forensics.report.written.placing import COMMITTED, RUNNING, held, new_stage, unfinished
from forensics.report.written.result_set import read_set, set_faults
from forensics.results.findings_json import read_findings
from forensics.seal import seal
from forensics.seal.finished import open_finished

HERE = Path(__file__).resolve().parent
ENVIRON = {**os.environ, "PYTHONPATH": os.pathsep.join([str(HERE), str(HERE.parent / "unit"), str(HERE.parents[1])])}
if os.name != "posix":
    pytest.skip("signals, limits and mounts are those of a POSIX system", allow_module_level=True)


def forked(case: Path, out: Path, first: int, count: int) -> multiprocessing.Process:
    """A process that writes sets; forked, so that it begins at once."""
    process = multiprocessing.get_context("fork").Process(target=_write, args=(case, out, first, count))
    process.start()
    return process


def _write(case: Path, out: Path, first: int, count: int) -> None:
    for number in range(first, first + count):
        try:
            write(case, out, number)
        except InputError as fault:
            os._exit(2 if "another run writes to this folder" in str(fault) else 1)
    os._exit(0)


def numbers(folder: Path) -> set[str]:
    """The numbers of the sets that the files of a folder belong to: one where it is whole."""
    found = {re.search(r"set \d+", (folder / name).read_text()).group() for name in ("report.html", "set_aside.csv")}  # type: ignore[union-attr]
    found |= {(table.read_text().splitlines())[0] for table in (folder / "tables").glob("*.csv")}
    return found | {"set " + read_findings(folder / "findings.json").software.version.rpartition(".")[2]}


def left_over(out: Path) -> list[str]:
    return sorted(p.name for p in out.rglob("*") if p.name.startswith((RUNNING, COMMITTED)) or p.name.endswith(".part"))


def numbers_to_seal(out: Path) -> set[str]:
    """What sealing would take from a folder: the numbers of its sets; none where it refuses."""
    try:
        open_finished(out)
    except InputError:
        return set()
    return numbers(out)


def test_writers_that_are_killed_leave_whole_sets(tmp_path: Path) -> None:
    case, out = write_case(tmp_path / "case"), tmp_path / "case" / "report"
    write(case, out, 0)
    chance = random.Random(20)
    refused = 0
    for kill in range(1, 51):
        process = forked(case, out, 1000 * kill, 500)
        time.sleep(chance.uniform(0.005, 0.1))
        process.kill()
        process.join()
        found = numbers_to_seal(out)
        assert len(found) <= 1, f"kill {kill}: {found}"
        refused += not found
        with held(out):
            assert left_over(out) == []
        assert set_faults(out, read_set(out)) == []  # type: ignore[arg-type]
        assert len(numbers(out)) == 1
    assert refused, "no kill came in the midst of a set: the test proves nothing"
    assert numbers(seal(out, tmp_path / "bag") / "data" / "results") == numbers(out)


class Stopping:
    """Renames files a number of times, then no more."""

    def __init__(self, allowed: int) -> None:
        self.allowed, self.count = allowed, 0
        self.real = Path.replace

    def __call__(self, file: Path, target: Path) -> Path:
        self.count += 1
        if self.count > self.allowed:
            raise OSError(5, "Input/output error")
        return self.real(file, target)


def test_every_step_of_putting_in_place_can_be_the_last(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Not by chance: stopped before the first, after the first, … after the last renaming."""
    case, out = write_case(tmp_path / "case"), tmp_path / "case" / "report"
    write(case, out, 2)
    stopped = 0
    for allowed in range(12):
        stopping = Stopping(allowed)
        with monkeypatch.context() as patched:
            patched.setattr(Path, "replace", lambda file, target, rename=stopping: rename(file, target))
            try:
                write(case, out, 100 + allowed)
            except RunError:
                stopped += 1
        assert unfinished(out) is None  # completes what was begun
        assert numbers(out) == {f"set {100 + allowed}"}
        assert set_faults(out, read_set(out)) == []  # type: ignore[arg-type]
        assert left_over(out) == []
    assert stopped > 6


def test_a_run_that_was_killed_is_told_by_the_next_command(tmp_path: Path) -> None:
    case, out = write_case(tmp_path / "case"), tmp_path / "case" / "report"
    write(case, out, 7)
    new_stage(out)  # what a killed run leaves
    with pytest.raises(InputError, match="the last run did not finish"):
        seal(out)
    with held(out) as said:
        assert len(said) == 1
        assert "was stopped before it finished; nothing of it is kept" in said[0]
    assert numbers(seal(out) / "data" / "results") == {"set 7"}


def test_two_writers_into_one_folder(tmp_path: Path) -> None:
    case, out = write_case(tmp_path / "case"), tmp_path / "case" / "report"
    codes = []
    for pair in range(20):
        both = [forked(case, out, 100 * pair + 10 * n, 3) for n in (1, 2)]
        for process in both:
            process.join()
        codes.append({process.exitcode for process in both})
        assert codes[-1] <= {0, 2}
        assert len(numbers_to_seal(out)) == 1
        assert left_over(out) == []
    assert {0, 2} in codes, "no pair ever met"


@pytest.fixture(scope="module")
def mounting(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, ...]:
    """Words in front of a shell command in which a small disk can be mounted."""
    probe = tmp_path_factory.mktemp("probe")
    for words in (("unshare", "--user", "--map-root-user", "--mount", "sh", "-c"), ("sh", "-c")):
        if shutil.which(words[0]) is None:
            continue
        mount = f"mount -t tmpfs -o size=1m none {probe} && umount {probe}"
        if subprocess.run([*words, mount], capture_output=True, check=False).returncode == 0:
            return words
    pytest.skip("a small disk can't be mounted here: neither as root nor in a name space of mounts")


def _quoted(words: Sequence[object]) -> str:
    return " ".join(f"'{word}'" for word in words)


def test_disks_of_ten_sizes(mounting: tuple[str, ...], tmp_path: Path) -> None:
    case = write_case(tmp_path / "case")
    disk = tmp_path / "disk"
    disk.mkdir()
    ended = set()
    for size_kib in (96, 160, 224, 288, 320, 352, 384, 416, 448, 640):
        kept = tmp_path / f"kept-{size_kib}"
        words = [sys.executable, HERE / "writing.py", case, disk / "out", 1, 10_000, 2, 120_000]
        script = f"""
          mount -t tmpfs -o size={size_kib}k none '{disk}' || exit 9
          trap "umount '{disk}'" EXIT
          {_quoted(words)}
          cp -a '{disk}/out' '{kept}'
        """
        done = subprocess.run([*mounting, script], env=ENVIRON, capture_output=True, text=True, check=False)
        assert "Traceback" not in done.stderr, done.stderr
        codes = re.findall(r"code (\d)", done.stdout)
        assert codes[0] == "0", done.stdout
        with held(kept):
            assert numbers(kept) == {"set 2" if codes[1] == "0" else "set 1"}
            assert set_faults(kept, read_set(kept)) == []  # type: ignore[arg-type]
            assert left_over(kept) == []
        ended.add(codes[1])
    assert ended == {"0", "1"}, "the sizes do not reach from too small to large enough"


def _case(root: Path, folder: Path, title: str) -> Path:
    shutil.copytree(root / "data_demo" / "cases" / "cannot-tell", folder)
    case = folder / "case.toml"
    case.write_text(
        re.sub(r'(?m)^title = ".*"$', f'title = "{title}"', case.read_text(encoding="utf-8")), encoding="utf-8"
    )
    assert f'title = "{title}"' in case.read_text(encoding="utf-8")
    return case


def _titles(folder: Path) -> set[str]:
    """The case of page, notebook and manifest of a set made by a report."""
    page, book = ((folder / name).read_text(encoding="utf-8") for name in ("report.html", "incident.ipynb"))
    found = read_set(folder)
    assert found is not None
    return set(re.findall(r"Case (?:one|two) of a pair", page + book))


def _whole(out: Path, bag: Path, cases: dict[str, Path]) -> str:
    """The title of the set that lies there and can be sealed with its case; empty where none can."""
    for title, case in cases.items():
        try:
            seal(out, bag, case=case)
        except InputError:
            continue
        found = _titles(bag / "data" / "results")
        shutil.rmtree(bag)
        assert found == {title}
        return title
    return ""


@pytest.fixture
def pair(tmp_path: Path, root: Path) -> dict[str, Path]:
    titles = ("Case one of a pair", "Case two of a pair")
    return {title: _case(root, tmp_path / f"pair-{n}", title) for n, title in enumerate(titles)}


def _report(case: Path, out: Path) -> list[str]:
    return [str(SCRIPT), "report", str(case), "--out", str(out)]


@pytest.mark.slow
def test_fifty_killed_reports(pair: dict[str, Path], tmp_path: Path) -> None:
    out, bag = tmp_path / "out", tmp_path / "bag"
    chance = random.Random(7)
    cases = list(pair.values())
    began = time.monotonic()
    subprocess.run(_report(cases[0], out), check=True, capture_output=True)
    whole_s = time.monotonic() - began
    before = _whole(out, bag, pair)
    for kill in range(50):
        process = subprocess.Popen(
            _report(cases[(kill + 1) % 2], out), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        # half of them near the end, where the results are written
        time.sleep(chance.uniform(0.7, 1.1) * whole_s if kill % 2 else chance.uniform(0.05, 1.0) * whole_s)
        process.send_signal(chance.choice([signal.SIGKILL, signal.SIGKILL, signal.SIGTERM, signal.SIGINT]))
        process.wait()
        now = _whole(out, bag, pair)
        if not now:
            problem = unfinished(out)
            assert problem is not None, kill
            with held(out):
                pass
            (out / "report.FAILED.html").unlink(missing_ok=True)
            now = _whole(out, bag, pair)
        assert now, kill
        assert now == before or process.returncode == 0 or now in pair
        before = now
    with held(out):
        assert left_over(out) == []


@pytest.mark.slow
def test_twenty_pairs_of_reports(pair: dict[str, Path], tmp_path: Path) -> None:
    out, bag = tmp_path / "out", tmp_path / "bag"
    for number in range(20):
        both = [
            subprocess.Popen(_report(case, out), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
            for case in pair.values()
        ]
        said = [process.communicate(timeout=300) for process in both]
        codes = sorted(process.returncode for process in both)
        assert codes in ([0, 2], [0, 0]), said
        assert _whole(out, bag, pair), number
        assert left_over(out) == []


@pytest.mark.slow
def test_reports_on_disks_of_ten_sizes(mounting: tuple[str, ...], pair: dict[str, Path], tmp_path: Path) -> None:
    disk, bag = tmp_path / "disk", tmp_path / "bag"
    disk.mkdir()
    one, two = pair.values()
    ended = set()
    for room_kib in (0, 4, 64, 256, 512, 1024, 2048, 4096, 5632, 16384):
        kept = tmp_path / f"kept-{room_kib}"
        script = f"""
          mount -t tmpfs -o size=64m none '{disk}' || exit 9
          trap "umount '{disk}'" EXIT
          {_quoted(_report(one, disk / "out"))} || exit 8
          used=$(df -k '{disk}' | awk 'NR==2 {{print $4}}')
          dd if=/dev/zero of='{disk}/filler' bs=1024 count=$((used - {room_kib})) 2>/dev/null
          {_quoted(_report(two, disk / "out"))}; echo "code $?"
          rm '{disk}/filler'
          cp -a '{disk}/out' '{kept}'
        """
        done = subprocess.run([*mounting, script], env=ENVIRON, capture_output=True, text=True, check=False)
        assert "Traceback" not in done.stderr, done.stderr
        codes = re.findall(r"code (\d)", done.stdout)
        assert codes, done
        told = unfinished(kept)
        assert (told is None) == (codes[0] == "0"), (room_kib, told)
        with held(kept):
            (kept / "report.FAILED.html").unlink(missing_ok=True)
            assert left_over(kept) == []
        title = list(pair)[1 if codes[0] == "0" else 0]
        assert _whole(kept, bag, pair) == title, room_kib
        ended.add(codes[0])
    assert len(ended) == 2
