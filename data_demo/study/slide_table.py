"""A table of slide faults by sampling and what the checks say: `python -m data_demo.study.slide_table 2`."""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Sequence

from .simulation import simulate
from .workbook import as_case

FAULTS = (
    "none",
    "slide-stuck",
    "unload-path-failed",
    "load-solenoid-failed",
    "unload-solenoid-leaking",
    "load-solenoid-leaking",
)
BUILDS = ("pulsed-bypass", "unload-normally-open", "bypass-early", "three-way", "steps-four", "drive-and-slide")
SAMPLING_S = (1.0, 2.0, 5.0, 10.0, 15.0)
CHECKS = (
    "no_response_to_unload",
    "no_response_to_load",
    "drifts_to_unload",
    "drifts_to_load",
    "cannot_reach_full_load",
)
EXPECTED = {
    "none": (),
    "slide-stuck": ("no_response_to_unload", "no_response_to_load"),
    "unload-path-failed": ("no_response_to_unload",),
    "load-solenoid-failed": ("no_response_to_load", "cannot_reach_full_load"),
    "unload-solenoid-leaking": ("drifts_to_unload", "cannot_reach_full_load"),
    "load-solenoid-leaking": ("drifts_to_load",),
}
"""What a fault may show; anything else that is present beside it is false."""


def answers(case: object) -> dict[str, str]:
    """Outcome of each check of the slide for a case of the workbook."""
    from forensics.clocks import align, fit_clocks
    from forensics.intake.load_case import Case
    from forensics.investigation import look
    from forensics.signatures.core.catalogue import all_detectors, run_catalogue

    assert isinstance(case, Case)
    record = align(case.record, fit_clocks(case.record, case.file, case.limits), case.limits)
    wanted = {f"slide.{name}" for name in CHECKS}
    chosen = {name: one for name, one in all_detectors().items() if name in wanted}
    return {f.check.removeprefix("slide."): f.outcome.value for f in run_catalogue(look(case, record), chosen)}


def main(arguments: Sequence[str]) -> None:
    """Print, for each fault and sampling, how often each check is present, absent and open."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("seeds", type=int, nargs="?", default=1)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--severity", default="clear")
    parser.add_argument("--onset", default="sudden")
    parser.add_argument("--hours", type=float, default=12.0)
    parser.add_argument("--without", nargs="*", default=[])
    parser.add_argument("--builds", nargs="*", default=list(BUILDS))
    parser.add_argument("--faults", nargs="*", default=list(FAULTS))
    parser.add_argument("--sampling", nargs="*", type=float, default=list(SAMPLING_S))
    parser.add_argument("--each", action="store_true", help="name what is false, or missing, machine by machine")
    asked = parser.parse_args(arguments)
    print("fault | interval, s | " + " | ".join(CHECKS) + " | false present")
    for fault in asked.faults:
        tally = {s: {c: Counter[str]() for c in CHECKS} for s in asked.sampling}
        false = Counter[float]()
        for build in asked.builds:
            for seed in range(asked.first, asked.first + asked.seeds):
                made = simulate(build, fault, asked.severity, asked.onset, seed, asked.hours)
                for s in asked.sampling:
                    found = answers(as_case(made.case(sampling=s, without=asked.without)))
                    for check, outcome in found.items():
                        tally[s][check][outcome] += 1
                        if outcome == "present" and check not in EXPECTED[fault]:
                            false[s] += 1
                            print(f"  FALSE {fault} {build} {seed} {s:g} s: {check}", file=sys.stderr, flush=True)
                    if asked.each:
                        told = " ".join(f"{c}={o}" for c, o in found.items() if o == "present" or c in EXPECTED[fault])
                        print(f"  {fault} {build} {seed} {s:g} s: {told}", file=sys.stderr, flush=True)
        for s in asked.sampling:
            cells = ("/".join(str(tally[s][c][o]) for o in ("present", "absent", "cannot-tell")) for c in CHECKS)
            print(f"{fault} | {s:g} | " + " | ".join(cells) + f" | {false[s]}", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
