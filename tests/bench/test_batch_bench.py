"""Whole workloads: many cases with one worker and with two, and the comparison of a thousand findings files.

Ratios in one run, medians of three; each worker computes with one thread in both. ``FORENSICS_BENCH_CASES`` makes the
workload smaller for a quick look.
"""

from __future__ import annotations

import os
import random
import shutil
import sys
import time
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from statistics import median

import pytest

from forensics.batch import BatchOutcome, BatchPlan, run_batch, supervisor
from forensics.results.findings_json import dump_findings
from forensics.sites import compare_sites

UNIT = Path(__file__).resolve().parents[1] / "unit"
sys.path.insert(0, str(UNIT))
from finished_cases import findings, start, stop, write_case  # noqa: E402 - shared with the unit tests

pytestmark = pytest.mark.bench

CASES = int(os.environ.get("FORENSICS_BENCH_CASES", "40"))
ROUNDS = 3 if CASES >= 40 else 1
LEAST_GAIN, MOST_GROWTH, MOST_MIB = 1.6, 1.3, 900.0
FEW, MANY = 10, 200
FILES, STARTS, MOST_SECONDS = 1000, 30, 10.0


@pytest.fixture(scope="module")
def cases(root: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, ...]:
    """Copies of a demonstration case, each with an id of its own."""
    folder = tmp_path_factory.mktemp("cases")
    made = []
    for n in range(CASES):
        copy = folder / f"case-{n:02}"
        shutil.copytree(root / "data_demo" / "cases" / "cannot-tell", copy)
        text = (copy / "case.toml").read_text(encoding="utf-8").splitlines()
        lines = [f'id = "case-{n:02}"' if line.startswith("id =") else line for line in text]
        (copy / "case.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
        made.append(copy / "case.toml")
    return tuple(made)


def timed(plan: BatchPlan) -> tuple[float, BatchOutcome]:
    began = time.perf_counter()
    outcome = run_batch(plan)
    assert outcome.exit_code == 0, outcome.table
    return time.perf_counter() - began, outcome


def test_two_workers_are_faster_than_one_and_stay_bounded(cases: tuple[Path, ...], tmp_path: Path) -> None:
    one, two = [], []
    rows = []
    for n in range(ROUNDS):
        spent, outcome = timed(BatchPlan(cases, tmp_path / f"one{n}", workers=1))
        one.append(spent)
        rows.append(outcome.rows)
        two.append(timed(BatchPlan(cases, tmp_path / f"two{n}", workers=2))[0])
    gain = median(one) / median(two)
    quarter = max(1, CASES // 4)
    growth = median(r.wall_s for r in rows[-1][-quarter:]) / median(r.wall_s for r in rows[-1][:quarter])
    peak = max(r.peak_mib for run in rows for r in run)
    print(f"{CASES} cases: one {one}, two {two}, gain {gain:.2f}, growth {growth:.2f}, peak {peak:.0f} MiB")
    assert peak < MOST_MIB
    assert growth < MOST_GROWTH
    assert gain >= LEAST_GAIN


def test_what_a_batch_adds_to_a_case_stays_flat(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """From 10 to 200 cases that cost nothing themselves: planning, hashing, moving, the table."""
    monkeypatch.setenv("PYTHONPATH", str(UNIT))
    child = UNIT / "batch" / "child.py"
    monkeypatch.setattr("forensics.batch.run.Worker", partial(supervisor.Worker, (sys.executable, str(child))))
    each = {}
    for count in (FEW, MANY):
        given = tuple(write_case(tmp_path / f"{count}" / f"c{n}", f"c{n}") for n in range(count))
        run_batch(BatchPlan(given, tmp_path / f"warm{count}"))
        spent, _ = timed(BatchPlan(given, tmp_path / f"out{count}"))
        _, skipped = timed(BatchPlan(given, tmp_path / f"out{count}", resume=True))
        assert skipped.counts == {"skipped": count}
        each[count] = spent / count
    print(f"seconds a case: {each}")
    assert each[MANY] < MOST_GROWTH * each[FEW]


def test_a_thousand_findings_files_are_compared_within_ten_seconds(tmp_path: Path) -> None:
    chance = random.Random(7)
    lines = ["machine,from,to,hours,starts,still running"]
    first = datetime(2031, 1, 1, tzinfo=UTC)
    for n in range(FILES):
        at = first + timedelta(hours=chance.uniform(1000, 8000))
        hours = range(STARTS, 0, -1)
        found = findings(
            f"case-{n}",
            site=f"Mill {n // 4}",
            tag=f"C{n % 4}",
            failure=at,
            outcomes={f"family.check-{k}": chance.choice(["present", "absent", "cannot-tell"]) for k in range(80)},
            starts=[start(at - timedelta(hours=6 * k), chance.gauss(0.4, 0.02)) for k in hours],
            stops=[stop(at - timedelta(hours=6 * k, minutes=9), chance.gauss(2.4, 0.2)) for k in hours],
        )
        (tmp_path / "in" / f"{n}").mkdir(parents=True)
        (tmp_path / "in" / f"{n}" / "findings.json").write_text(dump_findings(found), encoding="utf-8")
        ran = (at - first).total_seconds() / 7200
        lines.append(f"Mill {n // 4}/C{n % 4},2031-01-01,{at:%Y-%m-%d},{ran:.0f},400,{chance.choice(['yes', 'no'])}")
    (tmp_path / "fleet.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    spent = []
    for _ in range(3):
        began = time.perf_counter()
        compare_sites([tmp_path / "in"], tmp_path / "out", fleet=tmp_path / "fleet.csv")
        spent.append(time.perf_counter() - began)
    print(f"{FILES} files of {STARTS} starts: {spent}")
    assert median(spent) < MOST_SECONDS
