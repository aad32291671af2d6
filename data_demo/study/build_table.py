"""A table of builds by what was checked on healthy machines of them: `python -m data_demo.study.build_table 10`."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from .builds import BUILDS
from .sampling import hand_over
from .simulation import simulate
from .workbook import as_case

SAMPLING_S = (1.0, 5.0)
HEAD = (
    "build", "interval, s", "machines", "named", "sound", "undetermined", "left open by", "checks that answer",
    "do not apply", "present",
)  # fmt: skip


@dataclass(slots=True)
class BuildRow:
    """What healthy machines of one build came to at one sampling."""

    build: str
    sampling_s: float
    machines: int = 0
    named: Counter[str] = field(default_factory=Counter)
    sound: int = 0
    undetermined: int = 0
    left_open: Counter[str] = field(default_factory=Counter)
    answered: Counter[str] = field(default_factory=Counter)
    void: Counter[str] = field(default_factory=Counter)
    present: Counter[str] = field(default_factory=Counter)
    against_profile: Counter[str] = field(default_factory=Counter)

    def cells(self) -> tuple[str, ...]:
        """As the table prints it."""
        return (
            self.build,
            f"{self.sampling_s:g}",
            str(self.machines),
            _counted(self.named),
            str(self.sound),
            str(self.undetermined),
            _counted(self.left_open),
            str(len(self.answered)),
            str(len(self.void)),
            _counted(self.present + self.against_profile),
        )


def _counted(names: Counter[str]) -> str:
    return ", ".join(f"{name} {often}" for name, often in names.most_common()) or "-"


def healthy(build: str, seeds: Iterable[int], sampling_s: float) -> BuildRow:
    """Judge healthy machines of one build."""
    from forensics.investigation import weigh_case
    from forensics.machine.built.profile_evidence import contradictions
    from forensics.model.findings import DOES_NOT_APPLY
    from forensics.model.vocabulary import Outcome, VerdictStatus

    row = BuildRow(build, sampling_s)
    for seed in seeds:
        done = weigh_case(as_case(hand_over(simulate(build, seed=seed), sampling=sampling_s)))
        verdict = done.weighing.verdict
        row.machines += 1
        row.sound += verdict.status is VerdictStatus.NO_FAULT_FOUND
        row.undetermined += verdict.status is VerdictStatus.UNDETERMINED
        row.left_open.update(done.weighing.still_open)
        if verdict.mode is not None:
            row.named[verdict.mode] += 1
        for finding in done.findings:
            if finding.reason.startswith(DOES_NOT_APPLY):
                row.void[finding.check] += 1
            elif finding.outcome is not Outcome.CANNOT_TELL:
                row.answered[finding.check] += 1
            if finding.outcome is Outcome.PRESENT:
                row.present[finding.check] += 1
        for one in contradictions(done.subject):
            row.against_profile[f"profile: {one.about}"] += 1
    return row


def main(arguments: Sequence[str]) -> None:
    """Print the table for so many machines a build."""
    seeds = range(1, 1 + int(arguments[0]) if arguments else 2)
    builds = arguments[1:] or list(BUILDS)
    print(" | ".join(HEAD))
    for build in builds:
        for sampling_s in SAMPLING_S:
            print(" | ".join(healthy(build, seeds, sampling_s).cells()), flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
