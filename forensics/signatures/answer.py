"""Building a finding: outcome, value with interval, limit with basis, rows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forensics.findings import Cite, Finding
from forensics.points import Samples, Switch
from forensics.rules import read_checks
from forensics.signatures.base import Subject
from forensics.vocabulary import Outcome


@dataclass(frozen=True, slots=True)
class Value:
    """What was measured, with its interval, and the limit it is held against.

    ``above`` True: present when the value lies above the limit; False: below it; None: there is no limit.
    """

    value: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str = ""
    limit_name: str = ""
    above: bool | None = None


@dataclass(frozen=True, slots=True)
class Seen:
    """What an answer rests on: time, rows, sample interval, number of independent samples.

    ``rests_on_commands`` is True where the outcome needs the valve polarity of the profile.
    """

    span_ns: tuple[int | None, int | None] = (None, None)
    cites: tuple[Cite, ...] = ()
    interval_s: float | None = None
    samples: int = 0
    rests_on_commands: bool = False
    suffix: str = ""


def answered(
    subject: Subject, check_id: str, outcome: Outcome, words: str, measured: Value = Value(), seen: Seen = Seen()
) -> Finding:
    """A finding that says present or absent, its statement led by the check's title."""
    title = read_checks()[check_id].title
    limit = subject.limits[measured.limit_name] if measured.limit_name else None
    return Finding(
        id=check_id + seen.suffix,
        check=check_id,
        outcome=outcome,
        statement=f"{title}: {outcome.value}. {words}",
        from_ns=seen.span_ns[0],
        to_ns=seen.span_ns[1],
        value=measured.value,
        low=measured.low,
        high=measured.high,
        unit=measured.unit,
        limit=limit,
        limit_name=measured.limit_name,
        above=measured.above,
        basis=subject.limits.basis(measured.limit_name) if measured.limit_name else read_checks()[check_id].source,
        cites=seen.cites,
        sample_interval_s=seen.interval_s,
        samples=seen.samples,
        rests_on_commands=seen.rests_on_commands,
    )


def rows_of(point: Samples | Switch | None, start_ns: int, end_ns: int) -> tuple[Cite, ...]:
    """Rows of a point in a window, as one citation; empty where it has none there."""
    if point is None or not len(point):
        return ()
    low, high = np.searchsorted(point.t, [int(start_ns), int(end_ns) + 1])
    chosen = point.row[int(low) : int(high)]
    if not len(chosen):
        return ()
    return (Cite(point.origin.source, point.origin.column, (int(chosen.min()), int(chosen.max()))),)


def three_way(low: float, high: float, limit: float, *, above: bool) -> Outcome:
    """Present where the whole interval lies beyond the limit, absent where none of it does, else cannot-tell."""
    beyond, short = (low > limit, high <= limit) if above else (high < limit, low >= limit)
    if beyond:
        return Outcome.PRESENT
    return Outcome.ABSENT if short else Outcome.CANNOT_TELL
