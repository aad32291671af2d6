"""How often the machine was asked to start: starts an hour, short rests, short runs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from forensics.machine.history import starts_before, stops_before
from forensics.machine.starts.rests import short_rests
from forensics.machine.subject import Subject
from forensics.model.findings import Cite, Finding, Start, Stop
from forensics.model.points import NS
from forensics.model.vocabulary import Outcome, StopKind
from forensics.rules import read_checks
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.core.needs import met, points_for
from forensics.signatures.starts.duty import duty_words
from forensics.stats.proportions import wilson

_HOUR_NS = 3600 * NS
_SEEN_EACH_S = 60.0


def _ran(subject: Subject, check: str) -> tuple[()] | Finding:
    """Nothing more than that the needs of a check are met and the record shows a run."""
    if isinstance(failed := met(subject, check), Finding):
        return failed
    return () if subject.runs else cannot_tell(check, "no run of the motor in the record")


def _interval_s(subject: Subject) -> float:
    points, _ = points_for(subject, read_checks()["starts.too_frequent"])
    return min((p.interval_s for p in points.values()), default=float("inf"))


@detector("starts.too_frequent", _ran)
def too_frequent(subject: Subject, check: str) -> Finding:
    """Decide whether the machine started more often within an hour than the limit, in the window up to the failure.

    The starting duty of a motor of its estimated rating (NEMA MG 10, MG 1) is told beside it and decides nothing.
    """
    starts = [s for s in starts_before(subject) if s.in_window]
    times = np.array([s.time_ns for s in starts], dtype=np.int64)
    counts = np.searchsorted(times, times + _HOUR_NS) - np.arange(len(times))
    most = int(np.max(counts)) if len(counts) else 0
    interval = _interval_s(subject)
    limit = subject.limits["starts.most_per_hour"]
    if most <= limit and interval > _SEEN_EACH_S:
        return cannot_tell(check, f"sampled every {interval:g} s: short runs may have been missed")
    outcome = Outcome.PRESENT if most > limit else Outcome.ABSENT
    words = f"At most {most} starts within an hour; {len(starts)} starts in the window up to the failure."
    first = int(np.argmax(counts)) if len(counts) else 0
    busiest = starts[first : first + most]
    measured = Value.exact(float(most), "1/h", "starts.most_per_hour", above=True)
    duty, source = duty_words(subject, starts)
    seen = Seen(span_ns=_span(busiest), cites=_cites(busiest), interval_s=interval, samples=max(len(starts), 1))
    finding = make_finding(subject, check, outcome, f"{words} {duty}", measured, seen)
    return replace(finding, basis=f"{finding.basis}. Beside it, deciding nothing: {source}")


def _span(starts: list[Start]) -> tuple[int | None, int | None]:
    return (starts[0].earliest_ns, starts[-1].latest_ns) if starts else (None, None)


def _cites(rows: list[Start] | list[Stop]) -> tuple[Cite, ...]:
    return tuple(cite for row in rows[-6:] for cite in row.cites)


@detector("starts.short_off_times", _ran)
def short_off_times(subject: Subject, check: str) -> Finding:
    """Decide whether rests shorter than the anti-recycle time are a pattern."""
    limit = min(subject.limits["starts.short_off_s"], subject.profile.times.anti_recycle_s)
    rests = short_rests(subject, limit)
    if not rests.all:
        return cannot_tell(check, "no start with the stop before it in the window")
    words = f"{rests.words} rests in the window were shorter than {limit:.0f} s."
    cites = _cites(list(rests.short or rests.all))
    return _pattern(subject, check, (len(rests.short), len(rests.unsure)), len(rests.all), words, cites)


@detector("starts.short_runs", _ran)
def short_runs(subject: Subject, check: str) -> Finding:
    """Decide whether runs of a few minutes, ended by the sequence and not by a trip, are a pattern."""
    stops = [s for s in stops_before(subject) if s.in_window and s.ran_s is not None]
    if not stops:
        return cannot_tell(check, "no run with both its ends in the window")
    limit = subject.limits["starts.short_run_s"]
    short = [s for s in stops if s.ran_s is not None and s.ran_s < limit and s.kind is StopKind.NORMAL]
    words = f"{len(short)} of {len(stops)} runs in the window were shorter than {limit:.0f} s."
    return _pattern(subject, check, (len(short), 0), len(stops), words, _cites(short or stops))


def _pattern(
    subject: Subject, check: str, counts: tuple[int, int], of: int, words: str, cites: tuple[Cite, ...]
) -> Finding:
    """Whether a share is a pattern: ``counts`` surely, and beside them those that may be."""
    count, more = counts
    share = count / of
    low, high = wilson(count, of)[0], wilson(count + more, of)[1]
    limit = subject.limits["starts.short_share"]
    if share > limit and count < 2:  # noqa: PLR2004 - one is no pattern
        return cannot_tell(check, words + " One is no pattern.")
    if share <= limit < (count + more) / of:
        return cannot_tell(check, words)
    outcome = Outcome.PRESENT if share > limit else Outcome.ABSENT
    measured = Value(share, low, high, "1", "starts.short_share", above=True)
    found = make_finding(
        subject, check, outcome, words, measured, Seen(cites=cites, interval_s=_interval_s(subject), samples=of)
    )
    return replace(found, detectable=high) if outcome is Outcome.ABSENT else found
