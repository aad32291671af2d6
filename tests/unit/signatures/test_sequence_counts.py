"""Sequence: breaches counted over starts and stops with their interval, by the cells of the profile."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forensics.model.points import NS
from forensics.model.vocabulary import Outcome, Role, State
from forensics.signatures.core.catalogue import detectors_of
from forensics.stats.proportions import wilson
from signatures.machine import EPOCH, Cycle, Drawn, draw, profile, subject_of

DETECTORS = detectors_of("sequence")

PRESENT, ABSENT, CANNOT_TELL = Outcome.PRESENT, Outcome.ABSENT, Outcome.CANNOT_TELL
CYCLES = 6


def _ask(subject, check):
    (finding,) = DETECTORS[f"sequence.{check}"](subject)
    return finding


def _record(step_s=1.0):
    cycles = [Cycle(900.0 + 1800.0 * i, 1500.0 + 1800.0 * i) for i in range(CYCLES)]
    return draw(Drawn(cycles, 900.0 + 1800.0 * CYCLES, step_s=step_s))


def _switched(record, role, change):
    switch = record.switches[role][0]
    into = (switch.t - EPOCH) / NS - 900.0
    cycle, s = np.floor(into / 1800.0), into % 1800.0
    state = change(switch.state.copy(), cycle, s).astype(np.int8)
    return replace(record, switches={**record.switches, role: (replace(switch, state=state),)})


def _thinned(record, step):
    def cut(point):
        names = ("t", "row", "v", "q") if hasattr(point, "v") else ("t", "row", "state")
        return replace(point, **{name: getattr(point, name)[::step] for name in names})

    return replace(
        record,
        samples={r: tuple(map(cut, p)) for r, p in record.samples.items()},
        switches={r: tuple(map(cut, p)) for r, p in record.switches.items()},
    )


def _no_unload_before_stop(count):
    """Unload left out before the first ``count`` stops (the stop comes 600 s into a cycle)."""
    return lambda state, cycle, s: np.where((cycle < count) & (s > 570) & (s < 601), 0, state)


def _no_unload_at_start(count):
    return lambda state, cycle, s: np.where((cycle < count) & (s < 31), 0, state)


def _held_after_stop(count, seconds=20):
    return lambda state, cycle, s: np.where((cycle < count) & (s >= 580) & (s < 600 + seconds), 1, state)


@pytest.mark.parametrize("count", [1, 4, CYCLES])
@pytest.mark.parametrize(
    ("check", "role", "change"),
    [
        ("no_unload_before_stop", Role.UNLOAD_SOLENOID, _no_unload_before_stop),
        ("start_without_unload", Role.UNLOAD_SOLENOID, _no_unload_at_start),
        ("bypass_energised_after_stop", Role.BYPASS_SOLENOID, _held_after_stop),
    ],
)
def test_breaches_are_counted_with_their_interval(check, role, change, count):
    found = _ask(subject_of(_switched(_record(), role, change(count))), check)
    assert found.outcome is PRESENT
    assert found.value == pytest.approx(count / CYCLES)
    assert (found.low, found.high) == pytest.approx(wilson(count, CYCLES))
    assert f"{count} of {CYCLES}" in found.statement
    kept = _ask(subject_of(_record()), check)
    assert kept.outcome is ABSENT
    assert kept.detectable == pytest.approx(wilson(0, CYCLES)[1])


def test_the_length_of_a_breach_is_told():
    found = _ask(
        subject_of(_switched(_record(), Role.BYPASS_SOLENOID, _held_after_stop(3, 30))), "bypass_energised_after_stop"
    )
    assert "for 29 s" in found.statement or "for 30 s" in found.statement


@pytest.mark.parametrize("step_s", [2.0, 5.0, 10.0])
def test_unload_left_out_at_every_stop_shows_at_coarse_samples(step_s):
    record = _switched(_record(step_s), Role.UNLOAD_SOLENOID, _no_unload_before_stop(CYCLES))
    assert _ask(subject_of(record), "no_unload_before_stop").outcome is PRESENT


@pytest.mark.parametrize(
    ("check", "role", "change"),
    [
        ("no_unload_before_stop", Role.UNLOAD_SOLENOID, _no_unload_before_stop),
        ("start_without_unload", Role.UNLOAD_SOLENOID, _no_unload_at_start),
        ("bypass_energised_after_stop", Role.BYPASS_SOLENOID, _held_after_stop),
    ],
)
@pytest.mark.parametrize("count", [0, CYCLES])
def test_thinning_never_flips(check, role, change, count):
    record = _switched(_record(), role, change(count))
    full = _ask(subject_of(record), check).outcome
    for step in (2, 5, 10, 30):
        assert _ask(subject_of(_thinned(record, step)), check).outcome in (full, CANNOT_TELL), step


def test_one_judged_of_many_is_no_absence():
    """The command is recorded around one stop of six only."""
    record = _record()
    unload = record.switches[Role.UNLOAD_SOLENOID][0]
    keep = (unload.t - EPOCH) / NS < 1700.0
    short = replace(unload, t=unload.t[keep], state=unload.state[keep], row=unload.row[keep])
    record = replace(record, switches={**record.switches, Role.UNLOAD_SOLENOID: (short,)})
    found = _ask(subject_of(record), "no_unload_before_stop")
    assert found.outcome is CANNOT_TELL
    assert f"1 of {CYCLES}" in found.why_not


class TestProfile:
    def with_cell(self, state, role, text, **polarity):
        base = profile()
        states = {s: dict(cells) for s, cells in base.states.items()}
        states[state][role.value] = text
        made = base.model_copy(update={"states": states, "polarity": base.polarity.model_copy(update=polarity)})
        return replace(
            subject_of(_switched(_record(), Role.UNLOAD_SOLENOID, _no_unload_at_start(CYCLES))), profile=made
        )

    def test_what_the_profile_does_not_expect_is_no_breach(self):
        assert _ask(self.with_cell(State.START, Role.UNLOAD_SOLENOID, "on"), "start_without_unload").outcome is PRESENT
        for text in ("either", "off"):
            found = _ask(self.with_cell(State.START, Role.UNLOAD_SOLENOID, text), "start_without_unload")
            assert found.outcome is CANNOT_TELL
            assert "does not apply" in found.why_not

    def test_load_before_ready_follows_the_profile(self):
        """Where the valve is shut with the motor, ready is the end of unloading; with no such valve, too."""
        early = _switched(
            _record(), Role.LOAD_SOLENOID, lambda state, cycle, s: np.where((s >= 10) & (s < 13), 1, state)
        )
        subject = subject_of(early)
        assert _ask(subject, "load_before_ready").outcome is PRESENT
        base = profile()
        bare = base.model_copy(update={"polarity": base.polarity.model_copy(update={"has_bypass": False})})
        assert _ask(replace(subject, profile=bare), "load_before_ready").outcome is PRESENT
        assert _ask(replace(subject_of(_record()), profile=bare), "load_before_ready").outcome is not PRESENT
        for check in ("bypass_energised_after_stop", "bypass_not_energised_running"):
            assert "does not apply" in _ask(replace(subject, profile=bare), check).why_not
        states = {s: dict(cells) for s, cells in base.states.items()}
        states[State.START][Role.LOAD_SOLENOID.value] = "either"
        free = base.model_copy(update={"states": states})
        assert _ask(replace(subject, profile=free), "load_before_ready").outcome is CANNOT_TELL
