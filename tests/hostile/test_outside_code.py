"""Nothing that lies in an outside folder is run: modules, kernelspecs, start-up files.

Each trap is shown to work first, by Python or Jupyter on their own, so that a trap that never springs proves nothing.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import textwrap
from pathlib import Path

import nbformat
import pytest
from traps import MODULES, SCRIPT, plant_elsewhere, plant_modules, run

from forensics.report.running.execution import run_notebook
from forensics.report.running.kernel import run_place


@pytest.fixture
def mark(tmp_path: Path) -> Path:
    return tmp_path / "what-ran.txt"


@pytest.fixture
def folder(tmp_path: Path, mark: Path, root: Path) -> Path:
    """A case folder that came from outside, with modules in it."""
    case = tmp_path / "case"
    shutil.copytree(root / "data_demo" / "cases" / "cannot-tell", case)
    plant_modules(case, mark)
    return case


def ran(mark: Path) -> set[str]:
    return set(mark.read_text(encoding="utf-8").split("\n")) - {""} if mark.exists() else set()


@pytest.mark.parametrize("name", MODULES)
def test_the_planted_modules_would_run(folder: Path, mark: Path, name: str) -> None:
    module = name.removesuffix(".py").partition("/")[0]
    run(sys.executable, "-c", f"import sys; sys.modules.pop({module!r}, None); import {module}", cwd=folder)
    assert name in ran(mark)


def test_the_planted_kernelspec_and_startup_files_would_run(tmp_path: Path, mark: Path) -> None:
    traps = plant_elsewhere(tmp_path / "traps", mark)
    found = run(
        sys.executable,
        "-c",
        "from jupyter_client.kernelspec import KernelSpecManager as K; print(K().find_kernel_specs()['python3'])",
        cwd=tmp_path,
        **traps,
    )
    assert Path(found.stdout.strip()).is_relative_to(tmp_path)
    run(sys.executable, "-c", "import IPython; IPython.start_ipython(['-c', 'pass'])", cwd=tmp_path, **traps)
    run(sys.executable, "-i", cwd=tmp_path, **traps)
    assert {"startup", "PYTHONSTARTUP"} <= ran(mark)


def test_a_kernel_imports_and_starts_nothing_from_outside(
    folder: Path, mark: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder)
    for name, value in plant_elsewhere(tmp_path / "traps", mark).items():
        monkeypatch.setenv(name, value)
    monkeypatch.setenv("HOME", str(tmp_path / "traps" / "home"))
    cells = [
        nbformat.v4.new_code_cell("case = ''", metadata={"tags": ["parameters"]}),
        nbformat.v4.new_code_cell(
            "import json, pandas, plotly, forensics\ntry:\n    import sitecustomize\nexcept ImportError:\n    pass"
        ),
        nbformat.v4.new_code_cell(
            "import os, sys; print(sys.executable, os.listdir(), '' in sys.path, os.getcwd() in sys.path)"
        ),
    ]
    book = tmp_path / "book.ipynb"
    nbformat.write(nbformat.v4.new_notebook(cells=cells), str(book))
    done = run_notebook(book, {})
    assert done.cells[-1].outputs[0]["text"].split() == [sys.executable, "[]", "False", "False"]
    assert ran(mark) == set()


@pytest.mark.skipif(os.name != "posix", reason="sockets of the file system are those of a POSIX system")
def test_only_their_owner_reaches_the_sockets_of_a_run(tmp_path: Path) -> None:
    cell = """
        import glob, os
        place = os.path.dirname(os.getcwd())
        print(oct(os.stat(place).st_mode & 0o777), len(glob.glob(place + '/s-*')))
    """
    cells = [
        nbformat.v4.new_code_cell("case = ''", metadata={"tags": ["parameters"]}),
        nbformat.v4.new_code_cell(textwrap.dedent(cell)),
    ]
    book = tmp_path / "book.ipynb"
    nbformat.write(nbformat.v4.new_notebook(cells=cells), str(book))
    mode, sockets = run_notebook(book, {}).cells[-1].outputs[0]["text"].split()
    assert mode == "0o700"
    assert int(sockets) >= 4


def test_runs_at_once_have_folders_of_their_own() -> None:
    with run_place() as one, run_place() as two:
        assert one.folder != two.folder
        assert one.transports[0] == ("ipc" if os.name == "posix" else "tcp")
    assert not one.folder.exists()


def test_a_path_too_long_for_a_socket_falls_back_to_ports(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    long = tmp_path / ("x" * 120)
    long.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(long))
    with run_place() as place:
        assert place.transports == ("tcp", "tcp")


def test_a_kernel_that_does_not_come_up_is_started_once_more(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A port taken meanwhile, or a socket that can't be made: the second try has other ones."""
    from forensics.report.running import execution

    tried = []
    real = execution.manager_class

    def failing(place: object, transport: str, more: object) -> type:
        tried.append(transport)
        made = real(place, transport, more)  # type: ignore[arg-type]
        if len(tried) > 1:
            return made

        class Taken(made):  # type: ignore[misc, valid-type]
            async def start_kernel(self, **given: object) -> None:
                raise RuntimeError("Address already in use")

        return Taken

    monkeypatch.setattr(execution, "manager_class", failing)
    cells = [
        nbformat.v4.new_code_cell("case = ''", metadata={"tags": ["parameters"]}),
        nbformat.v4.new_code_cell("print('here')"),
    ]
    book = tmp_path / "book.ipynb"
    nbformat.write(nbformat.v4.new_notebook(cells=cells), str(book))
    assert run_notebook(book, {}).cells[-1].outputs[0]["text"] == "here\n"
    assert tried[1] == "tcp"


