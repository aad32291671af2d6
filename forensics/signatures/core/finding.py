"""Building a finding, the one way there is: outcome, words, value with interval, limit with basis, rows."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from forensics.machine.subject import Subject
from forensics.model.findings import DOES_NOT_APPLY, Cite, Finding
from forensics.model.vocabulary import Outcome
from forensics.rules import Check, read_checks


@dataclass(frozen=True, slots=True)
class Value:
    """What was measured, with its interval, and the limit it is held against.

    Attributes
    ----------
    value, low, high
        In ``unit``.
    limit_name
        Name of the limit in the rules; empty where the value is held against none.
    above
        True: present when the value lies above the limit; False: below it; None: the limit alone does not decide.
    limit
        What the value was held against where the named limit had to be widened or narrowed, in ``unit``.
    detectable
        The smallest effect that would have been seen, in ``unit`` on the scale of ``value``.
    usual
        The value of no change, where it was held against the machine's own usual.
    """

    value: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str = ""
    limit_name: str = ""
    above: bool | None = None
    limit: float | None = None
    detectable: float | None = None
    usual: float | None = None

    @classmethod
    def exact(
        cls,
        value: float | None,
        unit: str,
        limit_name: str = "",
        *,
        above: bool | None = None,
        limit: float | None = None,
    ) -> Value:
        """A value that is its own interval: a count, or one whose error is in its limit already."""
        return cls(value=value, low=value, high=value, unit=unit, limit_name=limit_name, above=above, limit=limit)

    @classmethod
    def within(cls, value: float, error: float, unit: str, limit_name: str = "", *, above: bool | None = None) -> Value:
        """A value known to ``error`` on both sides, in the same unit."""
        return cls(value, value - error, value + error, unit, limit_name, above)


@dataclass(frozen=True, slots=True)
class Seen:
    """What an answer rests on.

    Attributes
    ----------
    span_ns
        First and last moment, ns UTC.
    cites
        Rows of the sources.
    interval_s
        Sample interval of the slowest point, s; what is not finite is not told.
    samples
        Number of independent samples.
    rests_on_commands
        True where the outcome needs the valve polarity of the profile.
    clocks
        The clocks whose relation matters to the outcome.
    suffix
        Set behind the check's id where a check answers several times.
    """

    span_ns: tuple[int | None, int | None] = (None, None)
    cites: tuple[Cite, ...] = ()
    interval_s: float | None = None
    samples: int = 0
    rests_on_commands: bool = False
    clocks: tuple[str, ...] = ()
    suffix: str = ""


def make_finding(
    subject: Subject,
    check_id: str,
    outcome: Outcome,
    words: str,
    measured: Value = Value(),
    seen: Seen = Seen(),
    why_not: str = "",
) -> Finding:
    """The finding of a detector that looked.

    Parameters
    ----------
    words
        What was seen, with numbers and units: one sentence or more. The builder sets the first letter and the last
        full stop.
    why_not
        Why what was measured does not decide; told only where the outcome is cannot-tell.

    Returns
    -------
    Finding
        Its statement reads ``Title: present. Words.``; its basis is that of the limit, else the source of the check.
    """
    check, name, limits = read_checks()[check_id], measured.limit_name, subject.limits
    why_not = why_not if outcome is Outcome.CANNOT_TELL else ""
    timed = seen.interval_s is not None and np.isfinite(seen.interval_s)
    return Finding(
        id=check_id + seen.suffix,
        check=check_id,
        outcome=outcome,
        statement=_statement(check.title, outcome, words, why_not),
        from_ns=seen.span_ns[0],
        to_ns=seen.span_ns[1],
        value=measured.value,
        low=measured.low,
        high=measured.high,
        unit=measured.unit,
        limit=limits[name] if name and measured.limit is None else measured.limit,
        limit_name=name,
        above=measured.above,
        basis=limits.basis(name) if name else check.source,
        cites=seen.cites,
        sample_interval_s=seen.interval_s if timed else None,
        samples=seen.samples,
        rests_on_commands=seen.rests_on_commands,
        cross_clock=seen.clocks if len(set(seen.clocks)) > 1 else (),
        why_not=why_not,
        detectable=measured.detectable,
        usual=measured.usual,
    )


def downgrade(finding: Finding, why_not: str) -> Finding:
    """The same finding as cannot-tell: what was measured stays, the outcome goes, and why is said in its place."""
    title = read_checks()[finding.check].title
    words = finding.statement.removeprefix(_head(title, finding.outcome, finding.why_not))
    statement = _statement(title, Outcome.CANNOT_TELL, words, why_not)
    return replace(finding, outcome=Outcome.CANNOT_TELL, statement=statement, why_not=why_not)


def _head(title: str, outcome: Outcome, why_not: str) -> str:
    told = f"cannot tell ({why_not})" if outcome is Outcome.CANNOT_TELL else outcome.value
    return f"{title}: {told}. "


def _statement(title: str, outcome: Outcome, words: str, why_not: str) -> str:
    end = "" if words.endswith(".") else "."
    return f"{_head(title, outcome, why_not)}{words[:1].upper()}{words[1:]}{end}"


def three_way(low: float, high: float, limit: float, *, above: bool) -> Outcome:
    """Present where the whole interval lies beyond the limit, absent where none of it does, else cannot-tell."""
    beyond, short = (low > limit, high <= limit) if above else (high < limit, low >= limit)
    if beyond:
        return Outcome.PRESENT
    return Outcome.ABSENT if short else Outcome.CANNOT_TELL


def cannot_tell(check_id: str, why_not: str, *, unlocked_by: str = "", suffix: str = "") -> Finding:
    """The answer of a detector whose needs are not met."""
    check = read_checks()[check_id]
    unlock = unlocked_by or _cheapest(check, why_not)
    return Finding(
        id=check_id + suffix,
        check=check_id,
        outcome=Outcome.CANNOT_TELL,
        statement=f"{check.title}: cannot tell ({why_not}).",
        why_not=why_not,
        unlocked_by=unlock,
    )


def does_not_apply(check_id: str, why: str) -> Finding:
    """The answer where the build makes the question meaningless; more logging would not help."""
    check = read_checks()[check_id]
    roles = tuple(dict.fromkeys(role for need in check.needs for role in need.roles))
    return Finding(
        id=check_id,
        check=check_id,
        outcome=Outcome.CANNOT_TELL,
        statement=f"{check.title}: does not apply ({why}).",
        why_not=f"does not apply: {why}",
        reason=" ".join((DOES_NOT_APPLY, *(role.value for role in roles))),
    )


def _cheapest(check: Check, why_not: str) -> str:
    """What to log, of the points that the reason names; nothing where logging more would not have helped."""
    parts = []
    for need in check.needs:
        if not any(role.value in why_not for role in need.roles):
            continue
        rate = "" if need.longest_interval_s is None else f" every {need.longest_interval_s:g} s or faster"
        parts.append(f"{need.roles[0].value}{rate}")
    return "log " + ", ".join(parts) if parts else ""
