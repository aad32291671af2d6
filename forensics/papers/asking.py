"""What to ask the site for: points that the live causes need, what check finds missing, open questions of files."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from forensics.case.schema import JobFile
from forensics.errors import InputError
from forensics.hypotheses.modes import read_modes
from forensics.intake.load_case import load_case
from forensics.investigation import judge
from forensics.model.role_words import in_words
from forensics.model.vocabulary import Role
from forensics.papers.live import Live
from forensics.rules.checks import read_checks
from forensics.rules.papers_forms import read_paper_rules

MOST_MISSING, MOST_PROBLEMS = 12, 20


@dataclass(frozen=True, slots=True)
class PointAsked:
    """A point with the longest interval that still serves, and for how many causes it is needed."""

    role: str
    words: str
    longest_interval_s: float | None
    causes: int
    bound: bool


@dataclass(frozen=True, slots=True)
class Missing:
    """What reading the case's own exports leaves open."""

    changes: tuple[str, ...] = ()
    questions: tuple[str, ...] = ()


def points_asked(job: JobFile, live: Live) -> tuple[PointAsked, ...]:
    """Points that the live causes and their look-alikes need, those of most causes first; of all where none is known.

    Of several roles that would do, each is listed. The interval is the shortest that any of the causes asks for.
    """
    every = read_modes(read_checks())
    like = {look.mode for mode in live.modes for look in mode.look_alikes}
    chosen = tuple(mode for mode in every.causes if not live.modes or mode.id in live.ids | like)
    interval: dict[str, list[float]] = {}
    count: Counter[str] = Counter()
    for mode in chosen:
        roles = {role.value: need.longest_interval_s for need in mode.needs for role in need.roles}
        count.update(list(roles))
        for role, longest in roles.items():
            interval.setdefault(role, [])
            if longest is not None:
                interval[role].append(longest)
    words = {point.role: point.words for point in read_paper_rules().request.point}
    bound = {point.role.value for point in job.point}
    rows = [
        PointAsked(role, words.get(role, in_words_of(role)), min(interval[role], default=None), n, role in bound)
        for role, n in count.items()
    ]
    return tuple(sorted(rows, key=lambda row: (row.bound, -row.causes, row.role)))


def in_words_of(role: str) -> str:
    """A role's id as it reads in a sentence."""
    return in_words(Role(role))


def missing_of(case: Path, job: JobFile, live: Live) -> Missing:
    """What check finds missing: from the findings where there are any, else by reading the case.

    A case that can't be read yet gives its problems as questions to the site.
    """
    if live.findings is not None:
        return Missing(live.missing[:MOST_MISSING])
    if not job.source:
        return Missing()
    try:
        found = judge(load_case(case))
    except InputError as fault:
        return Missing(questions=tuple(str(problem) for problem in fault.problems[:MOST_PROBLEMS]))
    counted = Counter(row.unlocked_by for row in found.weighing.observability if row.unlocked_by)
    changes = tuple(f"{what} (causes opened to view: {n})" for what, n in counted.most_common(MOST_MISSING))
    return Missing(changes, tuple(str(problem) for problem in found.problems[:MOST_PROBLEMS]))