WORKER = """
import sys
import textwrap
from pathlib import Path
from forensics.batch.supervisor import Bounds, Worker
worker = Worker()
try:
    print(worker.inputs(Path("case.toml").resolve(), Bounds()))
finally:
    worker.close()
"""


def test_the_worker_of_a_batch_imports_nothing_from_outside(folder: Path, mark: Path) -> None:
    done = run(sys.executable, "-P", "-c", WORKER, cwd=folder)
    assert len(done.stdout.strip()) == 64, done.stderr
    assert ran(mark) == set()


POOL = """
import multiprocessing
from forensics.study.run import _safe_path
if __name__ == "__main__":
    with _safe_path():
        with multiprocessing.get_context("spawn").Pool(1) as pool:
            print(pool.map(abs, [-1]))
"""


def test_the_processes_of_a_study_import_nothing_from_outside(folder: Path, mark: Path, tmp_path: Path) -> None:
    """They are started by ``-c``, which puts the working directory first."""
    run(sys.executable, "-c", "from multiprocessing.spawn import spawn_main", cwd=folder)
    assert "multiprocessing.py" in ran(mark), "a trap that never springs proves nothing"
    mark.unlink()
    (tmp_path / "safe.py").write_text(POOL, encoding="utf-8")
    done = run(sys.executable, tmp_path / "safe.py", cwd=folder)
    assert done.stdout.strip() == "[1]", done.stderr
    assert ran(mark) == set()


QUICK = (
    ("check", "case.toml"), ("draft", "exports", "--out", "drafted.toml"), ("papers", "case.toml", "--out", "papers"),
    ("help", "case"), ("notebooks", "books"),
)  # fmt: skip


@pytest.mark.parametrize("start", ["script", "module"])
@pytest.mark.parametrize("words", QUICK, ids=lambda w: w[0])
def test_commands_that_need_no_kernel(folder: Path, mark: Path, start: str, words: tuple[str, ...]) -> None:
    if (
        start == "module"
    ):  # a forensics.py would be run by Python itself before the program is reached: see DEVELOPERS.md
        (folder / "forensics.py").unlink()
    given = [word for word in words if word != "exports"]
    if words[0] == "draft":
        given[1:1] = [str(p.relative_to(folder)) for p in sorted(folder.rglob("*.csv"))[:1]]
    first = [SCRIPT] if start == "script" else [sys.executable, "-m", "forensics"]
    done = run(*first, *given, cwd=folder)
    assert done.returncode == 0, done.stderr
    assert ran(mark) == set()


