"""What the water says: cooling lost, flow lost on either side; and non-condensable gas at rest."""

from __future__ import annotations

import numpy as np

from forensics.machine.duty.baseline import AlignedSamples, cite, duty_of, max_age_s, rests_of
from forensics.machine.subject import Saturation, Subject
from forensics.model.findings import Finding
from forensics.model.points import Span
from forensics.model.vocabulary import Outcome, Role
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, downgrade, make_finding
from forensics.signatures.core.like_duty import against_own, expect
from forensics.signatures.core.limits_and_baseline import ThresholdTest, running, saturated

_EVAPORATOR = (Role.CHILLED_WATER_ENTERING, Role.CHILLED_WATER_LEAVING, "chilled-water cooling")
_CONDENSER = (Role.CONDENSER_WATER_LEAVING, Role.CONDENSER_WATER_ENTERING, "condenser-water warming")
_QUARTER_HOUR_NS = 900 * 1_000_000_000


@detector("refrigerant.capacity_lost", running)
def capacity_lost(subject: Subject, check: str, frame: AlignedSamples) -> Finding:
    """Decide whether the chilled water was cooled much less than the machine's own usual at like duty."""
    return _water(subject, check, frame, _EVAPORATOR, above=False)


@detector("refrigerant.water_flow_lost_evaporator", running)
def water_flow_lost_evaporator(subject: Subject, check: str, frame: AlignedSamples) -> Finding:
    """Decide whether the chilled water was cooled much more than usual at like duty, as with less flow."""
    return _water(subject, check, frame, _EVAPORATOR, above=True)


@detector("refrigerant.water_flow_lost_condenser", running)
def water_flow_lost_condenser(subject: Subject, check: str, frame: AlignedSamples) -> Finding:
    """Decide whether the condenser water warmed much more than usual at like duty, as with less flow."""
    return _water(subject, check, frame, _CONDENSER, above=True)


def _water(
    subject: Subject, check: str, frame: AlignedSamples, side: tuple[Role, Role, str], *, above: bool
) -> Finding:
    more, less, words = side
    change_k = frame.values[more] - frame.values[less]
    least_k = subject.limits["refrigerant.water_change_least"]
    usable = frame.settled & (change_k > (least_k if above else -np.inf))
    look = ThresholdTest(
        check,
        change_k,
        "1",
        words,
        "refrigerant.flow_lost" if above else check,
        above=above,
        lasting="refrigerant.flow_lasting" if above else "refrigerant.capacity_lasting",
        groups=((more,), (less,)),
        ratio=True,
    )
    # the heat that water takes goes with capacity: its slope is about known
    slope = subject.limits["refrigerant.water_slope"]
    judged = []
    # lift takes out of the current what the high side adds, and brings in what a pressure sensor errs: both must agree
    for at_lift in (True, False):
        duties = duty_of(subject, frame, lift=False, at_lift=at_lift)
        expected = expect(subject, frame, look, duties, learn=change_k > least_k, slope=slope)
        # a change that is expected to lie within two sensors' errors says nothing
        large = expected.expected > least_k
        told = usable & (large[expected.blocks.of] if len(large) else False)
        judged.append(against_own(subject, frame, look, expected, told))
        if judged[0].outcome is not Outcome.PRESENT:
            break
    if judged[0].outcome is Outcome.PRESENT and judged[-1].outcome is not Outcome.PRESENT:
        return downgrade(judged[0], f"{words}: it is so at equal lift, but not at equal current")
    return judged[0]


@detector("refrigerant.non_condensables_at_rest", saturated)
def non_condensables_at_rest(subject: Subject, check: str, curve: Saturation) -> Finding:
    """Decide whether the standing condenser pressure lay above saturation at its liquid's temperature.

    Looks at the last quarter hour of each rest of an hour or more in the window, before the failure.
    """
    pressure = subject.record.samples[Role.CONDENSER_PRESSURE][0].trusted
    liquid = subject.record.samples[Role.LIQUID_TEMPERATURE][0].trusted
    excess: list[float] = []
    ends: list[Span] = []
    for rest in rests_of(subject, subject.limits["refrigerant.rest_least"]):
        late = Span(max(rest.start_ns, rest.end_ns - _QUARTER_HOUR_NS), rest.end_ns)
        part = pressure.between(late.start_ns, late.end_ns)
        if not len(part):
            continue
        gap_k = curve.bubble_c(part.v) - liquid.at(part.t, max_age_s(liquid))
        if np.isfinite(gap_k).any():
            excess.append(float(np.nanmedian(gap_k)))
            ends.append(late)
    if not excess:
        return cannot_tell(check, "no rest of an hour or more with condenser pressure and liquid temperature")
    limit = subject.limits["refrigerant.non_condensables"]
    value = float(np.median(excess))
    outcome = Outcome.PRESENT if value > limit else Outcome.ABSENT
    return make_finding(
        subject,
        check,
        outcome,
        f"Standing condenser pressure lay {value:+.2g} K above saturation at the liquid's temperature "
        f"(limit {limit:g} K), {len(excess)} rests.",
        Value(value, min(excess), max(excess), "K", "refrigerant.non_condensables", above=True),
        Seen(
            (ends[0].start_ns, ends[-1].end_ns),
            cite(pressure, ends[-1].start_ns, ends[-1].end_ns) + cite(liquid, ends[-1].start_ns, ends[-1].end_ns),
            max(pressure.interval_s, liquid.interval_s),
            len(excess),
        ),
    )
