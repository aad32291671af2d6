"""Slide, command sequence and switch events on drawn records."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forensics.machine.commanded import acting_seconds
from forensics.machine.solenoid_events import solenoid_events
from forensics.model.points import NS, ON, Origin, Samples
from forensics.model.vocabulary import Outcome, Role
from forensics.rules import read_checks
from forensics.signatures.core.catalogue import detectors_of
from forensics.signatures.sequence.while_running import both_acting
from signatures.machine import EPOCH, Cycle, Drawn, draw, healthy, profile, subject_of

DETECTORS = detectors_of("slide", "sequence")


def _outcome(subject, check):
    (finding,) = DETECTORS[check](subject)
    return finding.outcome


def _with_slide(record, change):
    point = record.samples[Role.SLIDE_POSITION][0]
    return replace(record, samples={**record.samples, Role.SLIDE_POSITION: (replace(point, v=change(point)),)})


@pytest.fixture(scope="module")
def well():
    return subject_of(draw(Drawn([Cycle(900.0 + 4000 * i, 4500.0 + 4000 * i) for i in range(3)], 13000.0)))


def test_a_healthy_slide(well):
    for check in (
        "no_response_to_load",
        "no_response_to_unload",
        "drifts_to_load",
        "drifts_to_unload",
        "polarity_contradicted",
        "loaded_at_stop",
    ):
        assert _outcome(well, f"slide.{check}") is Outcome.ABSENT, check


def test_no_response_to_unload():
    cycles = [Cycle(900.0 + 4000 * i, 4500.0 + 4000 * i, 50.0 * i, unload_dead=True) for i in range(3)]
    subject = subject_of(draw(Drawn(cycles, 13000.0)))
    assert _outcome(subject, "slide.no_response_to_unload") is Outcome.PRESENT
    assert _outcome(subject, "slide.no_response_to_load") is Outcome.ABSENT
    assert _outcome(subject, "slide.loaded_at_stop") is Outcome.PRESENT


def test_a_stuck_slide_responds_to_neither(well):
    subject = subject_of(_with_slide(well.record, lambda p: np.full(len(p), 50.0)))
    assert _outcome(subject, "slide.no_response_to_unload") is Outcome.PRESENT
    assert _outcome(subject, "slide.no_response_to_load") is Outcome.PRESENT
    assert _outcome(subject, "slide.drifts_to_load") is Outcome.ABSENT


def test_without_the_other_command_a_lost_response_is_not_sure(well):
    record = _with_slide(well.record, lambda p: np.full(len(p), 50.0))
    switches = {r: s for r, s in record.switches.items() if r is not Role.UNLOAD_SOLENOID}
    assert _outcome(subject_of(replace(record, switches=switches)), "slide.no_response_to_load") is Outcome.CANNOT_TELL


def test_turned_polarity_is_noticed(well):
    switches = dict(well.record.switches)
    load, unload = switches[Role.LOAD_SOLENOID][0], switches[Role.UNLOAD_SOLENOID][0]
    running = (load.t - EPOCH) / NS
    pulses = unload.state * ((running % 4000) > 1000).astype(np.int8)
    switches[Role.LOAD_SOLENOID] = (replace(load, state=pulses.astype(np.int8)),)
    switches[Role.UNLOAD_SOLENOID] = (replace(unload, state=load.state),)
    assert (
        _outcome(subject_of(replace(well.record, switches=switches)), "slide.polarity_contradicted")
        is not Outcome.ABSENT
    )


@pytest.mark.parametrize(("rate", "check"), [(-3.0, "drifts_to_unload"), (3.0, "drifts_to_load")])
def test_drift_while_holding(rate, check):
    cycles = [Cycle(900.0 + 4000 * i, 2000.0 + 4000 * i) for i in range(8)]
    subject = subject_of(draw(Drawn(cycles, 31000.0, drift_per_min=rate)))
    assert _outcome(subject, f"slide.{check}") is Outcome.PRESENT
    other = "drifts_to_load" if rate < 0 else "drifts_to_unload"
    assert _outcome(subject, f"slide.{other}") is not Outcome.PRESENT


def test_rate_of_a_drift_is_the_one_drawn():
    cycles = [Cycle(900.0 + 4000 * i, 2000.0 + 4000 * i) for i in range(4)]
    subject = subject_of(draw(Drawn(cycles, 15000.0, drift_per_min=2.0)))
    (finding,) = DETECTORS["slide.drifts_to_load"](subject)
    assert finding.value == pytest.approx(2.0, abs=0.4)


def test_coarse_commands_widen_the_intervals_and_accuse_nothing(well):
    drawn = Drawn([Cycle(900.0 + 4000 * i, 4500.0 + 4000 * i) for i in range(3)], 13000.0, step_s=10.0)
    coarse = subject_of(draw(drawn))
    for check in ("no_response_to_load", "no_response_to_unload", "drifts_to_load", "drifts_to_unload"):
        (now,), (fine,) = (DETECTORS[f"slide.{check}"](s) for s in (coarse, well))
        assert now.outcome is not Outcome.PRESENT, check
        assert now.low is None or now.high - now.low > fine.high - fine.low, check


def test_a_value_is_the_rate_with_its_interval_and_its_limit_in_one_unit(well):
    (found,) = DETECTORS["slide.no_response_to_load"](well)
    assert found.unit == "%/min"
    # the drawing moves by 2.5 % a second of load; the profile's travel of 60 s makes 100 % a minute usual
    assert found.low <= 150.0 <= found.high
    assert found.limit == pytest.approx(20.0)
    assert all(c.column == "slide_position" for c in found.cites)


def test_acting_time_is_the_overlap(well):
    from forensics.machine.commands import read_commands

    command = read_commands(well.record, profile())[Role.LOAD_SOLENOID]
    begin = np.arange(EPOCH, EPOCH + 13000 * NS, 37 * NS, dtype=np.int64)
    fast = acting_seconds(command, begin, begin + 37 * NS)
    plain = [command.acting_s(int(b), int(b) + 37 * NS) for b in begin]
    known = np.isfinite(fast)
    assert fast[known] == pytest.approx(np.array(plain)[known], abs=1e-6)


def test_a_healthy_sequence(well):
    for check in (
        "load_and_unload_together",
        "bypass_energised_after_stop",
        "bypass_not_energised_running",
        "no_unload_before_stop",
        "load_before_ready",
        "restart_too_soon",
        "start_without_unload",
    ):
        assert _outcome(well, f"sequence.{check}") is Outcome.ABSENT, check


def _switched(record, role, change):
    switch = record.switches[role][0]
    seconds = (switch.t - EPOCH) / NS
    return replace(
        record, switches={**record.switches, role: (replace(switch, state=change(switch.state.copy(), seconds)),)}
    )


def test_violations_of_the_sequence(well):
    record = well.record

    def held(state, s):
        state[(s >= 4500) & (s < 4530)] = 1
        return state

    def open_(state, s):
        state[(s >= 2000) & (s < 2200)] = 0
        return state

    def no_unload(state, s):
        state[((s % 4000) > 470) & ((s % 4000) < 501)] = 0
        return state

    def no_start_unload(state, s):
        state[((s % 4000) >= 900) & ((s % 4000) < 931)] = 0
        return state

    def early(state, s):
        state[((s % 4000) >= 910) & ((s % 4000) < 913)] = 1
        return state

    def together(state, s):
        state[(s >= 932) & (s < 1000)] = 1
        return state

    cases = [
        (Role.BYPASS_SOLENOID, held, "bypass_energised_after_stop"),
        (Role.BYPASS_SOLENOID, open_, "bypass_not_energised_running"),
        (Role.UNLOAD_SOLENOID, no_unload, "no_unload_before_stop"),
        (Role.UNLOAD_SOLENOID, no_start_unload, "start_without_unload"),
        (Role.LOAD_SOLENOID, early, "load_before_ready"),
        (Role.UNLOAD_SOLENOID, together, "load_and_unload_together"),
    ]
    for role, change, check in cases:
        subject = subject_of(_switched(record, role, change))
        assert _outcome(subject, f"sequence.{check}") is Outcome.PRESENT, check


def test_restart_inside_the_anti_recycle_time():
    subject = subject_of(draw(Drawn([Cycle(900.0, 1500.0), Cycle(1600.0, 2200.0)], 3000.0)))
    assert _outcome(subject, "sequence.restart_too_soon") is Outcome.PRESENT


def test_expansion_valve_after_the_stop(well):
    record = well.record
    point = record.samples[Role.SLIDE_POSITION][0]
    for level, wanted in ((0.0, Outcome.ABSENT), (30.0, Outcome.PRESENT)):
        origin = Origin("trend.csv", "EXV", "controller")
        values = np.full(len(point), level)
        valve = Samples(Role.EXPANSION_VALVE_POSITION, origin, point.t, values, point.q, point.row)
        changed = replace(record, samples={**record.samples, Role.EXPANSION_VALVE_POSITION: (valve,)})
        assert _outcome(subject_of(changed), "sequence.expansion_valve_open_at_stop") is wanted


def test_a_profile_without_the_valve_expects_nothing_of_it(well):
    bare = profile().model_copy(update={"polarity": profile().polarity.model_copy(update={"has_bypass": False})})
    subject = replace(well, profile=bare)
    assert _outcome(subject, "sequence.bypass_energised_after_stop") is Outcome.CANNOT_TELL


def test_spans_that_touch_do_not_overlap():
    a = (np.array([0, 10]), np.array([5, 20]))
    b = (np.array([5, 12]), np.array([10, 30]))
    begin, end = both_acting(a, b)
    assert list(begin) == [12]
    assert list(end) == [20]


def test_events_carry_the_reading_before_and_after(well):
    events = solenoid_events(well)
    assert len(events) == sum(len(s[0].edges) for s in well.record.switches.values())
    amps = well.record.samples[Role.MOTOR_AMPS][0]
    for event in events[:200]:
        before = event.before[Role.MOTOR_AMPS]
        assert before.age_s >= 0
        assert before.value == amps.before(event.earliest_ns).value
        assert event.after[Role.MOTOR_AMPS].value == amps.after(event.latest_ns).value
    assert [e.latest_ns for e in events] == sorted(e.latest_ns for e in events)
    assert any(e.to == ON for e in events)


def test_every_check_answers_and_names_what_is_missing():
    subject = subject_of(replace(draw(healthy(1)), samples={}, switches={}))
    for check, detector in DETECTORS.items():
        (finding,) = detector(subject)
        assert finding.outcome is Outcome.CANNOT_TELL, check
        assert finding.why_not
    assert solenoid_events(subject) == ()
    for family in ("slide", "sequence"):
        assert {c for c in read_checks() if c.startswith(f"{family}.")} == {
            c for c in DETECTORS if c.startswith(family)
        }
