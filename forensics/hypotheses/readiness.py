"""Which modes a site could see, from the roles, intervals and record types of its points alone, before any event.

A check can answer where each of its needs has a point that is fast enough and recorded as it must be. A mode is seen
as it is with a record: ``yes`` where some check of each thing it can't do without can answer, and all of one; data may
still leave a check without an answer.
"""

from __future__ import annotations

from collections.abc import Mapping

from forensics.hypotheses.evidence import Observability
from forensics.hypotheses.modes import FailureMode, read_modes
from forensics.model.vocabulary import Role
from forensics.rules import Check, Need, read_checks

Points = Mapping[Role, tuple[float, str]]


def readiness(points: Points) -> tuple[Observability, ...]:
    """What each mode's checks could answer with these points.

    Parameters
    ----------
    points
        Interval in s and record type by role.
    """
    checks = read_checks()
    return tuple(_row(rule, checks, points) for rule in read_modes(checks).causes)


def _row(rule: FailureMode, checks: Mapping[str, Check], points: Points) -> Observability:
    if not rule.required:
        return Observability(rule.id, "partly", "nothing that it can't do without is named", "")
    seen = [[_can(checks[name], points) for name in need.any_] for need in rule.required]
    blind = [checks[name] for need in rule.required for name in need.any_ if not _can(checks[name], points)]
    if all(any(need) for need in seen) and any(all(need) for need in seen):
        return Observability(rule.id, "yes", "all that it can't do without could be seen", "")
    answer = "partly" if any(any(need) for need in seen) else "no"
    # the cheapest change: the check that lacks the least
    nearest = min(blind, key=lambda check: len(_unmet(check, points)))
    wanted = ", ".join(_words(need) for need in _unmet(nearest, points))
    why = f"could not answer: {'; '.join(dict.fromkeys(check.title.lower() for check in blind))}"
    return Observability(rule.id, answer, why, f"log {wanted}")


def _can(check: Check, points: Points) -> bool:
    return not _unmet(check, points)


def _unmet(check: Check, points: Points) -> list[Need]:
    return [need for need in check.needs if not any(_serves(points[r], need) for r in need.roles if r in points)]


def _serves(point: tuple[float, str], need: Need) -> bool:
    interval_s, recorded = point
    fast = need.longest_interval_s is None or interval_s <= need.longest_interval_s
    return fast and (not need.recorded or recorded in {kind.value for kind in need.recorded})


def _words(need: Need) -> str:
    roles = " or ".join(role.value for role in need.roles)
    rate = "" if need.longest_interval_s is None else f" every {need.longest_interval_s:g} s or faster"
    kind = f" as {' or '.join(k.value for k in need.recorded)}" if need.recorded else ""
    return f"{roles}{rate}{kind}"
