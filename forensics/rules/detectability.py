"""Could this sampling have seen it: the chance that samples catch a short event, point by point."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from forensics.errors import InputError, Problem
from forensics.model.points import Samples
from forensics.model.record import Record
from forensics.model.switches import Switch
from forensics.model.vocabulary import Recorded, Role
from forensics.rules import FOLDER, read_checks, read_toml

SHAPE_SAMPLES = 3


class ShortEvent(BaseModel):
    """One event of ``rules/short_events.toml``: its usual length, the points that show it, the checks that look."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    title: str
    length_s: float = Field(gt=0)
    points: tuple[Role, ...]
    checks: tuple[str, ...]
    source: str = Field(min_length=1)


@dataclass(frozen=True, slots=True)
class Detection:
    """What the sampling of a case could show of one event.

    Attributes
    ----------
    role, interval_s
        The fastest point that shows it and its spacing; None where none is bound.
    chance
        Chance of at least one sample in the event, 0 to 1.
    shape
        Whether three samples fall into it, so that its course could be seen.
    """

    event: ShortEvent
    role: Role | None
    interval_s: float | None
    chance: float
    shape: bool


@cache
def read_short_events() -> tuple[ShortEvent, ...]:
    """Read the events; an unknown check or role, or a missing source, is refused."""
    found: list[ShortEvent] = []
    problems: list[Problem] = []
    known = read_checks()
    for name, table in read_toml(FOLDER / "short_events.toml").items():
        try:
            event = ShortEvent.model_validate(table)
        except ValidationError as fault:
            problems += [
                Problem(e["msg"], file="short_events.toml", column=f"{name}.{e['loc']}") for e in fault.errors()
            ]
            continue
        unknown = [check for check in event.checks if check not in known]
        if unknown:
            problems.append(Problem(f"no such check: {', '.join(unknown)}", file="short_events.toml", column=name))
        found.append(event)
    if problems:
        raise InputError(problems)
    return tuple(found)


def chance_of_a_sample(length_s: float, interval_s: float) -> float:
    """Chance that instantaneous samples every ``interval_s`` catch an event of ``length_s``: min(1, d / T).

    The sampling phase is taken as uniform (arithmetic).
    """
    return min(1.0, length_s / interval_s) if interval_s > 0 else 1.0


def detection_limits(record: Record) -> tuple[Detection, ...]:
    """For each short event, the chance that the case's fastest point of it holds a sample in the event."""
    return tuple(_limit(record, event) for event in read_short_events())


def _limit(record: Record, event: ShortEvent) -> Detection:
    points: list[Samples | Switch] = []
    for role in event.points:
        points += [point for point in record.samples.get(role, ()) if len(point)]
        points += [switch for switch in record.switches.get(role, ()) if len(switch)]
    best = min(points, key=_spacing_s, default=None)
    waves = [w for w in record.waveforms if any(role in w.analog for role in event.points)]
    if waves:
        wave = min(waves, key=lambda w: w.interval_s)
        role = next(role for role in event.points if role in wave.analog)
        if best is None or wave.interval_s < _spacing_s(best):
            return Detection(event, role, wave.interval_s, 1.0, shape=True)
    if best is None:
        return Detection(event, None, None, 0.0, shape=False)
    spacing_s = _spacing_s(best)
    if best.origin.recorded in (Recorded.MAXIMUM, Recorded.MINIMUM):
        return Detection(event, best.role, spacing_s, 1.0, shape=False)
    chance = chance_of_a_sample(event.length_s, spacing_s)
    return Detection(event, best.role, spacing_s, chance, shape=SHAPE_SAMPLES * spacing_s <= event.length_s)


def _spacing_s(point: Samples | Switch) -> float:
    return point.interval_s
