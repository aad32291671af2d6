"""Did the contactor chatter: drop-outs of current or state, one soon after the other."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from forensics.machine.citations import rows_of
from forensics.machine.phases import Times
from forensics.machine.subject import Subject
from forensics.machine.trip_words import plain
from forensics.model.findings import Cite, Finding
from forensics.model.points import NS, OFF, ON, Samples
from forensics.model.record import LogLine
from forensics.model.switches import Switch
from forensics.model.vocabulary import Outcome, Recorded, Role
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.core.needs import nothing
from forensics.signatures.electrical.motor import motor_current

_CONTACT_WORDS = ("contact", "schutz", "schuetz", "starter", "auxiliary", "feedback", "status", "teleruttore")
_ON_WORDS = frozenset({"on", "closed", "1", "true", "active", "running"})
_OFF_WORDS = frozenset({"off", "open", "0", "false", "inactive", "stopped"})
_UNBROKEN = 3  # intervals: readings further apart than that are no unbroken course
_REFERENCES = (Role.RUN_STATUS, Role.TRIP, Role.RUN_COMMAND)


@detector("electrical.chatter", nothing)
def chatter(subject: Subject, check: str) -> Finding:
    """Decide whether the contactor dropped out and came back several times within seconds.

    Counted from event lists, the run status and the current: off for under 10 s and on again. Bounce
    of some tens of ms shows only in a waveform or an event list, so a slow log can't exclude it unless a start counter
    agrees.
    """
    times: list[tuple[Times, float, Samples | Switch]] = []
    status = subject.record.switch(Role.RUN_STATUS)
    if status is not None:
        times.append((_dropouts_of_switch(status, subject.limits["electrical.drop_out_s"]), status.interval_s, status))
    point, _ = motor_current(subject)
    if point is not None:
        times.append((_dropouts_of_current(subject, point), point.interval_s, point))
    listed = _chatter_in_lists(subject, check)
    if listed is not None:
        return listed
    if not times:
        return cannot_tell(check, "neither run status nor current is logged")
    window = subject.record.window
    best: tuple[int, Times, Samples | Switch] | None = None
    for found, _, source in times:
        # rows that share a stamp are no drop-outs in succession
        inside = np.unique(found[(found >= window.start_ns) & (found < window.end_ns)])
        count, group = _most_within(inside, subject.limits["electrical.chatter_within_s"])
        if best is None or count > best[0]:
            best = (count, group, source)
    assert best is not None
    count, group, source = best
    name = "electrical.drop_outs_allowed"
    if count > subject.limits[name]:
        span = (int(group[0]), int(group[-1]))
        text = f"{count} drop-outs shorter than {subject.limits['electrical.drop_out_s']:g} s within "
        text += f"{(span[1] - span[0]) / NS:.0f} s"
        cites = rows_of(source, *span) if isinstance(source, Samples) else ()
        return _chatter_answer(
            subject, check, Outcome.PRESENT, text, span, count=count, cites=cites, interval_s=source.interval_s
        )
    if count:
        return cannot_tell(check, "one drop-out under 10 s: a transfer, a dip or a bounce, not chatter by itself")
    fast = any(
        s.origin.recorded is Recorded.CHANGE
        and s.interval_s <= subject.limits["electrical.bounce_resolution_s"]
        and bool((s.t % NS).any())
        for _, _, s in times
    )
    if not fast:
        why = "bounce lasts 10 to 500 ms and falls between samples"
        return cannot_tell(
            check, why, unlocked_by="export the event list of the contactor's auxiliary contact, or a waveform"
        )
    text = "no drop-out under 10 s in the contactor's own changes of state"
    span = (window.start_ns, window.end_ns)
    return _chatter_answer(subject, check, Outcome.ABSENT, text, span, count=0, cites=(), interval_s=source.interval_s)


def _chatter_answer(
    subject: Subject,
    check: str,
    outcome: Outcome,
    text: str,
    span: tuple[int, int],
    count: int,
    cites: tuple[Cite, ...],
    interval_s: float,
) -> Finding:
    return make_finding(
        subject,
        check,
        outcome,
        text,
        Value.exact(float(count), "1", "electrical.drop_outs_allowed", above=True),
        Seen(span, cites, interval_s, max(count, 1)),
    )


def _chatter_in_lists(subject: Subject, check: str) -> Finding | None:
    """Chatter that an event list tells line by line, whatever the trend's interval; None where none does."""
    states: dict[tuple[str, str], list[tuple[LogLine, bool]]] = {}
    for line in subject.record.log:
        words = plain(f"{line.point} {line.text}")
        value = line.value.strip().casefold()
        if value not in _ON_WORDS | _OFF_WORDS or not any(word.startswith(_CONTACT_WORDS) for word in words):
            continue
        states.setdefault((line.source, line.point), []).append((line, value in _ON_WORDS))
    window, limits = subject.record.window, subject.limits
    for lines in states.values():
        lines.sort(key=lambda one: (one[0].time_ns, one[0].row))
        fell = [
            a.time_ns
            for (a, was_on), (b, is_on) in pairwise(lines)
            if not was_on and is_on and (b.time_ns - a.time_ns) / NS < limits["electrical.drop_out_s"]
        ]
        inside = np.array([t for t in fell if window.holds(t)], dtype=np.int64)
        count, group = _most_within(inside, limits["electrical.chatter_within_s"])
        if count <= limits["electrical.drop_outs_allowed"]:
            continue
        span = (int(group[0]), int(group[-1]))
        rows = [one for one, _ in lines if span[0] <= one.time_ns <= span[1]]
        cites = (Cite(rows[0].source, rows[0].point, (rows[0].row, rows[-1].row)),)
        text = f"{count} drop-outs of '{rows[0].point}' in the event list within {(span[1] - span[0]) / NS:.0f} s"
        return _chatter_answer(
            subject, check, Outcome.PRESENT, text, span, count=count, cites=cites, interval_s=float("nan")
        )
    return None


def _dropouts_of_switch(switch: Switch, longest_s: float) -> Times:
    edges = switch.edges
    found = [
        a.latest_ns
        for a, b in pairwise(edges)
        if a.to == OFF and b.to == ON and 0 < (b.latest_ns - a.latest_ns) / NS < longest_s
    ]
    return np.array(found, dtype=np.int64)


def _dropouts_of_current(subject: Subject, point: Samples) -> Times:
    """Begin of every spell without current that lasts under the limit and lies between spells with it."""
    part = point.between(subject.record.window.start_ns, subject.record.window.end_ns)
    rated = subject.machine.rated_load_amps or (float(np.percentile(part.v, 99)) if len(part) else 1.0)
    on = part.v > subject.limits["electrical.off_share"] * rated
    edges = np.diff(on.astype(np.int8))
    off, back = np.flatnonzero(edges == -1) + 1, np.flatnonzero(edges == 1) + 1
    if not len(off) or not len(back):
        return np.zeros(0, np.int64)
    nexts = np.searchsorted(back, off)
    valid = nexts < len(back)
    off, nexts = off[valid], nexts[valid]
    short = (part.t[back[nexts]] - part.t[off]) / NS < subject.limits["electrical.drop_out_s"]
    return np.asarray(part.t[off[short]])


def _most_within(times: Times, within_s: float) -> tuple[int, Times]:
    if not len(times):
        return 0, times
    times = np.sort(times)
    ends = np.searchsorted(times, times + round(within_s * NS), side="right")
    counts = ends - np.arange(len(times))
    k = int(np.argmax(counts))
    return int(counts[k]), times[k : ends[k]]
