"""The cluster that the README describes, started by its very commands, with the real software in it."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from batch.started import end, free_port, whole_results
from forensics.demo import DEMO_CASES

pytestmark = pytest.mark.slow
PORT = "8786"


@pytest.fixture
def written(root: Path) -> list[str]:
    """The commands of the section, one a line."""
    text = (root / "README.md").read_text(encoding="utf-8")
    block = re.search(r"^### On several machines\n+```sh\n(.+?)\n```", text, re.DOTALL | re.MULTILINE)
    assert block is not None, "the README has no such section"
    return block[1].splitlines()


def test_the_commands_of_the_readme_run_a_batch_on_two_processes(written: list[str], tmp_path: Path) -> None:
    pytest.importorskip("distributed")
    install, scheduler, worker, batch = written
    assert "'.[cluster]'" in install
    for name in ("one", "two"):
        # a short case, under an id of its own
        shutil.copytree(DEMO_CASES["cannot-tell"].parent, tmp_path / "sites" / name)
        case = tmp_path / "sites" / name / "case.toml"
        case.write_text(
            re.sub(r'(?m)^id = ".+"$', f'id = "{name}"', case.read_text(encoding="utf-8"), count=1), encoding="utf-8"
        )
    port = str(free_port())  # the port of the README may be taken; all else is as it stands there
    env = {**os.environ, "PATH": os.pathsep.join([str(Path(sys.executable).parent), os.environ["PATH"]])}
    started = []
    try:
        for line in (scheduler, worker):
            assert line.endswith(" &"), line
            assert PORT in line
            words = shlex.split(line.removesuffix(" &").replace(PORT, port))
            none = subprocess.DEVNULL
            started.append(subprocess.Popen(words, cwd=tmp_path, env=env, stdout=none, stderr=none, text=True))
        assert PORT in batch
        words = ["sh", "-c", batch.replace(PORT, port)]
        done = subprocess.run(words, cwd=tmp_path, env=env, capture_output=True, text=True, check=False, timeout=300)
    finally:
        for process in reversed(started):
            end(process)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "2 done" in done.stdout
    assert whole_results(tmp_path / "done") == {"one", "two"}
    assert "Traceback" not in done.stderr
