"""Draw a case's story: the layout of its cause, else the close-up, else what the record allows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from forensics.investigation import Investigation
from forensics.model.points import NS, Span
from forensics.model.vocabulary import Outcome, VerdictStatus
from forensics.report.stories.courses import LimitOf, close_span, course_panels
from forensics.report.stories.cycles import AFTER_S, BEFORE_S, cycle_panels
from forensics.report.stories.plan import Plan, plan_of, read_plans
from forensics.report.stories.starts import rests_panels, starts_panels
from forensics.report.svg.elements import text_width
from forensics.report.svg.multiples import WORDS_PX, Across, Multiple, small_multiples
from forensics.report.svg.scale import time_ticks
from forensics.report.words.units import ReportTime, local_title

WIDE, NARROW = (720.0, 300.0), (345.0, 380.0)
WIDE_TICKS, NARROW_TICKS = 7, 3
COURSE_BEFORE_S, COURSE_AFTER_S = 6 * 3600.0, 300.0
ENDS_ROOM = 22.0
MOST_PANELS = 3
STILL_PX = 130.0
CLOSE_NAMES = ("motor_amps", "discharge_less_suction", "oil_difference", "slide_position", "discharge_temperature")
START_NAMES = ("motor_amps", "discharge_less_suction", "oil_difference", "slide_position")
STOP_NAMES = ("shaft_speed", "discharge_less_suction", "condenser_less_suction", "motor_amps")
REST_LIMIT: Final = "starts.short_off_s"
_NAMES = {
    "starts": "Every start of the machine up to the failure",
    "rests": "Every rest before a start up to the failure",
    "start": "The start that led to the failure, over the machine's own healthy starts",
    "stop": "The stop at the failure, over the machine's own healthy stops",
    "close": "The failure close up",
    "course": "The hours up to the failure",
}


@dataclass(frozen=True)
class Story:
    """The picture for a sheet and for a narrow screen, with what it shows in words."""

    wide: str
    narrow: str
    title: str
    about: str


def story(work: Investigation, display: str, clock: ReportTime, leader: str | None = None) -> Story | None:
    """The picture that tells the case; None where the record holds nothing that could be drawn.

    The first layout of three that has data: the cause's own, the close-up of the failure, the hours before it.

    Parameters
    ----------
    leader
        Of an undetermined case: the cause that leads, whose picture shows what speaks for it.
    """
    verdict = work.weighing.verdict
    first = plan_of(verdict.status, leader if verdict.mode is None else str(verdict.mode))
    fallback = read_plans().open
    for plan in (first, fallback, fallback.model_copy(update={"kind": "course"})):
        panels = _panels(work, plan, display, clock)
        if panels:
            return _drawn(work, plan, panels, clock)
    return None


def _panels(work: Investigation, plan: Plan, display: str, clock: ReportTime) -> list[Multiple]:
    if plan.kind == "starts":
        return starts_panels(work, plan.panels, clock)
    if plan.kind == "rests":
        return rests_panels(work, work.limits[REST_LIMIT])
    if plan.kind in {"start", "stop"}:
        return cycle_panels(work, plan.kind, plan.panels, display)
    span = close_span(work.record.failure_ns) if plan.kind == "close" else _course_span(work)
    return course_panels(work, plan.panels, display, span=span, limits=_limits(work, plan))[:MOST_PANELS]


def _course_span(work: Investigation) -> Span:
    """The hours before the failure: six, or as far back as the findings of the verdict reach."""
    record = work.record
    by_id = {f.id: f for f in work.findings}
    begins = [by_id[i].from_ns for i in work.weighing.verdict.because if i in by_id]
    reach = min([b for b in begins if b is not None] or [record.failure_ns])
    start_ns = max(min(reach, record.failure_ns - round(COURSE_BEFORE_S * NS)), record.window.start_ns)
    end_ns = max(min(record.failure_ns + round(COURSE_AFTER_S * NS), record.window.end_ns), record.failure_ns)
    return Span(start_ns, end_ns)


def _limits(work: Investigation, plan: Plan) -> dict[str, LimitOf]:
    """Limit of each check that the layout names, by the panel of the same place; none where the check can't tell."""
    found = {}
    for name, check in zip(plan.panels, plan.limits_of, strict=False):
        one = next((f for f in work.findings if f.check == check and f.limit is not None), None)
        if one is None or one.limit is None or one.value is None or one.outcome is Outcome.CANNOT_TELL:
            continue
        if one.unit != "1":
            found[name] = LimitOf(one.limit, one.value)
    return found


