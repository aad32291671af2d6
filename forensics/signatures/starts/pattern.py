"""Loaded starts over the record: how many, since when, and whether the settled amps grow."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from forensics.machine.history import starts_before
from forensics.machine.subject import Subject
from forensics.model.findings import Finding, Start
from forensics.model.points import NS
from forensics.model.vocabulary import Answer, Outcome
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.core.needs import met
from forensics.stats.proportions import ShareChange, share_change, wilson
from forensics.stats.slopes import median_slope

_LAST = 30
_TWO = 2


@detector("starts.loaded_repeatedly", met)
def loaded_repeatedly(subject: Subject, check: str) -> Finding:
    """Decide whether loaded starts are a pattern of the record up to the failure, or of its last part.

    Starts hours apart are not independent. Beside the share over all of them, with its score interval, stands the
    moment at which the share changed; where that is plain the share since then decides.
    """
    starts = starts_before(subject)
    judged = [s for s in starts if s.unloaded is not Answer.CANNOT_TELL]
    loaded = [s for s in judged if s.unloaded is Answer.NO]
    if len(judged) < _TWO:
        return cannot_tell(check, f"{len(judged)} of {len(starts)} starts could be judged; two are needed")
    limit = subject.limits["starts.loaded_share_max"]
    change = _plain_change(subject, judged)
    count, of = (len(loaded), len(judged)) if change is None else change.after
    share = count / of
    low, high = wilson(count, of)
    words = f"{len(loaded)} of {len(judged)} starts that could be judged were loaded (of {len(starts)} in the record)."
    words += "" if change is None else f" {_change_words(subject, judged, change)}"
    measured = Value(share, low, high, "1", "starts.loaded_share_max", above=True)
    cites = tuple(cite for s in (loaded or judged) for cite in s.cites)
    seen = Seen(cites=cites, samples=len(judged))
    if share > limit and count < _TWO:
        why = "one loaded start among few: two are needed for a pattern"
        return make_finding(subject, check, Outcome.CANNOT_TELL, words, measured, seen=seen, why_not=why)
    # a start whose amps were measured and did not decide may be a loaded one
    open_ = sum(s.unloaded is Answer.CANNOT_TELL and s.ratio is not None for s in starts)
    if share <= limit < (len(loaded) + open_) / (len(judged) + open_):
        why = f"{open_} starts with settled amps could not be judged, and may be loaded"
        return make_finding(subject, check, Outcome.CANNOT_TELL, words, measured, seen=seen, why_not=why)
    outcome = Outcome.PRESENT if share > limit else Outcome.ABSENT
    found = make_finding(subject, check, outcome, words, measured, seen)
    return replace(found, detectable=high) if outcome is Outcome.ABSENT else found


def _plain_change(subject: Subject, judged: Sequence[Start]) -> ShareChange | None:
    """The moment from which loaded starts came more often; None where one share explains them about as well."""
    change = share_change([s.unloaded is Answer.NO for s in judged])
    if change is None or change.log_ratio < subject.limits["starts.change_log_ratio"]:
        return None
    more = change.after[0] / change.after[1] > change.before[0] / change.before[1]
    return change if more and change.after[0] >= _TWO else None


def _change_words(subject: Subject, judged: Sequence[Start], change: ShareChange) -> str:
    hours = (subject.record.failure_ns - judged[change.at].time_ns) / NS / 3600
    return (
        f"From {hours:.1f} h before the failure {change.after[0]} of {change.after[1]} were, "
        f"before that {change.before[0]} of {change.before[1]}."
    )


def _scatter(subject: Subject, start: Start) -> float:
    """Half width of a start's ratio without the error of the sensor, which is the same at every start."""
    if start.ratio is None or start.low is None or start.high is None:
        return 0.0
    given = subject.machine.current_sensor.ratio_error_percent
    percent = given if given is not None else subject.limits["starts.sensor_error_percent"]
    return max(0.0, (start.high - start.low) / 2.0 - start.ratio * percent / 100.0)


@detector("starts.loaded_growing", met)
def loaded_growing(subject: Subject, check: str) -> Finding:
    """Decide whether the settled ratio rises over the starts (Theil-Sen slope with its 95 % interval).

    The value is the rise from the first to the last of them. It is told where its interval excludes no rise; absent
    only where a rise that matters is excluded.
    """
    known = [s for s in starts_before(subject) if s.ratio is not None]
    # a ratio from power among those from amps would be a step that the load did not make
    starts = [s for s in known if s.ratio_from == known[-1].ratio_from][-_LAST:]
    fewest = int(subject.limits["starts.growing_least"])
    if len(starts) < fewest:
        few = f"{len(starts)} starts with a settled ratio; {fewest} are needed"
        why = next((s.why_not for s in reversed(starts_before(subject)) if s.why_not), "")
        return cannot_tell(check, f"{few} ({why})" if why else few)
    ratios = np.array([s.ratio for s in starts], dtype=np.float64)
    steps = len(ratios) - 1
    rise, low, high = (steps * x for x in median_slope(np.arange(float(len(ratios))), ratios))
    # what the samples leave open of each ratio adds to the scatter of the starts; the sensor's error is one for all
    half = float(np.sqrt(2.0 * np.mean([_scatter(subject, s) ** 2 for s in starts])))
    low, high = low - half, high + half
    limit = subject.limits["starts.growing_rise"]
    words = f"The ratio rose by {rise:+.2f} ({low:+.2f} to {high:+.2f}) over {len(ratios)} starts."
    measured = Value(rise, low, high, "1", "starts.growing_rise", above=True)
    seen = Seen(
        (starts[0].earliest_ns, starts[-1].latest_ns),
        tuple(cite for s in starts for cite in s.cites),
        None,
        len(ratios),
    )
    if low > 0.0 and rise > limit:
        return make_finding(subject, check, Outcome.PRESENT, words, measured, seen)
    if high <= limit:
        return replace(make_finding(subject, check, Outcome.ABSENT, words, measured, seen), detectable=limit)
    why = "the starts scatter too much, or are too few, for a rise of that size"
    return make_finding(subject, check, Outcome.CANNOT_TELL, words, measured, seen=seen, why_not=why)
