"""Rests between runs that were shorter than a limit: counted once, for every check that speaks of them."""

from __future__ import annotations

from dataclasses import dataclass

from forensics.machine.history import starts_before
from forensics.machine.subject import Subject
from forensics.model.findings import Start
from forensics.model.points import NS


@dataclass(frozen=True, slots=True)
class Rests:
    """Rests in the window up to the failure, by the start that ended each.

    Attributes
    ----------
    short
        Shorter than the limit, even at the longest that their edges allow.
    unsure
        Shorter or longer: the limit lies between the shortest and the longest that their edges allow.
    all
        All that have both ends in the record.
    """

    short: tuple[Start, ...]
    unsure: tuple[Start, ...]
    all: tuple[Start, ...]

    @property
    def words(self) -> str:
        """The count, with what the edges leave open."""
        more = f" ({len(self.unsure)} more may be: their ends are known to a sample)" if self.unsure else ""
        return f"{len(self.short)} of {len(self.all)}{more}"


def short_rests(subject: Subject, limit_s: float) -> Rests:
    """Rests of the window up to the failure that were shorter than ``limit_s``, both edges as intervals."""
    starts = tuple(s for s in starts_before(subject) if s.in_window and s.off_s is not None)
    bounds = {start.time_ns: rest_s(subject, start) for start in starts}
    short = tuple(s for s in starts if bounds[s.time_ns][1] < limit_s)
    unsure = tuple(s for s in starts if bounds[s.time_ns][0] < limit_s <= bounds[s.time_ns][1])
    return Rests(short, unsure, starts)


def rest_s(subject: Subject, start: Start) -> tuple[float, float]:
    """Least and most that the rest before a start lasted, s; infinite where no stop comes before it."""
    before = next((stop for stop in reversed(subject.stops) if stop.time_ns < start.time_ns), None)
    if before is None:
        return float("inf"), float("inf")
    return (start.earliest_ns - before.latest_ns) / NS, (start.latest_ns - before.earliest_ns) / NS
