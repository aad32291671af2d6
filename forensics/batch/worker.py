"""The process that runs cases for a batch: a case a line on its input, an answer a line on its output.

It has a process of its own so that a case that hangs, grows or crashes takes nothing else with it. Started with
``python -m forensics.batch.worker``. It ends when its input ends, and takes its kernel along.
"""

from __future__ import annotations

import json
import os
import queue
import sys
import threading
from dataclasses import asdict
from pathlib import Path
from typing import IO, Any, NoReturn

import psutil

from forensics.errors import InputError, RunError, Severity

READY = "ready"


def main() -> None:
    """Serve cases until the input ends."""
    answers = os.fdopen(os.dup(1), "w", encoding="utf-8")
    # whatever a library prints must not be taken for an answer
    os.dup2(2, 1)
    lines: queue.Queue[str] = queue.Queue()
    threading.Thread(target=_listen, args=(sys.stdin, lines), daemon=True).start()
    load_program()
    answer: dict[str, Any] = {"result": READY}
    while True:
        try:
            answers.write(json.dumps(answer) + "\n")
            answers.flush()
        except BrokenPipeError:
            _leave()
        answer = run_one(json.loads(lines.get()))


def load_program() -> None:
    """Import what a run needs before the clock of the first case is started."""
    import papermill  # noqa: F401

    import forensics.report.running.runner  # noqa: F401


def _listen(stream: IO[str], lines: queue.Queue[str]) -> None:
    """Pass lines on; at the end of the input the batch is gone, and so is the need for this process."""
    for line in stream:
        lines.put(line)
    _leave()


def _leave() -> NoReturn:
    for child in psutil.Process().children(recursive=True):
        child.kill()
    os._exit(0)


def run_one(order: dict[str, Any]) -> dict[str, Any]:
    """Carry out one order: run a case, or hash what it stands on.

    The answer says ``done`` (or ``inputs`` with the hash), ``to correct`` with the problems, or ``failed`` with the
    reason.
    """
    try:
        if "inputs" in order:
            return {"result": "inputs", "sha256": _inputs(Path(order["inputs"]))}
        note = report_case(Path(order["case"]), Path(order["out"]))
    except InputError as fault:
        return {"result": "to correct", "problems": [_plain(asdict(p)) for p in fault.problems]}
    except RunError as fault:
        return {"result": "failed", "why": str(fault)}
    except OSError as fault:
        return {"result": "failed", "why": f"{fault.strerror or fault}: {fault.filename or ''}".rstrip(": ")}
    except Exception as fault:  # noqa: BLE001 - whatever goes wrong in one case must not end the batch
        return {"result": "failed", "why": f"{type(fault).__name__}: {fault}"}
    return {"result": "done", "note": note}


def _plain(problem: dict[str, Any]) -> dict[str, Any]:
    return problem | {"severity": Severity(problem["severity"]).value}


def _inputs(case: Path) -> str:
    from forensics.intake.case_files import case_inputs, inputs_hash

    return inputs_hash(case_inputs(case))


def report_case(case: Path, out: Path) -> str:
    """Run the report; a kernel that died gets a second chance, and the note says so."""
    from forensics.errors import KernelDied
    from forensics.report import run_report

    try:
        run_report(case, out)
    except KernelDied as fault:
        first = str(fault)
    else:
        return ""
    try:
        run_report(case, out)
    except KernelDied as fault:
        raise RunError(f"{fault}; so did the kernel of a first try") from None
    return f"run a second time: {first}"


if __name__ == "__main__":
    main()
