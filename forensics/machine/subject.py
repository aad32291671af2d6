"""What detectors share: the Subject they look at, and the question what they need before they look."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import wraps
from typing import Protocol, TypeVarTuple

import numpy as np
from numpy.typing import NDArray

from forensics.case.schema import Machine
from forensics.machine.states import Run, StateSpan
from forensics.model.findings import Finding, Start, Stop
from forensics.model.points import Samples, Switch
from forensics.model.record import Record
from forensics.model.vocabulary import Outcome, Role
from forensics.rules import Check, Limits, Need, read_checks
from forensics.rules.profiles import Profile


class Saturation(Protocol):
    """Saturation temperatures of the case's refrigerant, vectorised; NaN outside its range."""

    def dew_c(self, pressure_kpa: NDArray[np.float64]) -> NDArray[np.float64]:
        """Dew-point temperature, degC, at absolute pressures in kPa."""
        ...

    def bubble_c(self, pressure_kpa: NDArray[np.float64]) -> NDArray[np.float64]:
        """Bubble-point temperature, degC, at absolute pressures in kPa."""
        ...


@dataclass(frozen=True)
class Subject:
    """All that a detector may look at.

    Attributes
    ----------
    record
        On the reference clock; window and history.
    runs, spans
        Runs of the motor and operating states, in time order, history included.
    starts, stops
        The tables of starts and stops, in time order, history included; empty while they are being made.
    limits, profile, machine
        Rules and nameplate.
    saturation
        None where the refrigerant has no data; ``saturation_missing`` then says why.
    """

    record: Record
    runs: tuple[Run, ...]
    spans: tuple[StateSpan, ...]
    limits: Limits
    profile: Profile
    machine: Machine
    polarity_confirmed: bool
    saturation: Saturation | None = None
    saturation_missing: str = ""
    starts: tuple[Start, ...] = ()
    stops: tuple[Stop, ...] = ()


Detector = Callable[[Subject], tuple[Finding, ...]]
Needed = TypeVarTuple("Needed")


def detector(
    check: str, needs: Callable[[Subject, str], tuple[*Needed] | Finding]
) -> Callable[[Callable[[Subject, str, *Needed], Finding]], Detector]:
    """Make a detector of a look that gives the one answer of a check.

    Parameters
    ----------
    check
        Id in the catalogue; the look is given it.
    needs
        Gets what the look needs, or the cannot-tell where it can't be had; what it gets is handed to the look.

    Notes
    -----
    What several detectors ask before they look is asked in one place so, and in the same words.
    """

    def made(look: Callable[[Subject, str, *Needed], Finding]) -> Detector:
        @wraps(look)
        def detect(subject: Subject) -> tuple[Finding, ...]:
            got = needs(subject, check)
            return (got if isinstance(got, Finding) else look(subject, check, *got),)

        return detect

    return made


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


def _cheapest(check: Check, why_not: str) -> str:
    """What to log, of the points that the reason names; nothing where logging more would not have helped."""
    parts = []
    for need in check.needs:
        if not any(role.value in why_not for role in need.roles):
            continue
        rate = "" if need.longest_interval_s is None else f" every {need.longest_interval_s:g} s or faster"
        parts.append(f"{need.roles[0].value}{rate}")
    return "log " + ", ".join(parts) if parts else ""


def run_catalogue(subject: Subject, detectors: Mapping[str, Detector]) -> tuple[Finding, ...]:
    """Run every detector; each must answer for its own check at least once."""
    found: list[Finding] = []
    for check_id, detector in detectors.items():
        answers = detector(subject)
        if not any(answer.check == check_id for answer in answers):
            raise AssertionError(f"detector of {check_id} gave no answer")
        found.extend(answers)
    return tuple(found)
