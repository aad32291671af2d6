"""Which modes the data prove: grades from tallies, without words, so that it can be run again for every what-if.

A mode is probable only where it is likelier than all live others together, a cause that is not in the list among them,
also with a prior ten times lower; where it rests on two effects that are seen apart, one of them strong, and nothing
strong speaks against it (the ladder of fire-investigation practice: a tie leaves every tied cause possible, elimination
alone is no finding). Consequences never compete with their cause. Two faults at once stand where each is proven by
findings that the other does not explain; which came first is said only where the record proves it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from forensics.hypotheses.modes import Modes
from forensics.hypotheses.rivals import own_points, proven_modes, rivals_of
from forensics.hypotheses.scale import Scale, points_of
from forensics.hypotheses.score import Score
from forensics.model.vocabulary import Grade, Mode, Outcome, VerdictStatus


@dataclass(frozen=True, slots=True)
class Judgement:
    """Grades of all modes and the modes that lead.

    Attributes
    ----------
    cause
        The cause that the data prove, the earliest where that is provable; None unless determined.
    lead
        Decibans by which the cause is likelier than all others together; 0 without one.
    also
        Other modes that are proven: further faults first, then consequences with evidence of their own.
    capped
        For modes that all evidence would prove but its firm part does not: why.
    """

    status: VerdictStatus
    cause: str | None
    grades: Mapping[str, Grade]
    also: tuple[str, ...]
    capped: Mapping[str, tuple[str, ...]]
    reasons: Mapping[str, str]
    lead: float = 0.0


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What the record says of the event beside the findings.

    Attributes
    ----------
    unexplained_trip
        Words of the trip or emergency stop at the failure; empty where the machine was not tripped.
    earlier
        Pairs (a, b) where the first evidence of mode a provably precedes that of mode b.
    still_open
        Modes of which the record does not clear the machine though it could have shown them.
    changed
        Whether a reading surely left what is usual of the machine at like duty.
    """

    unexplained_trip: str = ""
    earlier: frozenset[tuple[str, str]] = frozenset()
    still_open: frozenset[str] = frozenset()
    changed: bool = False


def judge(tallies: Mapping[str, Score], modes: Modes, scale: Scale, around: Circumstances) -> Judgement:
    """Grade every mode and name the cause, where the data prove one."""
    live = {name: one for name, one in tallies.items() if not one.excluded_by}
    proven = proven_modes(live, modes, scale, firm=True)
    capped = _capped(live, proven, proven_modes(live, modes, scale, firm=False), scale)
    roots = sorted(name for name in proven if not any(name in modes.consequences(other) for other in proven - {name}))
    cause = _named_first(roots, sorted(proven), live, around)
    if cause is None:
        proven = set()
    grades, reasons = _grades(tallies, proven, cause, modes, scale)
    status = VerdictStatus.DETERMINED if cause is not None else VerdictStatus.UNDETERMINED
    if cause is None and _clean(tallies, grades, scale, around):
        status = VerdictStatus.NO_FAULT_FOUND
    grades[str(Mode.NONE)], reasons[str(Mode.NONE)] = _none(status, grades)
    also = tuple(name for name in roots if name != cause) if cause else ()
    also += tuple(name for name in sorted(proven) if name != cause and name not in also)
    lead = 0.0
    if cause is not None:
        lead = live[cause].firm_net - points_of(sum(rivals_of(cause, proven, live, modes, scale, firm=True)))
    return Judgement(status=status, cause=cause, grades=grades, also=also, capped=capped, reasons=reasons, lead=lead)


def _capped(live: Mapping[str, Score], proven: set[str], loose: set[str], scale: Scale) -> dict[str, tuple[str, ...]]:
    """Why modes that all evidence would prove are held at possible, and why a proven one is not confirmed."""
    capped = {name: live[name].not_firm_because for name in sorted(loose - proven) if live[name].not_firm_because}
    for name, one in sorted(live.items()):
        if name not in proven and one.has_strong and len(one.effects) < scale.effects_min:
            words = f"one effect alone proves nothing: it rests on {', '.join(one.effects) or 'one check'}"
            capped[name] = (*capped.get(name, ()), words)
        if one.not_shown_because:
            capped[name] = (*capped.get(name, ()), *one.not_shown_because)
    return capped


def _named_first(roots: list[str], proven: list[str], live: Mapping[str, Score], around: Circumstances) -> str | None:
    """The proven cause that provably came first; else, of causes that do not follow from each other, the heaviest.

    The heaviest is named first, not said to be first in time. Where each proven mode can follow from another one, only
    the order of the record tells the cause.
    """
    names = roots or proven
    first = [one for one in names if all((one, other) in around.earlier for other in names if other != one)]
    if first or not roots:
        return first[0] if first else None
    return min(roots, key=lambda name: (-live[name].firm_net, name))


