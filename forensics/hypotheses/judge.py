"""Which modes the data prove: grades from tallies, without words, so that it can be run again for every what-if.

A mode is probable only where it is likelier than all live others together, rests on strong evidence of its own, and
nothing strong speaks against it (the ladder of fire-investigation practice: a tie leaves every tied cause possible,
elimination alone is no finding). Consequences never compete with their cause. Two faults at once stand where each is
proven by findings that the other does not explain.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from forensics.hypotheses.modes import Modes, Scale, points_of
from forensics.hypotheses.score import Score
from forensics.model.vocabulary import Grade, Mode, Outcome, VerdictStatus


@dataclass(frozen=True, slots=True)
class Judgement:
    """Grades of all modes and the modes that lead.

    Attributes
    ----------
    cause
        The earliest cause that the data prove; None unless determined.
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


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What the record says of the event beside the findings.

    Attributes
    ----------
    unexplained_trip
        Words of the trip or emergency stop at the failure; empty where the machine was not tripped.
    earlier
        Pairs (a, b) where the first evidence of mode a provably precedes that of mode b.
    """

    unexplained_trip: str = ""
    earlier: frozenset[tuple[str, str]] = frozenset()


def judge(tallies: Mapping[str, Score], modes: Modes, scale: Scale, around: Circumstances) -> Judgement:
    """Grade every mode and name the cause, where the data prove one."""
    live = {name: one for name, one in tallies.items() if not one.excluded_by}
    proven = _proven(live, modes, scale, firm=True)
    loose = _proven(live, modes, scale, firm=False)
    capped = {name: live[name].not_firm_because for name in sorted(loose - proven) if live[name].not_firm_because}
    roots = sorted(name for name in proven if not any(name in modes.consequences(other) for other in proven - {name}))
    cause = _earliest(roots or sorted(proven), live, scale, around)
    if cause is None:
        proven_roots, proven = roots, set()
    else:
        proven_roots = []
    grades, reasons = _grades(tallies, proven, cause, modes, scale)
    status = VerdictStatus.DETERMINED if cause is not None else VerdictStatus.UNDETERMINED
    if cause is None and not proven_roots and _clean(tallies, grades, modes, scale, around):
        status = VerdictStatus.NO_FAULT_FOUND
    grades[str(Mode.NONE)], reasons[str(Mode.NONE)] = _none(status, grades)
    also = tuple(name for name in roots if name != cause) if cause else ()
    also += tuple(name for name in sorted(proven) if name != cause and name not in also)
    return Judgement(status, cause, grades, also, capped, reasons)


def _proven(live: Mapping[str, Score], modes: Modes, scale: Scale, *, firm: bool) -> set[str]:
    """Modes that pass; causes of a mode that pass are no rivals of it, so the set is settled in rounds."""
    able = {name for name, one in live.items() if _able(one, scale, firm=firm)}
    found: set[str] = set()
    while True:
        more = {name for name in able if _beats(name, found, able, live, modes, scale, firm=firm)}
        if more <= found:
            return found
        found |= more


def _able(one: Score, scale: Scale, *, firm: bool) -> bool:
    net = one.firm_net if firm else one.net
    strong = one.has_strong or not firm
    return net >= points_of(scale.probable_ratio_min) - 1e-9 and strong and not one.strong_against


def _beats(
    name: str, found: set[str], able: set[str], live: Mapping[str, Score], modes: Modes, scale: Scale, *, firm: bool
) -> bool:
    mine = live[name].firm_net if firm else live[name].net
    follows = modes.consequences(name)
    causes = [other for other in sorted(found) if name in modes.consequences(other)]
    caused = bool(causes)
    settled = frozenset[str]().union(*(modes.explained(cause) for cause in causes))
    others = 0.0
    for other, one in live.items():
        if other == name or other in follows:
            continue
        if other in found and name in modes.consequences(other):
            continue
        if caused and one.own_present and set(one.own_present) <= settled:
            continue
        if other in modes[name].stands_for and other not in able and one.against_points > 0:
            continue
        if other in able and _separate(live[name], one, modes, scale):
            continue
        brought = (0.0 if caused else _brings(one, live[name], modes, scale)) - _explains(live[name], one, modes)
        others += 10.0 ** ((one.net + brought) / 10.0)
    return bool(10.0 ** (mine / 10.0) > scale.beats_all_others_by * others)


def _brings(rival: Score, one: Score, modes: Modes, scale: Scale) -> float:
    """Points that a rival gains from what it would bring about; fewer where nothing of its own was seen."""
    points = _explains(rival, one, modes)
    return points if rival.own_present else max(0.0, points - points_of(scale.unshown_rival_ratio))


def _explains(one: Score, other: Score, modes: Modes) -> float:
    """Points of another mode's own evidence that a mode would bring about as well, though they are no sign of it."""
    brought = set(modes[one.mode].explains) - set(one.own_present)
    return sum(points for check, points in other.own_present.items() if check in brought)


