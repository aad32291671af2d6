"""Which modes are likelier than all that could have been instead, a cause that is not in the list among it."""

from __future__ import annotations

from collections.abc import Mapping

from forensics.hypotheses.modes import Modes
from forensics.hypotheses.scale import Scale, points_of
from forensics.hypotheses.score import Score


def proven_modes(live: Mapping[str, Score], modes: Modes, scale: Scale, *, firm: bool) -> set[str]:
    """Modes that pass; causes of a mode that pass are no rivals of it, so the set is settled in rounds."""
    able = {name for name, one in live.items() if _able(one, scale, firm=firm)}
    found: set[str] = set()
    while True:
        more = {name for name in able if _beats(name, found, live, modes, scale, firm=firm)}
        if more <= found:
            return found
        found |= more


def _able(one: Score, scale: Scale, *, firm: bool) -> bool:
    effects = len(one.effects) if firm else one.effects_in_all
    return (one.has_strong or not firm) and effects >= scale.effects_min and not one.strong_against


def _beats(name: str, found: set[str], live: Mapping[str, Score], modes: Modes, scale: Scale, *, firm: bool) -> bool:
    """Whether a mode is likelier than all others together, and stays so where the prior of any one mode is changed.

    A rival that nothing speaks for stands at its prior. The mode's own prior is lowered against those that explain
    what was seen, a cause that is not in the list among them; each listed rival's is raised alone.
    """
    mine = 10.0 ** ((live[name].firm_net if firm else live[name].net) / 10.0)
    others = rivals_of(name, found, live, modes, scale, firm=firm)
    whole, change = sum(others), scale.prior_change
    explain = sum(ratio for ratio in others if ratio > 1.0)
    raised = whole + (change - 1.0) * max(others[1:], default=0.0)
    return bool(mine > scale.beats_all_others_by * max(raised, change * explain))


def rivals_of(
    name: str, found: set[str], live: Mapping[str, Score], modes: Modes, scale: Scale, *, firm: bool
) -> list[float]:
    """Likelihood ratio of each thing that could have been instead: first a cause that is not in the list."""
    follows = modes.consequences(name)
    causes = [other for other in sorted(found) if name in modes.consequences(other)]
    caused = bool(causes)
    settled = frozenset[str]().union(*(modes.explained(cause) for cause in causes))
    others = [10.0 ** (unlisted_points(live[name], scale) / 10.0)]
    for other, one in sorted(live.items()):
        if other == name or other in follows:
            continue
        if other in found and name in modes.consequences(other):
            continue
        if caused and one.own_present and set(one.own_present) <= settled:
            continue
        able = _able(one, scale, firm=firm)
        if other in modes[name].stands_for and not able and one.against_points > 0:
            continue
        if able and _separate(live[name], one, modes, scale):
            continue
        brought = (0.0 if caused else _brings(one, live[name], modes, scale)) - _explains(live[name], one, modes)
        others.append(10.0 ** ((one.net + brought) / 10.0))
    return others


def unlisted_points(one: Score, scale: Scale) -> float:
    """Decibans of a cause that is not in the list, held against one mode: it may explain any single effect of it."""
    return scale.unlisted_share * one.heaviest + points_of(scale.unlisted_prior)


def _brings(rival: Score, one: Score, modes: Modes, scale: Scale) -> float:
    """Points that a rival gains from what it would bring about; fewer where nothing of its own was seen.

    A rival whose own signs were looked for and were all absent gains nothing: it would have shown itself. One that no
    check can see yet stands at its prior.
    """
    if rival.all_absent or modes[rival.mode].not_yet_seen:
        return 0.0
    points = _explains(rival, one, modes)
    return points if rival.own_present else max(0.0, points - points_of(scale.unshown_rival_ratio))


def _explains(one: Score, other: Score, modes: Modes) -> float:
    """Points of another mode's own evidence that a mode would bring about as well, though they are no sign of it."""
    brought = set(modes[one.mode].explains) - set(one.own_present)
    return sum(points for check, points in other.own_present.items() if check in brought)


def _separate(a: Score, b: Score, modes: Modes, scale: Scale) -> bool:
    """Whether each of two modes is proven by findings that the other does not explain."""
    least = points_of(scale.second_fault_ratio_min) - 1e-9
    return own_points(a, b.mode, modes) >= least and own_points(b, a.mode, modes) >= least


def own_points(one: Score, other: str, modes: Modes) -> float:
    """Decibans of a mode's own evidence that another mode does not explain."""
    explained = modes.explained(other)
    return sum(points for check, points in one.own_present.items() if check not in explained)
