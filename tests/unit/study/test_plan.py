"""The plan covers what it says, evenly and repeatably."""

from __future__ import annotations

from collections import Counter

import pytest

from forensics.errors import InputError
from forensics.study.machines import BUILDS, FAULTS, ONSETS, SEVERITIES, disjoint, possible
from forensics.study.plan import BANDS, VIEWS, band_of, plan

LONG = plan(2600, 3)


def test_the_same_seed_gives_the_same_machines_and_another_seed_others() -> None:
    assert plan(90, 4) == plan(90, 4)
    assert [m.build for m in plan(90, 4)] != [m.build for m in plan(90, 5)]


def test_a_longer_plan_begins_with_the_shorter_one() -> None:
    assert plan(2600, 3)[:20] == plan(60, 3)
    assert len(plan(60, 3)) == 60 / VIEWS
    assert len(plan(61, 3)) == 21


def test_every_mode_is_met_on_every_build_that_can_have_it() -> None:
    met = {(m.faults[0][0], m.build) for m in LONG if len(m.faults) == 1}
    assert met == {(mode, name) for mode in FAULTS for name, build in BUILDS.items() if possible(build, mode)}


def test_every_mode_is_met_at_every_severity_and_onset() -> None:
    met = Counter(m.faults[0] for m in LONG if len(m.faults) == 1)
    assert set(met) == {(mode, severity, onset) for mode in FAULTS for severity in SEVERITIES for onset in ONSETS}


def test_no_machine_has_a_fault_that_its_build_cannot_have() -> None:
    assert all(possible(BUILDS[m.build], fault[0]) for m in LONG for fault in m.faults)


def test_two_faults_leave_each_other_alone_and_share_their_weeks() -> None:
    double = [m for m in LONG if len(m.faults) == 2]
    assert 60 <= len(double) <= 100
    for machine in double:
        (first, _, one), (second, _, other) = machine.faults
        assert disjoint(BUILDS[machine.build], first, second)
        assert (one == "weeks") == (other == "weeks")


def test_what_moves_the_same_part_is_not_disjoint() -> None:
    build = BUILDS["pulsed-bypass"]
    assert not disjoint(build, "load-solenoid-leaking", "unload-solenoid-leaking")
    assert not disjoint(build, "liquid-floodback", "motor-overload")
    assert disjoint(build, "high-head", "load-solenoid-failed")


def test_healthy_machines_of_every_build_stand_in_both_halves_with_and_without_disturbance() -> None:
    healthy = [m for m in LONG if not m.faults]
    assert len(healthy) >= 0.19 * len(LONG)
    for half in "AB":
        assert {m.build for m in healthy if m.half == half} == set(BUILDS)
    assert {len(m.disturbances) for m in healthy} == {0, 1, 2}


def test_halves_are_even_for_every_mode() -> None:
    halves = Counter((m.faults[0][0], m.half) for m in LONG if len(m.faults) == 1)
    for mode in FAULTS:
        assert abs(halves[mode, "A"] - halves[mode, "B"]) <= 2, mode


def test_views_of_a_machine_lie_in_different_bands_and_all_bands_are_met() -> None:
    for machine in LONG:
        assert len({band_of(view.sampling_s) for view in machine.views}) == VIEWS
    met = Counter(view.sampling_s for m in LONG for view in m.views)
    assert set(met) == {s for values in BANDS.values() for s in values}
    assert {view.recorded for m in LONG for view in m.views} == {"instant", "average", "change"}


@pytest.mark.parametrize(("sampling_s", "band"), [(0.5, 0), (2.0, 0), (2.1, 1), (10.0, 1), (60.0, 2), (61.0, 3)])
def test_bands_hold_their_upper_end(sampling_s: float, band: int) -> None:
    assert band_of(sampling_s) == list(BANDS)[band]


@pytest.mark.parametrize("cases", [0, -3, 100_001])
def test_a_number_of_cases_out_of_range_is_told(cases: int) -> None:
    with pytest.raises(InputError, match="--cases"):
        plan(cases, 1)
