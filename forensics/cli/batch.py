"""``batch``: many cases, side by side."""

from __future__ import annotations

from contextlib import nullcontext
from typing import Any

from forensics.cli.answer import STOPPED, Answer
from forensics.cli.options import Commands, command, matching
from forensics.cli.speech import Speech


def add(commands: Commands) -> None:
    """Add the command."""
    batch = command(
        commands,
        "batch",
        "many cases; one that fails never stops the others",
        "forensics batch 'sites/*/case.toml' --out done --workers 2",
    )
    # texts, not paths: an address such as s3://… must keep its two slashes
    batch.add_argument("cases", nargs="+", metavar="CASE.toml", help="paths, patterns, or addresses that fsspec knows")
    batch.add_argument(
        "--out", default="batch", metavar="DIR", help="folder of all results, or an address (default: batch)"
    )
    where = batch.add_mutually_exclusive_group()
    where.add_argument("--workers", type=int, default=1, metavar="N", help="processes on this machine (default: 1)")
    where.add_argument("--scheduler", default="", metavar="ADDRESS", help="a running dask.distributed scheduler")
    batch.add_argument("--resume", action="store_true", help="skip cases whose inputs and software are unchanged")
    batch.add_argument(
        "--case-limit", type=float, default=None, metavar="SECONDS", help="stop a case that runs longer (default: none)"
    )
    batch.add_argument(
        "--memory-limit", type=float, default=None, metavar="MIB", help="stop a case that holds more (default: none)"
    )
    batch.set_defaults(run=run_batch_command)


def run_batch_command(parsed: Any, speech: Speech) -> Answer:
    """Carry out a batch."""
    from forensics.batch import BatchPlan, run_batch

    plan = BatchPlan(
        cases=matching(parsed.cases),
        out=parsed.out,
        workers=parsed.workers,
        scheduler=parsed.scheduler,
        resume=parsed.resume,
        case_limit_s=parsed.case_limit,
        memory_limit_mib=parsed.memory_limit,
        progress=speech.bar,
    )
    with nullcontext() if speech.bar else speech.at_work(f"batch of {len(plan.cases)}"):
        outcome = run_batch(plan)
    rows = [{"case": str(row.case), "result": row.result} for row in outcome.rows]
    code = STOPPED if outcome.stopped else outcome.exit_code
    return Answer((str(outcome.table),), {"cases": rows, "table": str(outcome.table).splitlines()}, code=code)
