"""Which sources of a case may be the files of one logger: those of one clock that are read in the same way."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from forensics.case.exports import Point, is_pattern
from forensics.intake.job import SourceJob

_OWN = {"path", "sha256", "clock_check"}


def same_logger(jobs: Sequence[SourceJob]) -> list[list[SourceJob]]:
    """Put sources together that name one clock and tell the same, unless their points tell them apart.

    Whether they are the files of one logger shows only when they are opened: the same columns, and no time in which
    both have rows that differ.
    """
    groups: list[list[SourceJob]] = []
    for job in jobs:
        alone = not job.source.clock or job.source.kind == "waveform" or is_pattern(job.source.path)
        place = None if alone else next((group for group in groups if _alike(group[0], job)), None)
        if place is None:
            groups.append([job])
        else:
            place.append(job)
    out: list[list[SourceJob]] = []
    for group in groups:
        out += [group] if len(group) > 1 and _agree(group) else [[job] for job in group]
    return out


def _alike(one: SourceJob, other: SourceJob) -> bool:
    if not one.source.clock or is_pattern(one.source.path):
        return False
    return one.source.model_dump(exclude=_OWN) == other.source.model_dump(exclude=_OWN)


def _agree(group: Sequence[SourceJob]) -> bool:
    """Whether no column stands for one role in one source and for another in the next: those are two machines."""
    told = [{point.column: point.role for _, point in job.points if point.source} for job in group]
    return all(len({roles[column] for roles in told if column in roles}) == 1 for column in set().union(*told))


def joined_job(group: Sequence[SourceJob]) -> SourceJob:
    """One job of several sources, under the path of the first: the points of all, each column once."""
    first = group[0]
    seen: set[tuple[str, str]] = set()
    points: list[tuple[int, Point]] = []
    doubled: set[int] = set()
    for job in group:
        for number, point in job.points:
            key = (point.role.value, point.column)
            if key in seen:
                doubled.add(number)
                continue
            seen.add(key)
            points.append((number, point.model_copy(update={"source": first.source.path}) if point.source else point))
    alone = {number for number, _ in points}
    return replace(first, points=points, found=doubled - alone, names=[])
