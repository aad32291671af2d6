"""What the checks of the slide share: the identified slide, the role of a command, when a change came."""

from __future__ import annotations

from forensics.machine.slide.course import Slide, slide_of
from forensics.machine.slide.estimates import Moment
from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.points import iso
from forensics.model.vocabulary import Role
from forensics.signatures.core.finding import cannot_tell
from forensics.signatures.core.needs import met

_NO_CAPACITY = "neither slide_position nor amps with rated_load_amps tell the capacity"


def identified(subject: Subject, check: str) -> tuple[Slide] | Finding:
    """The identified slide; else the answer that says what is missing."""
    if isinstance(failed := met(subject, check), Finding):
        return failed
    slide = slide_of(subject)
    return cannot_tell(check, _NO_CAPACITY) if slide is None else (slide,)


def not_by_time(slide: Slide, *signs: float) -> str:
    """Why the time of a command says nothing of the slide; empty where it does."""
    held = [command_role(s).value for s in signs if not slide.by_time[1 if s > 0 else -1]]
    if not held:
        return ""
    return f"the profile holds the slide with {' and '.join(held)} other than off: its time is no measure of movement"


def command_role(sign: float) -> Role:
    """Load for 1, unload for -1."""
    return Role.LOAD_SOLENOID if sign > 0 else Role.UNLOAD_SOLENOID


def when(moment: Moment) -> str:
    """A moment with its interval, as a sentence tells it."""
    return f"{iso(moment.at_ns)} (between {iso(moment.low_ns)} and {iso(moment.high_ns)})"
