"""Starts as estimates: first seconds, bounds, inrush, growth, moment of change, trapped oil, place of the sensors."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forensics.case.schema import CurrentSensor
from forensics.machine.duty.line_amps import as_line_amps, place_unsure
from forensics.machine.starts.rests import short_rests
from forensics.model.points import NS
from forensics.model.vocabulary import Answer, Outcome, Recorded, Role, Starter
from forensics.signatures.core.catalogue import detectors_of
from forensics.stats.proportions import share_change
from signatures.machine import EPOCH, RATED, Cycle, Drawn, draw, healthy, machine, subject_of

DETECTORS = detectors_of("starts")
SEQUENCE = detectors_of("sequence")

PRESENT, ABSENT, CANNOT_TELL = Outcome.PRESENT, Outcome.ABSENT, Outcome.CANNOT_TELL


def _ask(subject, check):
    (finding,) = DETECTORS[check](subject)
    return finding


def _amps(record, change):
    point = record.samples[Role.MOTOR_AMPS][0]
    seconds = (point.t - EPOCH) / NS
    return replace(
        record, samples={**record.samples, Role.MOTOR_AMPS: (replace(point, v=change(point.v.copy(), seconds)),)}
    )


def _thinned(record, step):
    def cut(point):
        arrays = {
            k: getattr(point, k)[::step] for k in ("t", "row", *(("v", "q") if hasattr(point, "v") else ("state",)))
        }
        return replace(point, **arrays)

    return replace(
        record,
        samples={r: tuple(map(cut, p)) for r, p in record.samples.items()},
        switches={r: tuple(map(cut, p)) for r, p in record.switches.items()},
    )


@pytest.mark.parametrize("rise", [0.0, 0.12])
def test_a_start_that_began_loaded_is_not_called_unloaded_by_its_mean(rise):
    """Loaded for the first seconds, unloaded after: the mean of a window of 30 s hides it."""
    begin = 900.0 + 1800.0 * 3

    def loaded_at_first(v, s):
        inside = (s >= begin + 4.0) & (s < begin + 18.0)
        late = (s >= begin + 18.0) & (s < begin + 60.0)
        return np.where(inside, 0.72 * RATED, np.where(late, v * (1.0 + rise), v))

    cycles = [Cycle(900.0 + 1800.0 * i, 1500.0 + 1800.0 * i) for i in range(4)]
    subject = subject_of(_amps(draw(Drawn(cycles, 8000.0, slide=False)), loaded_at_first))
    assert [s.unloaded for s in subject.starts[:3]] == [Answer.YES] * 3
    assert subject.starts[3].unloaded is not Answer.YES
    if subject.starts[3].unloaded is Answer.NO:
        assert _ask(subject, "starts.loaded_at_failure").outcome is PRESENT
    else:
        assert "began loaded" in subject.starts[3].why_not


def test_a_ramp_gives_a_bound():
    """Load is fed from the tenth second on: nothing settles, yet the lowest readings bound the start from above."""
    record = draw(healthy(4, slide=False))
    fed = record.switches[Role.UNLOAD_SOLENOID][0]
    seconds = (fed.t - EPOCH) / NS
    state = fed.state.copy()
    for start in (s.time_ns for s in subject_of(record).starts):
        after = (seconds - (start - EPOCH) / NS > 5.0) & (seconds - (start - EPOCH) / NS < 60.0)
        state[after] = 0
    record = replace(record, switches={**record.switches, Role.UNLOAD_SOLENOID: (replace(fed, state=state),)})
    subject = subject_of(record)
    for start in subject.starts:
        assert start.ratio is None
        assert start.ratio_censored == "below"
        assert start.low is None
        assert 0.38 < start.high < 0.50
        assert start.unloaded is Answer.YES


def test_slow_samples_bound_the_inrush_from_below_only():
    subject = subject_of(draw(healthy(4, step_s=10.0)))
    for start in subject.starts:
        assert start.inrush_amps is None
        assert start.inrush_high is None
        if start.inrush_low is not None:
            assert start.inrush_censored == "above"
            assert start.inrush_low <= 3.0 * RATED


@pytest.mark.parametrize("step_s", [1.0, 2.0, 5.0])
def test_a_growing_ratio_is_told_where_its_interval_excludes_none(step_s):
    cycles = [Cycle(900.0 + 1800.0 * i, 1500.0 + 1800.0 * i, slide_at_start=4.0 * i) for i in range(8)]
    grown = _ask(subject_of(draw(Drawn(cycles, 16000.0, step_s=step_s))), "starts.loaded_growing")
    assert grown.outcome is PRESENT
    assert 0 < grown.low <= grown.value <= grown.high
    level = _ask(subject_of(draw(healthy(8, step_s=step_s))), "starts.loaded_growing")
    assert level.outcome is ABSENT
    assert level.detectable == level.limit


def test_three_loaded_starts_at_the_end_of_many_are_a_pattern_since_then():
    cycles = [Cycle(900.0 + 1800.0 * i, 1500.0 + 1800.0 * i) for i in range(24)]
    for cycle in cycles[-3:]:
        cycle.slide_at_start = 60.0
    found = _ask(subject_of(draw(Drawn(cycles, 44500.0))), "starts.loaded_repeatedly")
    assert found.outcome is PRESENT
    assert "3 of 3" in found.statement
    assert "0 of 21" in found.statement
    assert len(found.cites) >= 3


def test_the_moment_of_change_is_that_of_largest_likelihood():
    """By hand: 0 of 5 then 3 of 3 is explained by two shares exactly, by one with 3 ln(3/8) + 5 ln(5/8) = -5.29."""
    found = share_change([False] * 5 + [True] * 3)
    assert (found.at, found.before, found.after) == (5, (0, 5), (3, 3))
    assert found.log_ratio == pytest.approx(-(3 * np.log(3 / 8) + 5 * np.log(5 / 8)))
    assert share_change([True]) is None


class TestTrapped:
    def drawn(self, *, vented_s: float = 0.0, moves: bool = False, step_s: float = 1.0):
        cycles = [Cycle(900.0, 1500.0), Cycle(2700.0, 2900.0, trip=True), Cycle(3600.0, 4200.0)]
        cycles[2].slide_at_start = 0.0 if moves else 50.0
        record = draw(Drawn(cycles, 5000.0, step_s=step_s))
        unload = record.switches[Role.UNLOAD_SOLENOID][0]
        seconds = (unload.t - EPOCH) / NS
        state = np.where((seconds >= 2901.0) & (seconds < 2901.0 + vented_s), 1, unload.state).astype(np.int8)
        switches = {**record.switches, Role.UNLOAD_SOLENOID: (replace(unload, state=state),)}
        record = replace(record, switches=switches)
        if not moves:
            return record
        slide = record.samples[Role.SLIDE_POSITION][0]
        at_rest = ((slide.t - EPOCH) / NS >= 2960.0) & ((slide.t - EPOCH) / NS < 3600.0)
        moved = replace(slide, v=np.where(at_rest, 0.0, slide.v))
        return replace(record, samples={**record.samples, Role.SLIDE_POSITION: (moved,)})

    @pytest.mark.parametrize("step_s", [1.0, 2.0, 5.0])
    def test_a_slide_that_was_not_asked_to_unload_is_trapped(self, step_s):
        assert _ask(subject_of(self.drawn(step_s=step_s)), "starts.after_trapped_stop").outcome is not ABSENT

    def test_a_slide_that_was_asked_and_did_not_answer_is_no_trapped_oil(self):
        found = _ask(subject_of(self.drawn(vented_s=60.0)), "starts.after_trapped_stop")
        assert found.outcome is ABSENT
        assert "did not answer" in found.statement

    def test_a_slide_that_was_unloaded_since_is_not_trapped(self):
        found = _ask(subject_of(self.drawn(vented_s=60.0, moves=True)), "starts.after_trapped_stop")
        assert found.outcome is ABSENT

    def test_a_part_of_the_travel_is_open_and_so_is_a_command_that_is_not_logged(self):
        assert _ask(subject_of(self.drawn(vented_s=25.0)), "starts.after_trapped_stop").outcome is CANNOT_TELL
        record = self.drawn()
        switches = {role: found for role, found in record.switches.items() if role is not Role.UNLOAD_SOLENOID}
        found = _ask(subject_of(replace(record, switches=switches)), "starts.after_trapped_stop")
        assert found.outcome is CANNOT_TELL

    @pytest.mark.parametrize("vented_s", [0.0, 60.0])
    def test_thinning_never_flips(self, vented_s):
        record = self.drawn(vented_s=vented_s)
        seen = {
            _ask(subject_of(_thinned(record, step)), "starts.after_trapped_stop").outcome for step in (1, 2, 5, 10, 30)
        }
        assert not {PRESENT, ABSENT} <= seen


def test_one_count_of_short_rests_for_every_check():
    cycles = [Cycle(900.0 + 700.0 * i, 1300.0 + 700.0 * i) for i in range(6)]
    for step_s in (1.0, 5.0, 10.0):
        subject = subject_of(draw(Drawn(cycles, 5600.0, step_s=step_s)))
        rests = short_rests(subject, 300.0)
        # the rests last 300 s: no end of them is known well enough to call one short
        assert not rests.short
        assert len(rests.unsure) == len(rests.all) == 5
    brief = subject_of(draw(Drawn([Cycle(900.0 + 600.0 * i, 1300.0 + 600.0 * i) for i in range(6)], 5000.0)))
    told = [_ask(brief, "starts.short_off_times").statement, SEQUENCE["sequence.restart_too_soon"](brief)[0].statement]
    assert all("5 of 5" in text for text in told)


def test_a_start_judged_by_the_slide_cites_the_slide():
    subject = subject_of(draw(healthy(4)))
    assert {s.judged_by for s in subject.starts} == {"slide position"}
    assert all(s.cites[0].column == "slide_position" for s in subject.starts)


class TestPlaceOfTheSensors:
    """A winding in delta carries the line current over root 3 (textbook)."""

    def in_delta(self):
        return _amps(draw(healthy(4, slide=False)), lambda v, s: v / 3.0**0.5)

    def test_given_in_the_delta_the_amps_are_line_amps(self):
        plate = machine(starter=Starter.STAR_DELTA, current_sensor=CurrentSensor(place="in-delta"))
        record = as_line_amps(self.in_delta(), plate)
        assert [s.ratio for s in subject_of(record, plate).starts] == pytest.approx([0.40] * 4, abs=0.01)

    def test_not_given_and_never_high_it_asks_where_it_matters(self):
        loaded = _amps(self.in_delta(), lambda v, s: np.where(v > 0.05 * RATED, np.maximum(v, 0.33 * RATED), v))
        loaded = _amps(loaded, lambda v, s: np.minimum(v, 0.60 * RATED))
        plate = machine(starter=Starter.STAR_DELTA, no_load_amps=None)
        subject = subject_of(loaded, plate)
        assert "current_sensor.place" in place_unsure(subject)
        assert all(s.unloaded is not Answer.YES for s in subject.starts)
        in_line = plate.model_copy(update={"current_sensor": CurrentSensor(place="line")})
        assert place_unsure(subject_of(loaded, in_line)) == ""

    def test_running_above_what_a_winding_can_carry_rules_it_out(self):
        cycles = [Cycle(900.0 + 1800.0 * i, 1500.0 + 1800.0 * i, slide_at_start=80.0) for i in range(3)]
        subject = subject_of(draw(Drawn(cycles, 6500.0)), machine(starter=Starter.STAR_DELTA))
        assert place_unsure(subject) == ""


def test_a_recorded_maximum_is_an_inrush_at_any_interval():
    record = draw(healthy(2, step_s=10.0))
    point = record.samples[Role.MOTOR_AMPS][0]
    top = replace(point, origin=replace(point.origin, recorded=Recorded.MAXIMUM))
    subject = subject_of(replace(record, samples={**record.samples, Role.MOTOR_AMPS: (top,)}))
    assert all(s.inrush_amps is not None for s in subject.starts)


def test_a_valve_shut_with_the_motor_does_not_end_the_unloaded_start():
    record = draw(healthy(4, slide=False))
    bypass = record.switches[Role.BYPASS_SOLENOID][0]
    command = record.switches[Role.RUN_COMMAND][0]
    at_once = replace(bypass, state=np.maximum(bypass.state, command.state))
    record = replace(record, switches={**record.switches, Role.BYPASS_SOLENOID: (at_once,)})
    for start in subject_of(record).starts:
        assert start.settled_ended_by == "unload_solenoid"
        assert start.unloaded is Answer.YES


def test_absent_says_the_smallest_effect_that_would_have_been_seen():
    subject = subject_of(draw(healthy(6)))
    for check in ("loaded_repeatedly", "loaded_growing", "short_off_times", "locked_rotor", "loaded_at_failure"):
        found = _ask(subject, f"starts.{check}")
        assert found.outcome is ABSENT, check
        assert found.detectable is not None, check


def test_starts_that_were_measured_and_not_judged_are_no_absence():
    """Sensors inside the delta, unsaid: unloaded starts stay so at root 3 times their reading, the others are open."""
    cycles = [Cycle(900.0 + 1800.0 * i, 1500.0 + 1800.0 * i, slide_at_start=0.0 if i < 6 else 60.0) for i in range(9)]
    record = _amps(draw(Drawn(cycles, 17500.0, slide=False)), lambda v, s: v / 3.0**0.5)
    plate = machine(starter=Starter.STAR_DELTA, no_load_amps=None)
    unsaid = subject_of(record, plate)
    assert {s.unloaded for s in unsaid.starts[:6]} <= {Answer.YES, Answer.CANNOT_TELL}
    assert Answer.YES not in {s.unloaded for s in unsaid.starts[6:]}
    assert _ask(unsaid, "starts.loaded_repeatedly").outcome is CANNOT_TELL
    given = plate.model_copy(update={"current_sensor": CurrentSensor(place="in-delta")})
    told = subject_of(as_line_amps(record, given), given)
    assert _ask(told, "starts.loaded_repeatedly").outcome is PRESENT
