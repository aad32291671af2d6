"""What to do next, in order: keep what would be lost, then the tests that still decide something, then the repair."""

from __future__ import annotations

from dataclasses import dataclass

from forensics.hypotheses.evidence import NextTest, Weighing
from forensics.hypotheses.modes import read_modes
from forensics.model.vocabulary import Grade, VerdictStatus
from forensics.rules import read_checks

# What the rules write as the caution of a reading of the record: it needs nobody at the machine.
DESK = "None: read from the record"
KEEP = (
    "Save the memories of controller, protection relay and recorder before anything is reset, cleared or restarted; "
    "keep and label the parts"
)
GET = (
    "Get what was not supplied: protection log, recorder memory, a faster trend of the failure if one was kept; then "
    "inspect the machine"
)
SOUND = (
    "Ask for what could not be seen before the machine is called sound in every part: protection log, recorder memory, "
    "the points named below"
)


@dataclass(frozen=True)
class Step:
    """One step with its caution and whether it changes evidence."""

    what: str
    caution: str = ""
    changes_evidence: bool = False


def site_tests(weighing: Weighing) -> list[NextTest]:
    """Tests of the rules that a person makes at the machine, in their order.

    A reading of the record is none: it was read, and what it does not hold is told as missing. Nor is a change of the
    logging, which cannot change a past event, or the saving of memories, which is the first step of every case.
    """
    modes = read_modes(read_checks())
    named = {t.test for rule in modes.causes for t in (*rule.look_alikes, *rule.inspections)}
    return [t for t in weighing.next_tests if t.test in named and t.caution != DESK]


def next_steps(weighing: Weighing) -> list[Step]:
    """The steps for a verdict.

    After a confirmed verdict no test is proposed: the inspection has answered what a test would split or show, and
    none may restart the machine. Under a probable one only tests that bear on its cause are. Whatever moves the
    machine or takes it apart changes evidence.
    """
    verdict = weighing.verdict
    steps = [Step(KEEP)]
    confirmed = verdict.grade is Grade.CONFIRMED
    cause = None if verdict.mode is None else str(verdict.mode)
    about_cause = [t for t in site_tests(weighing) if cause is None or cause in {str(m) for m in t.splits}]
    tests = [] if confirmed else about_cause
    steps += [Step(t.test, t.caution, changes_evidence=not t.non_destructive) for t in tests]
    if verdict.mode is not None and verdict.status is VerdictStatus.DETERMINED:
        rule = read_modes(read_checks()).by_id.get(str(verdict.mode))
        if rule is not None:
            steps.append(Step(rule.action, rule.caution, changes_evidence=True))
    if len(steps) == 1:
        steps.append(Step(SOUND if verdict.status is VerdictStatus.NO_FAULT_FOUND else GET))
    return steps
