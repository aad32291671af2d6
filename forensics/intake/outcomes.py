"""What came of the sources of a case together: points that are in none of them, or in several."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from forensics.case.exports import Point
from forensics.case.schema import CaseFile
from forensics.errors import Problem, Problems, Severity
from forensics.intake.job import SourceJob
from forensics.intake.points.checks import settle_series
from forensics.intake.result import SourceResult

_MOST_HINTS = 100
_FEW_COLUMNS = 2


@dataclass(slots=True)
class Outcome:
    """What came of one source, or of several that are one: its job and a result for each file.

    ``first`` is the job of the first of its sources, ``paths`` are those of all of them.
    """

    job: SourceJob
    first: SourceJob
    results: list[SourceResult]
    paths: tuple[str, ...]


def resolve_points(casefile: CaseFile, outcomes: Sequence[Outcome], problems: Problems) -> tuple[SourceResult, ...]:
    """Ask for points that are in no source, or in several."""
    asked = {problem.column for problem in problems if problem.column}
    unread = {
        path
        for outcome in outcomes
        for path in outcome.paths
        if not any(one.accounting.rows_read for one in outcome.results)
    }
    known = {path for outcome in outcomes for path in outcome.paths}
    for number, point in enumerate(casefile.point):
        holders = [outcome for outcome in outcomes if number in outcome.job.found]
        if len(holders) > 1:
            names = ", ".join(outcome.job.path for outcome in holders)
            problems.add(
                Problem(
                    f"point {point.role.value}: its column is in several sources ({names}).",
                    file="case.toml",
                    column=point.column,
                    remedy="Give source in its [[point]]; files of one logger get the same clock, or one source with a "
                    "pattern as its path.",
                    severity=Severity.POINT,
                )
            )
            for outcome in holders:
                outcome.results[0] = replace(
                    outcome.results[0],
                    samples=tuple(s for s in outcome.results[0].samples if not _is_of(s.role, s.origin.column, point)),
                    switches=tuple(
                        s for s in outcome.results[0].switches if not _is_of(s.role, s.origin.column, point)
                    ),
                )
        elif not holders and point.column not in asked:
            if point.source and (point.source in unread or point.source not in known):
                continue
            _not_found(casefile, point, outcomes, problems)
    _note_parts(outcomes, problems)
    return settle_series([one for outcome in outcomes for one in outcome.results])


def _note_parts(outcomes: Sequence[Outcome], problems: Problems) -> None:
    """Note exports with the same columns that follow on each other in time, and are read as two all the same."""
    trends = [one for one in outcomes if one.results[0].kind == "trend" and one.results[0].last_ns is not None]
    trends.sort(key=lambda one: one.results[0].first_ns or 0)
    for earlier, later in pairwise(trends):
        ends = [one.last_ns for one in earlier.results if one.last_ns is not None]
        begins = [one.first_ns for one in later.results if one.first_ns is not None]
        same = len(set(earlier.job.names)) > _FEW_COLUMNS and set(earlier.job.names) == set(later.job.names)
        if same and max(ends) <= min(begins):
            problems.add(
                Problem(
                    f"it has the columns of '{earlier.job.path}' and goes on where that ends; it is read apart.",
                    file=later.job.path,
                    remedy="If both are files of one logger, give them the same clock, or one source with a pattern as "
                    "its path.",
                    severity=Severity.NOTE,
                )
            )


def _is_of(role: object, column: str, point: Point) -> bool:
    return role is point.role and column == point.column


def _not_found(casefile: CaseFile, point: Point, outcomes: Sequence[Outcome], problems: Problems) -> None:
    names = [name for one in outcomes if point.source in ("", *one.paths) for name in one.job.names]
    if not names:
        return  # no export that could hold it was read: that is asked for already
    few = len(problems.found) < _MOST_HINTS  # each look for near names goes through all columns
    near = difflib.get_close_matches(point.column, names, n=3, cutoff=0.5) if few else []
    hint = f" Nearest: {', '.join(near)}." if near else ""
    where = point.source or ", ".join(path for one in outcomes for path in one.paths)
    problems.add(
        Problem(
            f"point {point.role.value}: there is no such column in {where}.{hint}",
            file=point.source or "case.toml",
            column=point.column,
            remedy="Correct column, or name its source.",
            severity=Severity.POINT,
        )
    )