def _separate(a: Score, b: Score, modes: Modes, scale: Scale) -> bool:
    """Whether each of two modes is proven by findings that the other does not explain."""
    least = points_of(scale.second_fault_ratio_min) - 1e-9
    return _own(a, b.mode, modes) >= least and _own(b, a.mode, modes) >= least


def _own(one: Score, other: str, modes: Modes) -> float:
    explained = modes.explained(other)
    return sum(points for check, points in one.own_present.items() if check not in explained)


def _earliest(roots: list[str], live: Mapping[str, Score], scale: Scale, around: Circumstances) -> str | None:
    """The one that provably came first, else the clearly better proven one, else none."""
    if len(roots) <= 1:
        return roots[0] if roots else None
    first = [one for one in roots if all((one, other) in around.earlier for other in roots if other != one)]
    if first:
        return first[0]
    ranked = sorted(roots, key=lambda name: (-live[name].firm_net, name))
    lead = live[ranked[0]].firm_net - live[ranked[1]].firm_net
    return ranked[0] if lead >= scale.points("moderate") else None


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
            if one.mode != over.mode and follows and _own(over, one.mode, modes) >= least:
                folded.setdefault(one.mode, over.mode)
    return folded


def _open(one: Score, best: float, cause: str | None, modes: Modes, scale: Scale) -> tuple[Grade, str]:
    """Possible, or nothing that could be seen singles it out."""
    least = points_of(scale.possible_ratio_min) - 1e-9
    behind = points_of(scale.possible_behind_best_max) + 1e-9
    fits = one.seen_points >= least and one.net >= least
    if fits and best - one.net <= behind:
        return Grade.POSSIBLE, "findings fit it, but do not single it out from its live rivals"
    if fits and cause is not None and _own(one, cause, modes) > 0:
        return Grade.POSSIBLE, "some findings fit it that the proven cause does not explain"
    if one.observable == "no":
        return Grade.NOT_OBSERVABLE, "what it can't do without could not be seen with these points and intervals"
    if one.for_points > one.against_points:
        return Grade.NOT_OBSERVABLE, "what fits it fits better supported modes as well; the rest could not be seen"
    return (
        Grade.NOT_OBSERVABLE,
        "what could be seen shows nothing of it; what would exclude it could not be seen in full",
    )


def _clean(
    tallies: Mapping[str, Score], grades: Mapping[str, Grade], modes: Modes, scale: Scale, around: Circumstances
) -> bool:
    """Whether the machine was open to view and nothing was wrong in it: any sign of a fault forbids it."""
    if around.unexplained_trip or any(grade is Grade.POSSIBLE for grade in grades.values()):
        return False
    blind = {name for name, one in tallies.items() if one.observable == "no"}
    if any(rule.needed_to_clear and rule.id in blind for rule in modes.causes):
        return False
    if any(one.shown_by or one.own_present or one.leans for one in tallies.values()):
        return False
    return len(tallies) - len(blind) >= scale.observable_share_min * len(tallies)


def _none(status: VerdictStatus, grades: Mapping[str, Grade]) -> tuple[Grade, str]:
    if status is VerdictStatus.NO_FAULT_FOUND:
        return Grade.PROBABLE, "the machine was open to view and nothing was wrong in what could be seen"
    if status is VerdictStatus.DETERMINED:
        return Grade.EXCLUDED, "a fault is proven"
    if any(grade is Grade.POSSIBLE for grade in grades.values()):
        return Grade.NOT_OBSERVABLE, "findings fit a fault, so that the machine can't be called sound"
    return Grade.NOT_OBSERVABLE, "too little could be seen to call the machine sound"
