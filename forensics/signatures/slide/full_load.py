"""Does the capacity reach full load when it is asked for."""

from __future__ import annotations

import numpy as np

from forensics.machine.citations import rows_of
from forensics.machine.commanded import acting_seconds
from forensics.machine.commands import read_commands
from forensics.machine.slide.course import Slide
from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.points import NS, iso
from forensics.model.vocabulary import Outcome, Recorded, Role
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding
from forensics.signatures.slide.looking import identified, not_by_time

_LOOKED_BACK_NS = 6 * 3600 * NS


@detector("slide.cannot_reach_full_load", identified)
def cannot_reach_full_load(subject: Subject, check: str, slide: Slide) -> Finding:
    """Decide whether capacity stays well below full in spite of a whole travel of load commands."""
    record, limits, source = subject.record, subject.limits, slide.source
    command = read_commands(record, subject.profile)[Role.LOAD_SOLENOID]
    begin, end = max(record.window.start_ns, record.failure_ns - _LOOKED_BACK_NS), record.failure_ns
    good = source.point.between(begin, end)
    if not len(good):
        return cannot_tell(check, "no capacity reading in the hours before the failure")
    percent = good.v * source.percent
    most = float(np.quantile(percent, 0.98))
    step = np.arange(begin, end, 60 * NS, dtype=np.int64)
    acting = np.nan_to_num(acting_seconds(command, step, step + 60 * NS))
    ten = np.convolve(acting, np.ones(min(10, len(acting))), mode="valid") if len(acting) else np.array([0.0])
    asked = float(np.max(ten)) if len(ten) else 0.0
    need = limits["slide.asked_travels"] * subject.profile.times.travel_load_s
    if command.switch.origin.recorded is not Recorded.CHANGE:
        # acting time from samples is a count: three of its standard deviations on top
        need += 3.0 * command.interval_s * float(np.sqrt(max(asked, 1.0) / command.interval_s))
        looks = slide.gains.looks[0]
        need *= 1.0 + 2.0 / np.sqrt(max(looks, 1))
    if (short := _stood_short(subject, check, slide)) is not None:
        return short
    words = f"Capacity reached {most:.0f} %; load was commanded for up to {asked:.0f} s within ten minutes."
    measured = Value.within(most, 2, "%", "slide.short_of_full", above=False)
    span = (int(good.t[0]), int(good.t[-1]))
    seen = Seen(span, rows_of(source.point, *span), source.point.interval_s, len(good), rests_on_commands=True)
    if most >= limits["slide.full_load"]:
        return make_finding(subject, check, Outcome.ABSENT, words, measured, seen)
    if why := not_by_time(slide, 1.0):
        return cannot_tell(check, f"{words} But {why}")
    if most < limits["slide.short_of_full"] and asked >= need:
        return make_finding(subject, check, Outcome.PRESENT, words, measured, seen)
    return cannot_tell(check, words + " Full load was not asked for clearly enough.")


def _stood_short(subject: Subject, check: str, slide: Slide) -> Finding | None:
    """Present where the capacity stood short of full though a whole travel of load was given; None where not so.

    Full load that was reached before says nothing of the hours in which it no longer was.
    """
    limits, stand = subject.limits, slide.stands[1]
    if stand is None or not_by_time(slide, 1.0) or stand.share(held_against=False)[1] >= 1.0:
        return None
    room = limits["slide.held_room"] * (0.0 if slide.source.by_slide else 2.0)
    highest = stand.level[1]
    if highest > limits["slide.short_of_full"] - room or stand.worth < 100.0 * limits["slide.asked_travels"]:
        return None
    words = (
        f"Load was commanded in {stand.spells} spells from {iso(stand.span_ns[0])} on, worth {stand.worth:.0f} % of "
        f"travel at the least, and the capacity stood at {stand.level[0]:.0f} to {highest:.0f} %."
    )
    point = slide.source.point
    seen = Seen(stand.span_ns, rows_of(point, *stand.span_ns), point.interval_s, stand.spells, rests_on_commands=True)
    measured = Value.within(highest, 2, "%", "slide.short_of_full", above=False)
    return make_finding(subject, check, Outcome.PRESENT, words, measured, seen)
