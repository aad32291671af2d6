"""The notebooks that an engineer opens: copied with a case that they open at once, never beside foreign code."""

from __future__ import annotations

from pathlib import Path

import nbformat
import pytest

from forensics.cli import CORRECT, DONE, main
from forensics.demo import DEMO_CASES
from forensics.errors import InputError
from forensics.report.notebook_copies import NAMES, copy_notebooks

CASE = DEMO_CASES["cannot-tell"]


def test_every_notebook_and_a_case_that_they_name_are_copied(tmp_path: Path) -> None:
    copy_notebooks(tmp_path / "bench", CASE)
    for name in NAMES:
        nbformat.validate(nbformat.read(str(tmp_path / "bench" / f"{name}.ipynb"), as_version=4))
    book = nbformat.read(str(tmp_path / "bench" / "incident.ipynb"), as_version=4)
    first = next(cell for cell in book.cells if "parameters" in cell.metadata.get("tags", []))
    assert 'case: str = "case.toml"' in first.source
    assert (tmp_path / "bench" / "case.toml").read_bytes() == CASE.read_bytes()
    assert list((tmp_path / "bench" / "exports").iterdir())


@pytest.mark.parametrize("name", ["json.py", "plotly/__init__.py", "deep/er/x.pyc", "x.so", "site.pth", "JSON.PY"])
def test_a_folder_with_python_in_it_is_refused(tmp_path: Path, name: str) -> None:
    (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
    (tmp_path / name).write_text("", encoding="utf-8")
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(InputError, match="holds Python"):
        copy_notebooks(tmp_path, CASE)
    assert sorted(tmp_path.rglob("*")) == before


def test_nothing_is_overwritten_and_a_case_of_the_engineer_stays(tmp_path: Path) -> None:
    (tmp_path / "case.toml").write_text("mine", encoding="utf-8")
    copy_notebooks(tmp_path, CASE)
    assert (tmp_path / "case.toml").read_text(encoding="utf-8") == "mine"
    assert not (tmp_path / "exports").exists()
    with pytest.raises(InputError) as fault:
        copy_notebooks(tmp_path, CASE)
    assert len(fault.value.problems) == len(NAMES)


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["notebooks", str(tmp_path / "bench")]) == DONE
    assert "incident.ipynb" in capsys.readouterr().out
    assert main(["notebooks", str(tmp_path / "bench")]) == CORRECT
    assert "is there already" in capsys.readouterr().err
