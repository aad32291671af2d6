"""What a hostile folder holds: modules, a kernelspec and start-up files that leave a mark where they are run."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

MODULES = ("forensics.py", "json.py", "pandas.py", "sitecustomize.py", "multiprocessing.py", "plotly/__init__.py")
SCRIPT = Path(sys.executable).with_name("forensics")


def leaves(mark: Path, name: str) -> str:
    """Code that notes its name in a file; it needs no import that could be planted."""
    return f"with open({str(mark)!r}, 'a') as noted:\n    noted.write({name!r} + '\\n')\n"


def plant_modules(folder: Path, mark: Path) -> None:
    for name in MODULES:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(leaves(mark, name), encoding="utf-8")


def plant_elsewhere(folder: Path, mark: Path) -> dict[str, str]:
    """A kernelspec ``python3`` and start-up files of two kinds, with the environment that points to them."""
    spec = folder / "jupyter" / "kernels" / "python3"
    home = folder / "home" / ".local" / "share" / "jupyter" / "kernels" / "python3"
    for kernel in (spec, home):
        kernel.mkdir(parents=True)
        ran = f"{leaves(mark, 'kernelspec')}raise SystemExit(1)"
        argv = [sys.executable, "-c", ran, "{connection_file}"]
        about = {"argv": argv, "display_name": "Python 3", "language": "python"}
        (kernel / "kernel.json").write_text(json.dumps(about), encoding="utf-8")
    startup = folder / "ipython" / "profile_default" / "startup"
    startup.mkdir(parents=True)
    (startup / "00-first.py").write_text(leaves(mark, "startup"), encoding="utf-8")
    configured = startup.parent / "ipython_kernel_config.py"
    configured.write_text(leaves(mark, "kernel configuration"), encoding="utf-8")
    (folder / "startup.py").write_text(leaves(mark, "PYTHONSTARTUP"), encoding="utf-8")
    return {
        "JUPYTER_PATH": str(folder / "jupyter"),
        "IPYTHONDIR": str(folder / "ipython"),
        "PYTHONSTARTUP": str(folder / "startup.py"),
    }


def run(*words: str | Path, cwd: Path, **environ: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [str(word) for word in words],
        cwd=cwd,
        env={**os.environ, **environ},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