def _drawn(work: Investigation, plan: Plan, panels: list[Multiple], clock: ReportTime) -> Story:
    title = _NAMES[plan.kind].replace("failure", _event(work))
    about = f"{title}. Panels: {'; '.join(p.title for p in panels)}."
    notes = [n.words for p in panels for n in p.notes]
    if notes:
        about += f" Notes: {'; '.join(notes)}."
    made = []
    longest = max([0.0, *(text_width(s.end, WORDS_PX) for p in panels for s in p.series)])
    ends = longest + ENDS_ROOM
    for size, most, key in ((WIDE, WIDE_TICKS, "story"), (NARROW, NARROW_TICKS, "story-narrow")):
        across = _across(work, plan, panels, clock, most)
        made.append(small_multiples(panels, across, size=size, title=title, about=about, key=key, ends_px=ends))
    return Story(made[0], made[1], title, about)


def _event(work: Investigation) -> str:
    """What the instant that the case is about is called: nothing failed where nothing was found."""
    return "event" if work.weighing.verdict.status is VerdictStatus.NO_FAULT_FOUND else "failure"


def _across(work: Investigation, plan: Plan, panels: list[Multiple], clock: ReportTime, most: int) -> Across:
    if plan.kind in {"start", "stop"}:
        ticks = [(float(s), f"{s:.0f}") for s in range(0, int(AFTER_S) + 1, 10)]
        origin = "motor current begins" if plan.kind == "start" else "motor current ends"
        return Across(-BEFORE_S, AFTER_S, ticks, f"seconds from where the {origin}", [(0.0, "")])
    failure = work.record.failure_ns / NS
    if plan.kind == "close":
        span = close_span(work.record.failure_ns)
        low, high = span.start_ns / NS, span.end_ns / NS
    else:
        xs = [x for p in panels for s in p.series for run in s.runs for x, _ in run]
        low, high = min(xs), max(*xs, failure)
        room = (high - low) * 0.02
        low, high = low - room, high + room
    ticks = [(t / NS, words) for t, words in time_ticks(clock, round(low * NS), round(high * NS), most=most)]
    marked = [(failure, _event(work))] if plan.kind in {"close", "course"} else []
    return Across(low, high, ticks, local_title(clock, round(failure * NS), event=_event(work)), marked)


def close_picture(work: Investigation, display: str, clock: ReportTime) -> str:
    """The close-up of the failure as a picture of our own; empty where nothing is sampled fast enough."""
    plan = read_plans().open
    panels = course_panels(work, CLOSE_NAMES, display, span=close_span(work.record.failure_ns), limits={})
    return _one(work, plan, panels, clock, "close-still") if panels else ""


def cycle_picture(work: Investigation, kind: Literal["start", "stop"], display: str) -> str:
    """The start or stop at the failure over healthy ones as a picture of our own; empty where it can't be drawn."""
    plan = Plan(kind=kind, panels=START_NAMES if kind == "start" else STOP_NAMES)
    panels = cycle_panels(work, kind, plan.panels, display)
    return _one(work, plan, panels, None, f"{kind}-still") if panels else ""


def _one(work: Investigation, plan: Plan, panels: list[Multiple], clock: ReportTime | None, key: str) -> str:
    title = _NAMES[plan.kind].replace("failure", _event(work))
    about = f"{title}. Panels: {'; '.join(p.title for p in panels)}."
    longest = max([0.0, *(text_width(s.end, WORDS_PX) for p in panels for s in p.series)])
    across = _across(work, plan, panels, clock or ReportTime("UTC", 0), WIDE_TICKS)
    size = (WIDE[0], STILL_PX * len(panels) + 40.0)
    return small_multiples(panels, across, size=size, title=title, about=about, key=key, ends_px=longest + ENDS_ROOM)