def test_report_with_every_trap_at_once(folder: Path, mark: Path, tmp_path: Path) -> None:
    traps = plant_elsewhere(tmp_path / "traps", mark)
    done = run(SCRIPT, "report", "case.toml", cwd=folder, **traps)
    assert done.returncode == 0, done.stderr
    assert (folder / "report" / "report.html").is_file()
    assert ran(mark) == set()


@pytest.mark.slow
@pytest.mark.parametrize("start", ["script", "module"])
def test_every_command_in_a_folder_of_traps(folder: Path, mark: Path, tmp_path: Path, start: str) -> None:
    traps = plant_elsewhere(tmp_path / "traps", mark)
    if start == "module":
        (folder / "forensics.py").unlink()
    first = [SCRIPT] if start == "script" else [sys.executable, "-m", "forensics"]
    export = str(next(iter(sorted(folder.rglob("*.csv")))).relative_to(folder))
    commands = {
        "report": ("report", "case.toml"),
        "demo": ("demo", "cannot-tell", "--out", "demo"),
        "check": ("check", "case.toml"),
        "draft": ("draft", export, "--out", "drafted.toml"),
        "seal": ("seal", "report", "--out", tmp_path / "bag"),
        "batch": ("batch", "case.toml", "--out", "many"),
        "sites": ("sites", "many", "--out", "compared"),
        "papers": ("papers", "case.toml", "--out", "papers"),
        "notebooks": ("notebooks", "books"),
        "help": ("help", "case"),
        "study": ("study", "--cases", "1", "--out", "studied"),
    }
    for name, words in commands.items():
        done = run(*first, *words, cwd=folder, **traps)
        assert done.returncode == 0, (name, done.stderr)
        assert ran(mark) == set(), name
    plant_modules(tmp_path / "bag", mark)
    done = run(SCRIPT, "verify", ".", cwd=tmp_path / "bag", **traps)
    assert done.returncode == 2
    assert "added: forensics.py" in done.stdout
    assert ran(mark) == set()
    bag = tmp_path / "bag"
    for name in MODULES:
        (bag / name).unlink()
    (bag / "plotly").rmdir()
    plant_modules(tmp_path, mark)  # beside the bag: where a person may stand who verifies it
    (tmp_path / "forensics.py").unlink()
    done = run(*first, "verify", "bag", cwd=tmp_path, **traps)
    assert done.returncode == 0, done.stdout + done.stderr
    assert ran(mark) == set()


TWENTY = """
import sys
from pathlib import Path
from forensics.report.running import kernel
from forensics.report.running.execution import run_notebook
kernel.RunPlace.transports = property(lambda place: ("ipc", "no second try"))
for _ in range(20):
    assert run_notebook(Path(sys.argv[1]), {}).cells[-1].outputs[0]["text"] == "here\\n"
"""


@pytest.mark.slow
def test_kernels_at_once_never_take_each_others_sockets(tmp_path: Path) -> None:
    """Sixty kernels, three at a time, with no second try: named in one folder, they would clash."""
    cells = [
        nbformat.v4.new_code_cell("case = ''", metadata={"tags": ["parameters"]}),
        nbformat.v4.new_code_cell("print('here')"),
    ]
    book = tmp_path / "book.ipynb"
    nbformat.write(nbformat.v4.new_notebook(cells=cells), str(book))
    words = [sys.executable, "-P", "-c", TWENTY, str(book)]
    three = [subprocess.Popen(words, stderr=subprocess.PIPE, text=True) for _ in range(3)]
    for process in three:
        _, said = process.communicate(timeout=600)
        assert process.returncode == 0, said
