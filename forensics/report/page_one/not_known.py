"""What a case leaves open, in words: what could not be checked, what conflicts, and what nobody asked."""

from __future__ import annotations

from forensics.case.schema import CaseFile
from forensics.investigation import Investigation
from forensics.model.vocabulary import Grade, Outcome, PreviousStop
from forensics.report.words.plain import mode_name, plain_words, silent_checks
from forensics.results.publish import NOT_SEARCHED
from forensics.results.schema import FindingsFile

_NAMED = 4


def not_known(findings: FindingsFile) -> list[str]:
    """Sentences on what these data can't say."""
    silent, run = silent_checks(findings)
    lines = [f"{silent} of {run} checks could not be made with these exports."] if silent else []
    unseen = [s for s in findings.stops if s.reverse_rotation is Outcome.CANNOT_TELL]
    if findings.stops and len(unseen) == len(findings.stops):
        lines.append("Whether the rotors turned backwards after a stop: these exports can neither show nor exclude it.")
    ruled_out = {h.mode for h in findings.graded if h.grade is Grade.EXCLUDED}
    hidden = [
        mode_name(o.mode.value) for o in findings.observability if o.observable == "no" and o.mode not in ruled_out
    ]
    if hidden:
        lines.append(f"Causes that could not be seen at all: {_some(hidden)}.")
    open_clocks = [c.clock for c in findings.clocks if c.offset_s is None]
    if open_clocks:
        lines.append(f"The true time of what the clock '{', '.join(open_clocks)}' stamped: it could not be aligned.")
    unordered = sum(o.order.value == "not-provable" for o in findings.order)
    if unordered:
        lines.append(f"Which came first in {unordered} of {len(findings.order)} pairs of events near the failure.")
    asked = [_fact(f.what) for f in findings.facts if f.value == NOT_SEARCHED]
    if asked:
        lines.append(f"Not searched: {', '.join(asked)}.")
    return lines


def _some(names: list[str]) -> str:
    more = len(names) - _NAMED
    return f"{', '.join(names[:_NAMED])} and {more} more" if more > 0 else ", ".join(names)


def _fact(what: str) -> str:
    words = plain_words().fact.get(what, what.replace("_", " "))
    return words[:1].lower() + words[1:]


def conflicts(work: Investigation) -> list[str]:
    """Evidence that does not agree with other evidence, both sides named."""
    lines = []
    stated = _restarts_stated(work.casefile)
    window = [s for s in work.starts if s.in_window and s.previous_stop is PreviousStop.TRIP]
    if stated is not None and stated[0] != len(window):
        lines.append(
            f"Restarts after a trip: {stated[0]} by {stated[1]}, {len(window)} in the record, of whatever trip."
        )
    for n, seen in enumerate(work.casefile.observation, start=1):
        if not seen.bears_on:
            who = f" by {seen.by}" if seen.by else ""
            lines.append(f"Observation {n}{who} is not assigned to a cause: “{seen.text}”.")
    by_id = {f.id: f for f in work.findings}
    for one in work.weighing.verdict.against:
        if one in by_id:
            lines.append(f"Against the verdict: {by_id[one].statement}")
    return lines


def _restarts_stated(case: CaseFile) -> tuple[int, str] | None:
    for fact in case.fact:
        text = str(fact.value).strip()
        if fact.what == "restarts_after_trip" and text.isdigit():
            return int(text), fact.source or "the case file"
    return None
