"""Is a slide that stood while it was commanded without response, or held against a leak: what tells them apart."""

from __future__ import annotations

from typing import Final

import numpy as np

from forensics.machine.slide.course import Slide
from forensics.machine.slide.stand import Stand
from forensics.machine.subject import Subject
from forensics.model.points import NS
from forensics.model.vocabulary import Role

_LEAST: Final = "slide.response_share_min"


def stood_unmoved(subject: Subject, slide: Slide, sign: int) -> Stand | None:
    """The stand of load (1) or unload (-1), where it surely is one without response; else None.

    A controller that holds against a leak gives one command alone, and the slide stands as well. What tells the two
    apart is named in the order in which it is asked for: minutes without a command in which it stood alike; the other
    command, that it did not answer either; the same stand at levels far apart; water that the controller does not hold
    while the slide does not stir.
    """
    stand = slide.stands[sign]
    if stand is None or not _asked(subject, slide, sign, stand) or _answers_at_pulses(slide, sign, stand):
        return None
    limit = subject.limits[_LEAST]
    if stand.share(held_against=True)[1] < limit:
        return stand
    opposite = slide.stands[-sign]
    both = (
        opposite is not None
        and _asked(subject, slide, -sign, opposite)
        and opposite.span_ns[0] < stand.span_ns[1]
        and stand.span_ns[0] < opposite.span_ns[1]
    )
    still = slide.source.by_slide and stand.level[1] - stand.level[0] <= 2.0 * subject.limits["slide.sensor_percent"]
    apart = stand.at_levels >= subject.limits["slide.stands_apart"]
    return stand if both or apart or (still and _water_not_held(subject, slide, sign, stand)) else None


def _asked(subject: Subject, slide: Slide, sign: int, stand: Stand) -> bool:
    """Whether the command was worth a good part of the travel, clear of its end, and moved nothing."""
    limits = subject.limits
    usual = abs(slide.course.usual[0 if sign > 0 else 1]) / 60.0
    if stand.worth < limits["slide.block_acting_s"] * usual or stand.share(held_against=False)[1] >= limits[_LEAST]:
        return False
    # a current tells the ends of travel by what it spanned, so that more room is asked for
    room = limits["slide.held_room"] * (1.0 if slide.source.by_slide else 2.0)
    if sign > 0:
        return stand.level[1] <= slide.course.high_end - room
    return stand.level[0] >= slide.course.low_end + room


def _answers_at_pulses(slide: Slide, sign: int, stand: Stand) -> bool:
    """Whether samples of about a second show that the slide moves at each pulse of the stand."""
    near = slide.gains.load_at_pulses if sign > 0 else slide.gains.unload_at_pulses
    if near is None or near.span_ns[1] < stand.span_ns[0]:
        return False
    return near.end.turned(float(sign)).low > 0.0


def _water_not_held(subject: Subject, slide: Slide, sign: int, stand: Stand) -> bool:
    """Whether the leaving water stood outside what the running before had held, for most of the stand.

    Warmer where load is asked for, colder where unload is: a controller that holds against a leak holds the water.
    """
    point = subject.record.point(Role.CHILLED_WATER_LEAVING)
    if point is None or not len(point.trusted):
        return False
    water, settled = point.trusted, round(subject.limits["slide.water_settles_s"] * NS)
    running = np.zeros(len(water), dtype=bool)
    for run in subject.runs:
        end = run.last_ns if run.end is None else run.end.earliest_ns
        running |= (water.t >= run.first_ns + settled) & (water.t <= end)
    before = running & (water.t < stand.span_ns[0])
    during = running & (water.t >= stand.span_ns[0]) & (water.t <= stand.span_ns[1])
    if np.sum(before) * water.interval_s < subject.limits["slide.water_known_s"] or not during.any():
        return False
    warmer = sign * water.v
    band = float(np.quantile(warmer[before], 0.95)) + subject.limits["slide.water_held_k"]
    return bool(np.mean(warmer[during] > band) > 0.5)  # noqa: PLR2004 - most of it
