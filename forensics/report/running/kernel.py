"""How the kernel of a run is started: this interpreter, an empty folder, and nothing that lies about outside is run.

What is shut out: modules in the working directory (``-P``, ``ignore_cwd``), kernelspecs of others (one of our own),
start-up files (``IPYTHONDIR`` and Jupyter's configuration are empty folders, no ``PYTHONSTARTUP``), and other users of
the machine (sockets in a folder of mode 0700). ``PYTHONPATH`` stays: who sets it means it.
"""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

Transport = Literal["ipc", "tcp"]
KERNEL_NAME = "python3"
COMMAND = (sys.executable, "-P", "-m", "ipykernel_launcher", "-f", "{connection_file}")
SHUT_OUT = (
    "--InteractiveShellApp.ignore_cwd=True",
    "--IPKernelApp.exec_PYTHONSTARTUP=False",
    "--InteractiveShellApp.exec_files=[]",
    "--log-level=40",
)
# names that would bring start-up files, kernelspecs or configuration of somebody else
_DROPPED = ("PYTHONSTARTUP", "JUPYTER_PATH", "JUPYTER_CONFIG_PATH", "JUPYTER_DATA_DIR", "PYTHONINSPECT")
# unix(7): sun_path holds 108 bytes, on some systems 104, the closing zero included
_LONGEST_SOCKET = 100
_SOCKET = "s"


@dataclass(frozen=True)
class RunPlace:
    """Folders of one run, all inside one of mode 0700.

    Attributes
    ----------
    work
        Empty: the working directory of the kernel.
    """

    folder: Path

    @property
    def work(self) -> Path:
        """Working directory of the kernel."""
        return self.folder / "work"

    @property
    def transports(self) -> tuple[Transport, Transport]:
        """How to reach the kernel, and how the second time where it does not come up.

        Sockets of the file system are out of reach for other users and take no port that another program may take
        meanwhile. Without a folder of its own a kernel names them ``kernel-ipc-1`` … in the working directory, so two
        at once took each other's: here each run has a folder for them.
        """
        short = len(os.fsencode(self.folder / f"{_SOCKET}-00")) <= _LONGEST_SOCKET
        return ("ipc", "tcp") if os.name == "posix" and short else ("tcp", "tcp")

    def environment(self, given: Mapping[str, str]) -> dict[str, str]:
        """The environment of the kernel, from that of this process."""
        own = {
            "IPYTHONDIR": str(self.folder / "ipython"),
            "JUPYTER_CONFIG_DIR": str(self.folder / "config"),
            "JUPYTER_RUNTIME_DIR": str(self.folder),
            "JUPYTER_NO_CONFIG": "1",
        }
        return safe_environment(given) | own


def safe_environment(given: Mapping[str, str]) -> dict[str, str]:
    """An environment in which a process started elsewhere finds the same modules, and none in its working directory."""
    kept = {name: value for name, value in given.items() if name not in _DROPPED}
    # an empty entry means the working directory, mostly by accident; others keep their meaning elsewhere
    entries = [entry for entry in kept.pop("PYTHONPATH", "").split(os.pathsep) if entry]
    if entries:
        kept["PYTHONPATH"] = os.pathsep.join(str(Path(entry).absolute()) for entry in entries)
    return kept | {"PYTHONSAFEPATH": "1"}


@contextmanager
def run_place() -> Iterator[RunPlace]:
    """Folders for one run, taken away afterwards."""
    with tempfile.TemporaryDirectory(prefix="screw-forensics-") as name:  # mode 0700
        folder = Path(name).resolve()
        for part in ("work", "ipython", "config"):
            (folder / part).mkdir()
        yield RunPlace(folder)


def manager_class(place: RunPlace, transport: Transport, more: Mapping[str, str] | None = None) -> type:
    """The class of the manager that starts the kernel of one run.

    Parameters
    ----------
    more
        Further names of the kernel's environment.
    """
    from jupyter_client.kernelspec import KernelSpec, KernelSpecManager, NoSuchKernel
    from jupyter_client.manager import AsyncKernelManager

    class OwnSpec(KernelSpecManager):
        """Knows one kernel: the interpreter that runs this."""

        def find_kernel_specs(self) -> dict[str, str]:
            return {KERNEL_NAME: ""}

        def get_kernel_spec(self, kernel_name: str) -> KernelSpec:
            if kernel_name != KERNEL_NAME:
                raise NoSuchKernel(kernel_name)
            return KernelSpec(argv=[*COMMAND, *SHUT_OUT], display_name="Python 3", language="python")

    class OwnKernel(AsyncKernelManager):
        """Starts the kernel in the folders of its run."""

        def __init__(self, **given: Any) -> None:
            # a second try must not find the files of the first
            own = {"connection_file": str(place.folder / f"{transport}.json"), "transport": transport}
            if transport == "ipc":
                own["ip"] = str(place.folder / _SOCKET)
            super().__init__(**{**given, **own, "kernel_spec_manager": OwnSpec()})

        async def start_kernel(self, **given: Any) -> None:  # type: ignore[override]
            environment = place.environment(os.environ) | dict(more or {})
            await self._async_start_kernel(**{**given, "cwd": str(place.work), "env": environment})

    return OwnKernel