def _grades(
    tallies: Mapping[str, Score], proven: set[str], cause: str | None, modes: Modes, scale: Scale
) -> tuple[dict[str, Grade], dict[str, str]]:
    grades: dict[str, Grade] = {}
    reasons: dict[str, str] = {}
    best = max((one.net for one in tallies.values() if not one.excluded_by), default=0.0)
    folded = _folded(tallies, modes, scale)
    for name, one in tallies.items():
        if name == Mode.NONE:
            continue
        if name in proven:
            grade = Grade.CONFIRMED if one.shown_by else Grade.PROBABLE
            by_hand = f", and {', '.join(one.shown_by)} shows the cause itself" if one.shown_by else ""
            grades[name], reasons[name] = grade, f"likelier than all live others together{by_hand}"
        elif one.excluded_by:
            grades[name], reasons[name] = Grade.EXCLUDED, one.excluded_by
        elif name in folded and cause is None:
            grades[name] = Grade.NOT_OBSERVABLE
            reasons[name] = f"all that fits it follows from {folded[name]} as well, which has evidence of its own"
        else:
            grades[name], reasons[name] = _open(one, best, cause, modes, scale)
    if cause is None:
        _with_look_alikes(grades, reasons, tallies, modes, scale)
    return grades, reasons


def _with_look_alikes(
    grades: dict[str, Grade], reasons: dict[str, str], tallies: Mapping[str, Score], modes: Modes, scale: Scale
) -> None:
    """A look-alike of a possible mode that the same findings fit is possible too: what was seen does not split them."""
    least = points_of(scale.possible_ratio_min) - 1e-9
    for name in sorted(name for name, grade in grades.items() if grade is Grade.POSSIBLE):
        shown = _seen(tallies[name])
        for other in (alike.mode for alike in modes[name].look_alikes):
            one = tallies.get(other)
            if one is None or grades[other] is not Grade.NOT_OBSERVABLE or one.excluded_by:
                continue
            if shown & _seen(one) and one.seen_points >= least and one.net > 0:
                grades[other] = Grade.POSSIBLE
                reasons[other] = f"look-alike of {name}: what was seen fits both and does not split them"


def _seen(one: Score) -> set[str]:
    """Checks that were present and speak for a mode, counted or not."""
    return {cell.check for cell in one.cells if cell.effect == "for" and cell.outcome is Outcome.PRESENT}


def _folded(tallies: Mapping[str, Score], modes: Modes, scale: Scale) -> dict[str, str]:
    """Modes all of whose evidence follows from another live mode that has evidence of its own beyond theirs."""
    least = scale.points("moderate") - 1e-9
    live = [one for _, one in sorted(tallies.items()) if not one.excluded_by and one.net >= least and one.own_present]
    folded: dict[str, str] = {}
    for over in sorted(live, key=lambda one: (-one.net, one.mode)):
        if over.mode in folded:
            continue
        explained = modes.explained(over.mode)
        for one in live:
            follows = set(one.own_present) <= explained and one.net <= over.net
            if one.mode != over.mode and follows and own_points(over, one.mode, modes) >= least:
                folded.setdefault(one.mode, over.mode)
    return folded


def _open(one: Score, best: float, cause: str | None, modes: Modes, scale: Scale) -> tuple[Grade, str]:
    """Possible, or nothing that could be seen singles it out."""
    least = points_of(scale.possible_ratio_min) - 1e-9
    behind = points_of(scale.possible_behind_best_max) + 1e-9
    fits = one.seen_points >= least and one.net >= least
    if fits and best - one.net <= behind:
        return Grade.POSSIBLE, "findings fit it, but do not single it out from its live rivals"
    if fits and cause is not None and own_points(one, cause, modes) > 0:
        return Grade.POSSIBLE, "some findings fit it that the proven cause does not explain"
    if one.observable == "no":
        return Grade.NOT_OBSERVABLE, "what it can't do without could not be seen with these points and intervals"
    if one.for_points > one.against_points:
        return Grade.NOT_OBSERVABLE, "what fits it fits better supported modes as well; the rest could not be seen"
    return Grade.NOT_OBSERVABLE, "not supported by what was seen, not excluded"


def _clean(tallies: Mapping[str, Score], grades: Mapping[str, Grade], scale: Scale, around: Circumstances) -> bool:
    """Whether a machine was seen well enough to be called sound, and nothing firm was wrong in it.

    One criterion: of every mode that the record could have shown, an effect of the size of its limit would have been
    seen and was not there. A value at its limit or a dip of one sample neither clears nor condemns.
    """
    if around.unexplained_trip or around.still_open or around.changed:
        return False
    if any(grade is Grade.POSSIBLE for grade in grades.values()):
        return False
    most = points_of(scale.clear_sign_ratio_max)
    leaning = any(one.leans and not one.cleared for one in tallies.values())
    return not leaning and not any(one.shown_by or sum(one.own_present.values()) > most for one in tallies.values())


def _none(status: VerdictStatus, grades: Mapping[str, Grade]) -> tuple[Grade, str]:
    if status is VerdictStatus.NO_FAULT_FOUND:
        return Grade.PROBABLE, "the machine was open to view and nothing was wrong in what could be seen"
    if status is VerdictStatus.DETERMINED:
        return Grade.EXCLUDED, "a fault is proven"
    if any(grade is Grade.POSSIBLE for grade in grades.values()):
        return Grade.NOT_OBSERVABLE, "findings fit a fault, so that the machine can't be called sound"
    return Grade.NOT_OBSERVABLE, "too little could be seen to call the machine sound"
