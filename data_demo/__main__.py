"""Make demonstration data again: ``python -m data_demo --out DIR`` with ``--cases``, or ``--fault MODE --seed N``."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from .committed import BUILDERS, build
from .exports import write_case
from .faults import ACTS
from .more_cases import MORE
from .scenarios import Scenario, short_run, simulate


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m data_demo", description="Make a case of the demonstration machine."
    )
    parser.add_argument("--out", type=Path, required=True, help="folder to write to")
    parser.add_argument("--cases", action="store_true", help="make the committed cases again, each in its own folder")
    parser.add_argument("--more", choices=sorted(MORE), help="make one of the cases that are not committed")
    parser.add_argument("--only", choices=sorted(BUILDERS), help="with --cases: only this one")
    parser.add_argument("--fault", choices=sorted(ACTS), default="none", help="failure mode (default: none)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--hours", type=float, help="length of the run; without it three short cycles are made")
    parser.add_argument("--fault-start-h", type=float, default=0.0)
    parser.add_argument("--growth-h", type=float, default=0.0)
    parser.add_argument("--severity", type=float, default=1.0)
    parser.add_argument("--interval", type=float, default=1.0, help="seconds between records")
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; return the exit code (2: an argument must be corrected)."""
    given = _parser().parse_args(arguments)
    try:
        if given.more:
            print(MORE[given.more](given.out))
            return 0
        if given.cases:
            for path in build(given.out, (given.only,) if given.only else tuple(BUILDERS)).values():
                print(path)
            return 0
        if given.hours is None:
            run = short_run(given.fault, given.seed, cycles=3, healthy_cycles=1, interval_s=given.interval)
        else:
            run = simulate(
                Scenario(
                    seed=given.seed,
                    hours=given.hours,
                    interval_s=given.interval,
                    fault=given.fault,
                    fault_start_h=given.fault_start_h,
                    growth_h=given.growth_h,
                    severity=given.severity,
                )
            )
    except ValueError as error:
        print(f"error: {error}", file=sys.stderr)
        return 2
    print(write_case(run, given.out))
    return 0


if __name__ == "__main__":
    sys.exit(main())
