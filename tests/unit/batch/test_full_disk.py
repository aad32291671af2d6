"""A disk that fills up: the case that met it is named, and nothing that was finished is lost.

The disk is a file system of 1 MiB in memory. Where none can be mounted (by root, or in a user's own name space of
mounts), the same batch meets the limit of the system on the size of a file, which any user can set.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

from batch.started import HERE, cases, environment, whole_results

if os.name != "posix":
    pytest.skip("disks and limits are those of a POSIX system", allow_module_level=True)

SIZE_MIB = 1
AS_ROOT = ("sh", "-c")
IN_OWN_SPACE = ("unshare", "--user", "--map-root-user", "--mount", "sh", "-c")
MOUNT = f"mount -t tmpfs -o size={SIZE_MIB}m none"


@pytest.fixture(scope="module")
def mounting(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, ...]:
    """Words in front of a shell command in which a small disk can be mounted."""
    probe = tmp_path_factory.mktemp("probe")
    for words in (IN_OWN_SPACE, AS_ROOT):
        if shutil.which(words[0]) is None:
            continue
        tried = subprocess.run([*words, f"{MOUNT} {probe} && umount {probe}"], capture_output=True, check=False)
        if tried.returncode == 0:
            return words
    pytest.skip("a small disk can't be mounted here: neither as root nor in a name space of mounts")


def _batch(given: Sequence[Path], out: Path, *more: str) -> str:
    words = [sys.executable, HERE / "stand_in_batch.py", "batch", *given, "--out", out, *more]
    return " ".join(f"'{word}'" for word in words)


def _run(words: Sequence[str], script: str, mark: Path) -> list[str]:
    """Run a script that prints the exit code of each of its batches on a line that begins with ``code``."""
    done = subprocess.run(
        [*words, script], env=environment(mark), capture_output=True, text=True, check=False, timeout=120
    )
    assert "Traceback" not in done.stderr, done.stderr
    return [*done.stdout.split("code ")[:-1], done.stdout, done.stderr]


def test_a_small_disk(mounting: tuple[str, ...], tmp_path: Path) -> None:
    given, later = cases(tmp_path, "good-1", "full-1", "good-2"), cases(tmp_path, "good-3")
    disk, kept = tmp_path / "disk", tmp_path / "kept"
    disk.mkdir()
    out = disk / "out"
    script = f"""
      {MOUNT} '{disk}' || exit 9
      trap "umount '{disk}'" EXIT
      {_batch(given, out)}; echo "code $?"
      cp -a '{out}/good-1' '{kept}'
      dd if=/dev/zero of='{disk}/filler' bs=4096 2>/dev/null
      {_batch([*given, *later], out, "--resume")}; echo "code $?"
      diff -r '{out}/good-1' '{kept}' && echo "good-1 is as it was"
      rm '{disk}/filler'
      {_batch([given[0], *later], out, "--resume")}; echo "code $?"
      cp -a '{out}' '{tmp_path}/out'
    """
    first, full, freed, whole, _ = _run(mounting, script, tmp_path)
    assert "2 done, 1 failed" in first
    assert "No space left" in first
    assert "2 skipped, 2 failed" in full
    assert "good-1 is as it was" in freed
    assert "1 skipped, 1 done" in freed
    assert [line for line in whole.splitlines() if line.startswith("code ")] == ["code 1", "code 1", "code 0"]
    shutil.rmtree(tmp_path / "out" / "full-1", ignore_errors=True)
    assert whole_results(tmp_path / "out") == {"good-1", "good-2", "good-3"}


def test_a_limit_on_the_size_of_files(tmp_path: Path) -> None:
    """``ulimit -f`` counts blocks of 512 bytes: 2048 are 1 MiB; with none at all no file can hold anything."""
    given, later = cases(tmp_path, "good-1", "full-1", "good-2"), cases(tmp_path, "good-3")
    out, kept = tmp_path / "out", tmp_path / "kept"
    script = f"""
      trap '' XFSZ
      (ulimit -f 2048; {_batch(given, out)}; echo "code $?")
      cp -a '{out}/good-1' '{kept}'
      (ulimit -f 0; {_batch([*given, *later], out, "--resume")} 2>&1; echo "code $?") | cat
      diff -r '{out}/good-1' '{kept}' && echo "good-1 is as it was"
      {_batch([given[0], *later], out, "--resume")}; echo "code $?"
    """
    first, full, freed, whole, _ = _run(AS_ROOT, script, tmp_path)
    assert "2 done, 1 failed" in first
    assert "File too large" in first
    assert "2 skipped, 2 failed" in full
    assert "the table could not be written" in full
    assert "good-1 is as it was" in freed
    assert "1 skipped, 1 done" in freed
    assert [line for line in whole.splitlines() if line.startswith("code ")] == ["code 1", "code 1", "code 0"]
    shutil.rmtree(out / "full-1", ignore_errors=True)
    assert whole_results(out) == {"good-1", "good-2", "good-3"}
