"""What the oil was at rest before a start: near saturation, unheated."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forensics.machine.duty.baseline import Floats, cite, max_age_s, runs_of
from forensics.machine.history import unseen_run
from forensics.machine.subject import Saturation, Subject
from forensics.model.findings import Finding
from forensics.model.memo import kept_with_owner
from forensics.model.points import NS, OFF, ON, Samples, Span
from forensics.model.vocabulary import Outcome, Role
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.core.limits_and_baseline import ready, saturated

_MOST_STARTS = 50
_LATE_REST_NS = 900 * NS


def starts_of(subject: Subject) -> tuple[Span, ...]:
    """Runs whose beginning the record shows, up to the failure; the last is the one that led into it.

    Each span is the run, from the last moment at which the motor may have begun to run.
    """
    spans = runs_of(subject)
    seen = []
    for k, span in enumerate(spans):
        shown = subject.runs[k].begin is not None if subject.runs else _begins(subject, span)
        if shown and span.start_ns <= subject.record.failure_ns:
            seen.append(span)
    return tuple(seen[-_MOST_STARTS:])


def _begins(subject: Subject, span: Span) -> bool:
    amps = subject.record.point(Role.MOTOR_AMPS)
    return amps is not None and len(amps.t) > 0 and int(amps.usable.t[0]) < span.start_ns


def failing_start(subject: Subject, check: str) -> tuple[tuple[Span, ...]] | Finding:
    """Starts up to the failure, the last of which led into it, for a check whose needs are met."""
    if isinstance(failed := ready(subject, check), Finding):
        return failed
    starts = starts_of(subject)
    if not starts or starts[-1].start_ns < subject.record.window.start_ns:
        return cannot_tell(check, "the record shows no start in the window before the failure")
    unseen = unseen_run(subject)
    return cannot_tell(check, unseen) if unseen else (starts,)


def _saturated_start(subject: Subject, check: str) -> tuple[Saturation, tuple[Span, ...]] | Finding:
    curve, starts = saturated(subject, check), failing_start(subject, check)
    if isinstance(curve, Finding):
        return curve
    return starts if isinstance(starts, Finding) else (*curve, *starts)


@dataclass(frozen=True, slots=True)
class _Margin:
    """How far the oil was from saturation at the end of a rest, K, with the readings that tell it."""

    rest: Span
    late: Samples
    pressure: Samples
    above_k: Floats

    @property
    def value_k(self) -> float:
        """The middle of them."""
        return float(np.nanmedian(self.above_k))


@detector("oil.diluted_before_start", _saturated_start)
def diluted_before_start(subject: Subject, check: str, curve: Saturation, starts: tuple[Span, ...]) -> Finding:
    """Decide whether the oil was near saturation at the end of the rest before a start.

    Looks at the start that led into the failure, and, where that came out of warm oil, at the earlier ones of the
    window: bearings that were washed at one of them fail later.
    """
    limits = subject.limits
    start = asked_start(subject, starts)[-1]
    rest = _rest_before(subject, start)
    found = _margin_before(subject, curve, rest)
    if not isinstance(found, _Margin):
        return cannot_tell(check, found)
    value = found.value_k
    limit, safe = limits["oil.dilution_margin"], limits["oil.dilution_safe"]
    outcome = Outcome.PRESENT if value < limit else Outcome.ABSENT if value > safe else Outcome.CANNOT_TELL
    why_not = "between near and safe"
    if outcome is Outcome.ABSENT and (hours := _diluted_in_history(subject, curve, starts)):
        outcome, why_not = Outcome.CANNOT_TELL, f"the oil was near saturation before the start {hours:.3g} h earlier"
    first, last = int(found.late.t[0]), int(found.late.t[-1])
    earlier_h = (starts[-1].start_ns - start.start_ns) / NS / 3600.0
    before = f", {earlier_h:.3g} h before the start that led into the failure" if start != starts[-1] else ""
    return make_finding(
        subject,
        check,
        outcome,
        f"At the end of {rest.seconds / 3600.0:.3g} h of rest{before} the oil was {value:+.1f} K from saturation "
        f"(under {limit:g} K: takes up refrigerant; {safe:g} K or more is wanted).",
        Value(
            value,
            float(np.nanmin(found.above_k)),
            float(np.nanmax(found.above_k)),
            "K",
            "oil.dilution_margin",
            above=False,
        ),
        seen=Seen(
            (first, last),
            cite(found.late, first, last) + cite(found.pressure, first, last),
            max(found.late.interval_s, found.pressure.interval_s),
            int(np.isfinite(found.above_k).sum()),
        ),
        why_not=why_not,
    )


def _diluted_in_history(subject: Subject, curve: Saturation, starts: tuple[Span, ...]) -> float:
    """Hours before the last start at which one came out of oil near saturation; 0 where none did."""
    limit = subject.limits["oil.dilution_margin"]
    for start in reversed(starts[:-1]):
        found = _margin_before(subject, curve, _rest_before(subject, start))
        if isinstance(found, _Margin) and found.value_k < limit:
            return (starts[-1].start_ns - start.start_ns) / NS / 3600.0
    return 0.0


def _margin_before(subject: Subject, curve: Saturation, rest: Span) -> _Margin | str:
    """The margin at the end of a rest; in words why there is none."""
    record = subject.record
    oil = record.point(Role.OIL_TEMPERATURE)
    roles = (Role.SUCTION_PRESSURE, Role.OIL_PRESSURE, Role.DISCHARGE_PRESSURE)
    pressure = next((p.trusted for r in roles if (p := record.point(r)) is not None and len(p.trusted)), None)
    if pressure is None or oil is None:
        return "no trusted pressure" if pressure is None else "no trusted oil temperature"
    late = oil.trusted.between(max(rest.start_ns, rest.end_ns - _LATE_REST_NS), rest.end_ns)
    above_k = late.v - curve.dew_c(pressure.at(late.t, max_age_s(pressure)))
    warm = bool(np.isfinite(above_k).any()) and float(np.nanmedian(above_k)) > subject.limits["oil.dilution_safe"]
    # refrigerant needs a rest to find its way into the oil; oil that is still warm takes up none, however short it was
    if rest.seconds < subject.limits["oil.dilution_rest"] and not warm:
        return "no rest of half an hour or more before that start"
    if not np.isfinite(above_k).any():
        return "no oil temperature with a pressure at the end of that rest"
    return _Margin(rest, late, pressure, above_k)


@kept_with_owner
def asked_start(subject: Subject, starts: tuple[Span, ...]) -> tuple[Span, ...]:
    """Starts up to the one whose oil is asked about: the last, or an earlier one of the window out of diluted oil."""
    limit, curve = subject.limits["oil.dilution_margin"], subject.saturation
    if curve is None:
        return starts
    for k in range(len(starts) - 1, -1, -1):
        if starts[k].start_ns < subject.record.window.start_ns:
            break
        found = _margin_before(subject, curve, _rest_before(subject, starts[k]))
        if isinstance(found, _Margin) and found.value_k < limit:
            return starts[: k + 1]
    return starts


def _rest_before(subject: Subject, start: Span) -> Span:
    """The rest before a start: from the end of the run before it, or the beginning of the record."""
    spans = [s for s in runs_of(subject) if s.end_ns <= start.start_ns and s != start]
    known = [int(p[0].t[0]) for p in subject.record.samples.values() if len(p[0].t)]
    begin = spans[-1].end_ns if spans else min(known, default=start.start_ns)
    return Span(min(begin, start.start_ns), start.start_ns)


def was_cold(subject: Subject) -> bool:
    """Whether the oil is shown to have been near saturation before the start that is asked about."""
    return diluted_before_start(subject)[0].outcome is Outcome.PRESENT


@detector("oil.heater_off_at_rest", failing_start)
def heater_off_at_rest(subject: Subject, check: str, starts: tuple[Span, ...]) -> Finding:
    """Decide whether the oil heater was off for hours up to the start that is asked about (:func:`asked_start`)."""
    switch = subject.record.switch(Role.OIL_HEATER)
    if switch is None:
        return cannot_tell(check, "no oil_heater")
    start = asked_start(subject, starts)[-1]
    limits, start_ns, rest = subject.limits, start.start_ns, _rest_before(subject, start)
    on = (switch.state == ON) & (switch.t < start_ns) & (switch.t >= rest.start_ns)
    since_ns = int(switch.t[on][-1]) if on.any() else rest.start_ns
    covered = sum(
        part.seconds
        for s in switch.covered
        if (part := s.overlap(Span(since_ns, max(start_ns, since_ns + 1)))) is not None
    )
    off_s = covered if switch.at(start_ns - NS) == OFF or not on.any() else 0.0
    limit = limits["oil.heater_off"]
    known = covered >= 0.9 * (start_ns - since_ns) / NS
    outcome = Outcome.CANNOT_TELL
    if known and off_s >= limit:
        outcome = Outcome.PRESENT
    elif known and on.any() and off_s < limits["oil.heater_on_recent"]:
        outcome = Outcome.ABSENT
    why_not = "off for less than the limit, or not known all along"
    if outcome is Outcome.ABSENT and was_cold(subject):
        outcome, why_not = Outcome.CANNOT_TELL, "its point was on, yet the oil stayed near saturation: it may not heat"
    return make_finding(
        subject,
        check,
        outcome,
        f"Oil heater off for {off_s / 3600.0:.3g} h up to the start (limit {limit / 3600.0:g} h).",
        Value(off_s, unit="s", limit_name="oil.heater_off", above=True),
        seen=Seen(
            (since_ns, start_ns),
            cite(switch, since_ns, start_ns),
            switch.interval_s,
            max(2, int(((switch.t >= since_ns) & (switch.t < start_ns)).sum())),
        ),
        why_not=why_not,
    )
