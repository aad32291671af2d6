"""Each machine's starts and coast-downs held against its own past, against failed machines, and around an action.

Method: the last value before the failure against the machine's own earlier ones by the modified z-score (median and
median absolute deviation; Iglewicz and Hoaglin 1993), three answers. Shares carry Wilson's interval.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from typing import TypeVar

import numpy as np

from forensics.model.points import NS
from forensics.model.vocabulary import Answer, Mode
from forensics.report.tables.words import stamp_ns
from forensics.results.machine_rows import StartRow, StopRow
from forensics.rules import read_limits
from forensics.sites.gather import Collection, SiteCase
from forensics.stats.proportions import wilson

LOADED_MODES = frozenset({Mode.UNLOAD_PATH_FAILED.value, Mode.TRAPPED_LOADED.value, Mode.SLIDE_STUCK.value})
COAST_MODES = frozenset({Mode.BYPASS_NOT_RELEASED.value, Mode.DISCHARGE_CHECK_LEAKING.value})
ACTION = "corrective_action"
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}(?:[T ]\d{2}:\d{2}(?::\d{2})?(?:Z|[+-]\d{2}:\d{2})?)?")
MAD_TO_SD = 1.4826022  # 1 / the 75 % quantile of the normal distribution

# a start stands in its own machine's past and in that of every failure it is compared with
_ns = lru_cache(maxsize=1 << 18)(stamp_ns)

T = TypeVar("T", StartRow, StopRow)


@dataclass(frozen=True, slots=True)
class OwnPast:
    """The last value of a machine against its earlier ones.

    Attributes
    ----------
    answer
        Whether the last value lies outside the machine's own past; ``cannot-tell`` with the reason in ``why_not``.
    """

    count: int
    median: float | None
    low: float | None
    high: float | None
    last: float | None
    last_utc: str
    z: float | None
    answer: Answer
    why_not: str = ""


@dataclass(frozen=True, slots=True)
class Part:
    """Starts before or after an action: how many were unloaded of those that could be judged."""

    count: int
    of: int
    cannot_tell: int
    low: float | None
    high: float | None
    ratio: float | None


@dataclass(frozen=True, slots=True)
class AroundAction:
    """Starts of a machine before and after a corrective action, and whether the difference can be told."""

    machine: str
    action: str
    time_utc: str
    before: Part
    after: Part
    answer: Answer
    why_not: str


def starts_of(cases: Iterable[SiteCase]) -> list[StartRow]:
    """Starts of one machine in time order; one that stands in several cases comes once."""
    return _once(row for case in cases for row in case.findings.starts)


def stops_of(cases: Iterable[SiteCase]) -> list[StopRow]:
    """Stops of one machine in time order; one that stands in several cases comes once."""
    return _once(row for case in cases for row in case.findings.stops)


def _once(rows: Iterable[T]) -> list[T]:
    found: dict[str, T] = {}
    for row in rows:
        found.setdefault(row.time_utc, row)
    # without the Z a second sorts before its fractions
    return [found[time] for time in sorted(found, key=lambda text: text.rstrip("Z"))]


# the stop that a failure made is read seconds after its stamp
STOP_OF_FAILURE_NS = 60 * NS


def ratio_against_past(cases: Sequence[SiteCase]) -> OwnPast:
    """The last start's settled amps over rated, against earlier starts of the same machine."""
    return _against_past(starts_of(cases), lambda row: row.ratio, cases, "start", "no ratio")


def coast_against_past(cases: Sequence[SiteCase]) -> OwnPast:
    """The last stop's equalisation time constant, against earlier stops of the same machine."""
    return _against_past(
        stops_of(cases), equalisation_s, cases, "stop", "no time constant", slack_ns=STOP_OF_FAILURE_NS
    )


def equalisation_s(row: StopRow) -> float | None:
    """The time constant of a stop; where only an upper bound of it is known, that."""
    if row.equalisation_time_constant_s is None and row.equalisation_time_constant_s_censored == "below":
        return row.equalisation_time_constant_s_high
    return row.equalisation_time_constant_s


