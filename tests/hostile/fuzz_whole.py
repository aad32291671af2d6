"""Run broken cases through everything but the notebook, one after the other; a program of the fuzz test.

``python fuzz_whole.py SEED COUNT [FOLDER]`` prints a line a failure, a line a verdict that changed to another
definite one, and the counts as JSON; it exits 1 where there is any failure. FOLDER holds further sound cases.
"""

from __future__ import annotations

import json
import random
import signal
import sys
import tempfile
import time
import traceback
from collections import Counter
from pathlib import Path

from whole_cases import Whole, broken, shortened, sound

from forensics.errors import ForensicsError
from forensics.intake.load_case import load_case
from forensics.intake.result import OUTSIDE_WINDOW, write_set_aside
from forensics.investigation import Investigation, judge
from forensics.model.vocabulary import VerdictStatus
from forensics.results.findings_json import dump_findings, read_findings
from forensics.results.publish import to_findings_file
from forensics.results.schema import FindingsFile

ROOT = Path(__file__).resolve().parents[2]
LIMIT_S = 10


class TooLongError(BaseException):
    """A run took more processor time than it may."""


def _too_long(_signal: int, _frame: object) -> None:
    raise TooLongError(f"longer than {LIMIT_S} s")


def run(whole: Whole, folder: Path) -> FindingsFile:
    """Findings of one case, as their own reader reads them; every row of every source accounted for."""
    work = judge(load_case(whole.write(folder)))
    _rows(work)
    write_set_aside(work.readings, folder / "set_aside.csv")
    out = folder / "findings.json"
    text = dump_findings(to_findings_file(work))
    out.write_text(text, encoding="utf-8")
    found = read_findings(out)
    if dump_findings(found) != text:
        raise AssertionError("the findings file does not read back as it was written")
    return found


def _rows(work: Investigation) -> None:
    for reading in work.readings:
        counts = reading.accounting
        aside = sum(n for reason, n in counts.set_aside.items() if reason != OUTSIDE_WINDOW)
        if len(counts.listed) != aside:
            raise AssertionError(f"{aside} rows set aside, {len(counts.listed)} listed")


def said(found: FindingsFile) -> str:
    """A verdict in a word or two."""
    verdict = found.verdict
    return verdict.status.value if verdict.mode is None else f"{verdict.status.value}: {verdict.mode.value}"


def main(seed: int, count: int, more: Path | None = None) -> int:
    """Number of failures."""
    rng = random.Random(seed)
    further = sorted(more.glob("*/case.toml")) if more is not None else []
    bases = [*sound(ROOT), *(shortened(case) for case in further)]
    signal.signal(signal.SIGPROF, _too_long)
    counted: Counter[str] = Counter()
    longest_s, failures = 0.0, 0
    with tempfile.TemporaryDirectory() as place:
        before = {base.name: said(run(base, Path(place) / f"sound-{base.name}")) for base in bases}
        for index in range(count):
            base = rng.choice(bases)
            whole = broken(base, random.Random(f"{seed}-{index}"))
            folder = Path(place) / str(index)
            began = time.process_time()
            signal.setitimer(signal.ITIMER_PROF, LIMIT_S)
            try:
                found = run(whole, folder)
            except ForensicsError:
                counted["to correct"] += 1
            except (Exception, TooLongError) as fault:  # noqa: BLE001 - whatever it is, it is a failure
                failures += 1
                last = traceback.extract_tb(fault.__traceback__)[-1]
                where = f"{Path(last.filename).name}:{last.lineno}"
                print(f"{seed}-{index} {base.name} {whole.did}: {type(fault).__name__}: {str(fault)[:200]} at {where}")
            else:
                counted[_kind(before[base.name], said(found))] += 1
                if _kind(before[base.name], said(found)) == "another definite verdict":
                    print(f"verdict {seed}-{index} {base.name} {whole.did}: {before[base.name]} -> {said(found)}")
            finally:
                signal.setitimer(signal.ITIMER_PROF, 0)
            longest_s = max(longest_s, time.process_time() - began)
            _away(folder)
    print(json.dumps({"runs": count, "failures": failures, "longest_s": round(longest_s, 2), **counted}))
    return failures


def _kind(before: str, after: str) -> str:
    if before == after:
        return "same verdict"
    return "undetermined now" if after == VerdictStatus.UNDETERMINED.value else "another definite verdict"


def _away(folder: Path) -> None:
    import shutil

    shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    sys.exit(1 if main(int(sys.argv[1]), int(sys.argv[2]), Path(sys.argv[3]) if len(sys.argv) > 3 else None) else 0)
