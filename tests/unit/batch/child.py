"""A worker process for tests: it speaks as the real one, and the id of a case says what befalls it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

from finished_cases import write_finished

from forensics.batch import worker
from forensics.case.read import read_case_file
from forensics.errors import InputError, Problem, RunError
from forensics.report.written.revision import keep_earlier

SLOW_S = 0.3


def report(case: Path, out: Path) -> None:
    name = read_case_file(case).case.id
    if name.startswith("hang"):
        time.sleep(600)
    while name.startswith("wait") and not (case.parent / "go").exists():
        time.sleep(0.05)
    if name.startswith("grow"):
        held = bytearray()
        while True:
            held += b"x" * (8 << 20)
            time.sleep(0.02)
    if name.startswith("die"):
        subprocess.Popen([sys.executable, "-c", "import time; time.sleep(600)", str(case)], start_new_session=True)
        time.sleep(2.0)
        os.kill(os.getpid(), signal.SIGKILL)
    if name.startswith("input"):
        raise InputError([Problem("no unit", file="exports/trend.csv", column="Amps", remedy="Give unit.")])
    if name.startswith("stop"):
        raise RunError("stopped at cell 3 of 4: it broke")
    if name.startswith("defect"):
        raise ZeroDivisionError("division by zero")
    if name.startswith("full"):
        out.mkdir(exist_ok=True)
        (out / "big").write_bytes(b"x" * (64 << 20))
    time.sleep(SLOW_S if name.startswith("slow") else 0)
    print("a library prints this", flush=True)
    fresh = out.with_name("fresh")
    write_finished(
        case,
        fresh,
        rules_sha256=os.environ.get("TEST_RULES", "1" * 64),
        mode=os.environ.get("TEST_MODE", "unload-path-failed"),
    )
    out.mkdir(exist_ok=True)
    keep_earlier(out, (fresh / "findings.json").read_bytes())
    for file in fresh.iterdir():
        file.replace(out / file.name)


if __name__ == "__main__":
    worker.report_case = report
    worker.load_program = lambda: None
    worker.main()