def _against_past(
    rows: Sequence[T],
    value: Callable[[T], float | None],
    cases: Sequence[SiteCase],
    what: str,
    lacks: str,
    *,
    slack_ns: int = 0,
) -> OwnPast:
    limits = read_limits()
    times = [case.failure_ns for case in cases if case.counts and case.failed and case.failure_ns is not None]
    until = max(times) + slack_ns if times else None
    rows = [row for row in rows if until is None or (_ns(row.time_utc) or 0) <= until]
    if not rows:
        return OwnPast(
            count=0,
            median=None,
            low=None,
            high=None,
            last=None,
            last_utc="",
            z=None,
            answer=Answer.CANNOT_TELL,
            why_not=f"no {what} is in the record",
        )
    last, last_utc = value(rows[-1]), rows[-1].time_utc
    past = np.array([v for row in rows[:-1] if (v := value(row)) is not None], dtype=float)
    if not past.size:
        return OwnPast(
            count=0,
            median=None,
            low=None,
            high=None,
            last=last,
            last_utc=last_utc,
            z=None,
            answer=Answer.CANNOT_TELL,
            why_not=f"no earlier {what} is known",
        )
    median = float(np.median(past))
    spread = max(
        float(np.median(np.abs(past - median))) * MAD_TO_SD, limits["sites.smallest_spread"] * abs(median), 1e-12
    )
    low, high = float(past.min()), float(past.max())
    if last is None:
        return OwnPast(
            count=past.size,
            median=median,
            low=low,
            high=high,
            last=None,
            last_utc=last_utc,
            z=None,
            answer=Answer.CANNOT_TELL,
            why_not=f"{lacks} for the last",
        )
    z = (last - median) / spread
    if past.size < limits["sites.fewest_past"]:
        why = f"only {past.size} earlier, {limits['sites.fewest_past']:g} are needed"
        return OwnPast(
            count=past.size,
            median=median,
            low=low,
            high=high,
            last=last,
            last_utc=last_utc,
            z=z,
            answer=Answer.CANNOT_TELL,
            why_not=why,
        )
    answer = Answer.YES if abs(z) > limits["sites.own_past_z"] else Answer.NO
    return OwnPast(count=past.size, median=median, low=low, high=high, last=last, last_utc=last_utc, z=z, answer=answer)


def failed_range(
    collection: Collection, modes: frozenset[str], last: Callable[[Sequence[SiteCase]], OwnPast]
) -> tuple[float, float, int] | None:
    """Lowest and highest last value before failures of these determined modes, and how many they are."""
    values = []
    for cases in collection.machines.values():
        for case in (c for c in cases if c.counts and c.mode in modes):
            until = [c for c in cases if (c.failure_ns or 0) <= (case.failure_ns or 0)]
            values.append(last(until).last)
    known = [v for v in values if v is not None]
    return (min(known), max(known), len(known)) if known else None


def actions_of(cases: Iterable[SiteCase]) -> list[tuple[int, str, str]]:
    """Corrective actions that the facts of the cases name: time in ns UTC, stamp as written, words."""
    found: dict[int, tuple[str, str]] = {}
    for case in cases:
        for fact in case.findings.facts:
            match = _DATE.search(fact.value) if fact.what == ACTION else None
            if match is None:
                continue
            stamp = datetime.fromisoformat(match[0])
            whole = stamp if stamp.tzinfo else stamp.replace(tzinfo=UTC)
            words = " ".join(fact.value.replace(match[0], "").split()) or fact.source
            found.setdefault(round(whole.timestamp()) * NS, (match[0], words))
    return [(time, *found[time]) for time in sorted(found)]


def around_actions(collection: Collection) -> tuple[AroundAction, ...]:
    """Starts before and after each corrective action, to the neighbouring action at most."""
    found = []
    for machine, cases in collection.machines.items():
        actions = actions_of(cases)
        starts = [(stamp_ns(row.time_utc) or 0, row) for row in starts_of(cases)]
        bounds = [None, *(time for time, _, _ in actions), None]
        for number, (time, stamp, words) in enumerate(actions):
            first, last = bounds[number], bounds[number + 2]
            before = part_of([row for t, row in starts if t < time and (first is None or t >= first)])
            after = part_of([row for t, row in starts if t >= time and (last is None or t < last)])
            answer, why = _differs(before, after)
            found.append(
                AroundAction(
                    machine=machine,
                    action=words,
                    time_utc=stamp,
                    before=before,
                    after=after,
                    answer=answer,
                    why_not=why,
                )
            )
    return tuple(found)


def part_of(rows: Sequence[StartRow]) -> Part:
    """Share of unloaded starts among those that could be judged, with Wilson's interval, and the median ratio."""
    yes = sum(row.unloaded is Answer.YES for row in rows)
    judged = yes + sum(row.unloaded is Answer.NO for row in rows)
    low, high = wilson(yes, judged) if judged else (None, None)
    ratios = [row.ratio for row in rows if row.ratio is not None]
    return Part(yes, judged, len(rows) - judged, low, high, float(np.median(ratios)) if ratios else None)


def _differs(before: Part, after: Part) -> tuple[Answer, str]:
    """Yes only where the two intervals do not overlap; an overlap proves neither a difference nor none."""
    if before.low is None or before.high is None:
        return Answer.CANNOT_TELL, "no start before it could be judged"
    if after.low is None or after.high is None:
        return Answer.CANNOT_TELL, "no start after it could be judged"
    if after.low > before.high or before.low > after.high:
        return Answer.YES, ""
    return Answer.CANNOT_TELL, "the intervals overlap: more starts are needed"
