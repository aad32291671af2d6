"""How much of a word's decibans one finding carries: by how far its estimate lies beyond the limit, and how surely.

A likelihood ratio that is 20 for a typical effect is not 20 for a value a hair beyond its limit. The part grows with
the distance beyond the limit, saturates for gross effects, and is damped by the chance that the true value lies on the
other side: it passes 0 (ratio 1) where either side is as likely. An absence carries the more the smaller the effect
that would have been seen, and nothing where an effect worth the name could have been missed. Normal tails: GUM, JCGM
100:2008, with the half width of an interval taken as 1.96 standard uncertainties (the 95 % normal quantile).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from forensics.hypotheses.scale import Curve
from forensics.model.vocabulary import Outcome

Z_95 = 1.96
PERCENT = 100.0
_BEYOND_95 = 0.475  # normal probability between 0 and 1.96 standard deviations


@dataclass(frozen=True, slots=True)
class Amount:
    """The numbers of a finding: value with its interval, limit, side (True: present above it), smallest effect seen."""

    value: float
    low: float | None
    high: float | None
    limit: float
    above: bool
    unit: str = ""
    detectable: float | None = None


def scale_of(amount: Amount, curve: Curve, by_unit: float | None) -> float | None:
    """Distance beyond the limit that makes a typical effect, in the unit of the finding; None where there is none.

    Twice the limit where the effect grows from zero, either way, half of it where it falls; where the neutral value is
    1 (a ratio) or the range ends at 100 %, the distance of the limit from there if that is shorter.
    """
    if curve.scale is not None or by_unit is not None:
        return curve.scale or by_unit
    grows = amount.above or amount.limit < 0.0
    found = abs(amount.limit) if grows else abs(amount.limit) / 2.0
    end = {"1": 1.0, "%": PERCENT}.get(amount.unit)
    if end is not None and amount.limit != end:
        found = min(found, abs(amount.limit - end))
    return found or None


def part_of(outcome: Outcome, amount: Amount, curve: Curve, by_unit: float | None = None) -> float:
    """Part of the word's decibans that a finding carries.

    Parameters
    ----------
    outcome
        *present* or *absent*; *cannot-tell* carries 0.
    by_unit
        Scale of the finding's unit where its zero means nothing.

    Returns
    -------
    float
        0 to ``curve.cap`` for *present*, 0 to 1 for *absent*, 1 where the limit has no scale; of this the share that
        the study found the word worth.
    """
    return share_of(outcome, curve) * _by_amount(outcome, amount, curve, by_unit)


def share_of(outcome: Outcome, curve: Curve) -> float:
    """Share of a word's decibans that the study found it worth; 0 where nothing could be told."""
    return {Outcome.PRESENT: curve.present_share, Outcome.ABSENT: curve.absent_share}.get(outcome, 0.0)


def _by_amount(outcome: Outcome, amount: Amount, curve: Curve, by_unit: float | None) -> float:
    scale = scale_of(amount, curve, by_unit)
    if scale is None or outcome is Outcome.CANNOT_TELL:
        return 1.0
    if outcome is Outcome.PRESENT:
        return _sure(amount, curve, scale, beyond=True) * _grown(_beyond(amount, amount.value) / scale, curve)
    return _sure(amount, curve, scale, beyond=False) * _missed(_beyond(amount, _seen(amount)) / scale, curve)


def chance_beyond(amount: Amount, curve: Curve, by_unit: float | None = None) -> float:
    """Chance that the true value lies beyond the limit, with the doubt of the limit itself; 0 without a scale."""
    scale = scale_of(amount, curve, by_unit)
    return 0.0 if scale is None else 0.5 + _tail(amount, curve, scale, beyond=True)


def _beyond(amount: Amount, value: float) -> float:
    return value - amount.limit if amount.above else amount.limit - value


def _grown(distance: float, curve: Curve) -> float:
    """Rises from ``at_limit`` at the limit to 1 at one scale beyond it, and saturates at ``cap``."""
    rate = math.log((curve.cap - curve.at_limit) / (curve.cap - 1.0))
    return curve.cap - (curve.cap - curve.at_limit) * math.exp(-rate * max(0.0, distance))


def _seen(amount: Amount) -> float:
    """Smallest effect that is ruled out: one that would have been seen, or the end of the interval if nearer."""
    end = amount.high if amount.above else amount.low
    ends = [one for one in (end, amount.detectable) if one is not None] or [amount.value]
    return min(ends) if amount.above else max(ends)


def _missed(distance: float, curve: Curve) -> float:
    """1 where half the limit's scale would have been seen, ``at_limit`` at the limit, 0 at a typical effect."""
    if distance >= 0.0:
        return curve.at_limit * max(0.0, 1.0 - distance)
    return curve.at_limit + (1.0 - curve.at_limit) * min(1.0, -2.0 * distance)


def _sure(amount: Amount, curve: Curve, scale: float, *, beyond: bool) -> float:
    """How surely the value lies on its side: 0 where either is as likely, 1 where the interval at 95 % excludes it."""
    return min(1.0, max(0.0, _tail(amount, curve, scale, beyond=beyond) / _BEYOND_95))


def _tail(amount: Amount, curve: Curve, scale: float, *, beyond: bool) -> float:
    far = _beyond(amount, amount.value) if beyond else -_beyond(amount, amount.value)
    end = amount.low if amount.above is beyond else amount.high
    half = 0.0 if end is None else abs(amount.value - end)
    sigma = math.hypot(half / Z_95, curve.limit_doubt * scale)
    return 0.5 * math.erf(far / sigma / math.sqrt(2.0))
