"""What several detectors ask before they look: asked in one place and answered in the same words."""

from __future__ import annotations

from forensics.machine.history import last_start, run_of, stops_before, unseen_run
from forensics.machine.phases import Trip, trip_at_failure
from forensics.machine.states import Run
from forensics.machine.subject import Subject
from forensics.machine.trip_words import Texts, trip_texts
from forensics.model.findings import Finding, Start, Stop
from forensics.model.points import Samples
from forensics.model.record import Record
from forensics.model.switches import Switch
from forensics.model.vocabulary import Role
from forensics.rules import Check, Need, read_checks
from forensics.signatures.core.finding import cannot_tell

_NO_START = "no start before the failure in the record"
NO_STOP = "no stop in the window up to the failure"


def points_for(subject: Subject, check: Check) -> tuple[dict[Role, Samples | Switch], str]:
    """Find the points that a check needs.

    Returns
    -------
    points, why_not
        The point chosen for each need, by its role; and in words what is missing, empty where nothing is.
    """
    chosen: dict[Role, Samples | Switch] = {}
    missing: list[str] = []
    for need in check.needs:
        point, why = _choose(subject.record, need)
        if point is None:
            missing.append(why)
        else:
            chosen[point.role] = point
    return chosen, "; ".join(missing)


def met(subject: Subject, check: str) -> tuple[()] | Finding:
    """Nothing more than that the points which a check needs are there."""
    _, missing = points_for(subject, read_checks()[check])
    return cannot_tell(check, missing) if missing else ()


def nothing(subject: Subject, check: str) -> tuple[()]:
    """Nothing beforehand: the look asks for itself."""
    return ()


def _choose(record: Record, need: Need) -> tuple[Samples | Switch | None, str]:
    candidates: list[Samples | Switch] = []
    for role in need.roles:
        candidates.extend(p for p in record.samples.get(role, ()) if len(p.usable))
        # a list of events without a row of this point says that there was no such event
        candidates.extend(p for p in record.switches.get(role, ()) if len(p) or role is Role.TRIP)
    names = " or ".join(role.value for role in need.roles)
    if not candidates:
        return None, f"no {names}"
    right = [p for p in candidates if not need.recorded or p.origin.recorded in need.recorded]
    if not right:
        kinds = " or ".join(kind.value for kind in need.recorded)
        return None, f"{names} is not recorded as {kinds}"
    best = next((p for p in right if need.longest_interval_s is None or p.interval_s <= need.longest_interval_s), None)
    if best is None:
        fastest = min(p.interval_s for p in right)
        return None, f"{names} is sampled every {fastest:g} s; {need.longest_interval_s:g} s or faster is needed"
    return best, ""


def started(subject: Subject, check: str) -> tuple[Start] | Finding:
    """The start that led into the failure, or the last before it, for a check whose needs are met."""
    if isinstance(failed := met(subject, check), Finding):
        return failed
    start = last_start(subject)
    return (start,) if start is not None else cannot_tell(check, _NO_START)


def last_run(subject: Subject, check: str) -> tuple[Start, Run] | Finding:
    """The last start and its run, for a check whose needs are met."""
    if isinstance(found := started(subject, check), Finding):
        return found
    run = run_of(subject, *found)
    if run is None:
        return cannot_tell(check, _NO_START)
    unseen = unseen_run(subject)
    return cannot_tell(check, unseen) if unseen else (*found, run)


def stops_of_window(subject: Subject, check: str) -> tuple[list[Stop]] | Finding:
    """Stops of the window up to the failure, for a check whose needs are met."""
    if isinstance(failed := met(subject, check), Finding):
        return failed
    stops = [stop for stop in stops_before(subject) if stop.in_window]
    return (stops,) if stops else cannot_tell(check, NO_STOP)


def trip_told(subject: Subject, check: str) -> tuple[Texts] | Finding:
    """Lines of event lists that speak of the trip, the likeliest first, as the need of a check."""
    texts = trip_texts(subject)
    if not texts:
        return cannot_tell(check, "no event list says what tripped", unlocked_by="export the alarm list with its texts")
    return (texts,)


def stopped(subject: Subject, check: str) -> tuple[Trip] | Finding:
    """The stop that the failure stands for, as the need of a check."""
    trip = trip_at_failure(subject)
    return cannot_tell(check, "the record shows no stop of the motor at the failure") if trip is None else (trip,)
