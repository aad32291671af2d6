"""What is expected at like duty, on invented machines whose deviations are known."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from forensics.machine.duty.baseline import derived_of, duty_of, frame_of
from forensics.machine.duty.expected import Expected, Terms, expected_of
from forensics.machine.duty.frame import AlignedSamples, Mask
from forensics.machine.subject import Subject
from forensics.model.points import NS
from forensics.model.vocabulary import Role
from tests.unit.signatures import running_machine as rm
from tests.unit.signatures.running_machine import Change, Floats, late, made, runs, since_start

TD = Role.DISCHARGE_TEMPERATURE


def expected_td(subject: Subject, interval_s: float = 10.0) -> tuple[Expected, AlignedSamples]:
    frame = frame_of(subject)
    reading = frame.values[TD]
    found = expected_of(subject, frame, reading, duty_of(subject, frame, lift=True), Terms(8.0, interval_s))
    return found, frame


def last_blocks(found: Expected, count: int = 10) -> Mask:
    chosen = np.zeros(len(found.blocks.t), dtype=bool)
    chosen[np.flatnonzero(found.blocks.all_of(found.blocks.frame.settled))[-count:]] = True
    return chosen


def test_a_rise_is_estimated_with_its_size_and_the_moment_it_began() -> None:
    found, frame = expected_td(made({TD: lambda t, v: v + 12.0 * late(t)}))
    estimate = found.over(last_blocks(found))
    assert estimate is not None
    assert estimate.low < 12.0 < estimate.high
    assert estimate.low > 8.0
    left = found.left_ns(found.blocks.all_of(frame.settled), above=True)
    began = rm.BEGIN_NS + round((rm.LAST_S - 1200.0) * NS)
    assert left is not None
    assert abs(left - began) / NS < 120.0


def test_a_healthy_machine_lies_inside_its_interval() -> None:
    found, _ = expected_td(made())
    estimate = found.over(last_blocks(found))
    assert estimate is not None
    assert estimate.low < 0.0 < estimate.high
    assert estimate.half_width < 4.0


def lifted(share: float, last_s: float) -> dict[Role, Change]:
    """A condensing pressure that is higher at the end, with the gas hotter as it must be."""
    up: Change = lambda t, v: np.where(late(t, last_s), v * (1.0 + share), v)  # noqa: E731
    return {Role.CONDENSER_PRESSURE: up, Role.DISCHARGE_PRESSURE: up}


def test_a_lift_that_was_never_seen_widens_instead_of_refusing() -> None:
    widths = []
    for share in (0.0, 0.15, 0.3, 0.5):
        found, _ = expected_td(made(lifted(share, 1200.0)))
        estimate = found.over(last_blocks(found))
        assert estimate is not None
        widths.append(estimate.half_width)
    assert widths == sorted(widths)
    assert widths[-1] > 8.0  # half again the pressure, never seen: nothing is said of a rise of 8 K


def test_what_the_pressures_explain_is_no_deviation() -> None:
    # the gas follows lift by 1.2 K/K in all runs, as the machine's own slope: its rise with lift is explained
    def wave(t: Floats) -> Floats:
        return np.asarray(0.12 * np.sin(2.0 * np.pi * t / 7000.0))

    def pressure(t: Floats, v: Floats) -> Floats:
        return np.where(since_start(t) > 0.0, v * (1.0 + wave(t) + 0.12 * late(t)), v)

    def gas(t: Floats, v: Floats) -> Floats:
        # 37 to 41 K of condensing temperature over that range of R134a: 2.9 K for each tenth of pressure
        return np.where(since_start(t) > 0.0, v + 1.2 * 29.0 * (wave(t) + 0.12 * late(t)), v)

    subject = made({Role.CONDENSER_PRESSURE: pressure, Role.DISCHARGE_PRESSURE: pressure, TD: gas})
    frame = frame_of(subject)
    reading = frame.values[TD]
    both = {
        lift: expected_of(subject, frame, reading, duty_of(subject, frame, lift=lift), Terms(8.0, 10.0))
        for lift in (True, False)
    }
    after = both[True].over(last_blocks(both[True]))
    before = both[False].over(last_blocks(both[False]))
    assert after is not None
    assert before is not None
    assert abs(after.value) < 1.0
    assert before.value > 2.0 + after.value


@pytest.fixture
def weeks(monkeypatch: pytest.MonkeyPatch) -> float:
    """A record of three weeks: four runs a day."""
    count = 21 * 8
    monkeypatch.setattr(rm, "RUNS", count)
    monkeypatch.setattr(rm, "LAST_S", count * (rm.RUN_S + rm.REST_S))
    return rm.LAST_S


def test_a_fault_that_grew_for_weeks_is_held_against_the_early_part(weeks: float) -> None:
    grown: Change = lambda t, v: v + 20.0 * np.clip(t / weeks, 0.0, 1.0)  # noqa: E731
    found, _ = expected_td(made({TD: grown}, interval_s=60.0, failure_s=weeks), 60.0)
    estimate = found.over(last_blocks(found))
    assert estimate is not None
    assert estimate.low > 8.0
    assert 12.0 < estimate.value < 20.0


def one_run(changes: dict[Role, Change] | None = None) -> Subject:
    """The last run of the made machine alone, its beginning not in the record."""
    whole = made(changes)
    alone = replace(runs()[-1], begin=None)
    start_ns = alone.first_ns
    cut = {role: tuple(p.between(start_ns, p.t[-1] + 1) for p in found) for role, found in whole.record.samples.items()}
    window = replace(whole.record.window, start_ns=start_ns)
    return replace(whole, runs=(alone,), record=replace(whole.record, samples=cut, window=window))


def test_a_record_of_one_run_is_held_against_its_own_beginning() -> None:
    found, _ = expected_td(one_run({TD: lambda t, v: v + 15.0 * late(t, 900.0)}))
    estimate = found.over(last_blocks(found))
    assert estimate is not None
    assert estimate.low < 15.0 < estimate.high
    assert estimate.low > 8.0
    healthy = expected_td(one_run())[0]
    calm = healthy.over(last_blocks(healthy))
    assert calm is not None
    assert calm.low < 0.0 < calm.high


def test_a_sister_machine_in_the_same_export_teaches_nothing() -> None:
    alone = made({TD: lambda t, v: v + 12.0 * late(t)})
    sister = made({TD: lambda t, v: v + 25.0}, seed=9).record.samples[TD]
    samples = {**alone.record.samples, TD: alone.record.samples[TD] + sister}
    both = replace(alone, record=replace(alone.record, samples=samples))
    estimates = [(e := expected_td(s)[0]).over(last_blocks(e)) for s in (alone, both)]
    assert estimates[0] == estimates[1]


@pytest.mark.parametrize("thin", [2, 5, 10, 30])
def test_fewer_samples_widen_and_never_turn_the_sign(thin: int) -> None:
    change: dict[Role, Any] = {TD: lambda t, v: v + 12.0 * late(t)}
    full = expected_td(made(change))[0]
    thinned = expected_td(made(change, interval_s=10.0 * thin), 10.0 * thin)[0]
    dense, coarse = full.over(last_blocks(full)), thinned.over(last_blocks(thinned, max(1, 600 // (10 * thin))))
    assert dense is not None
    assert coarse is not None
    assert coarse.low > 0.0
    assert coarse.half_width > 0.8 * dense.half_width


def test_no_reading_no_expectation() -> None:
    subject = made(without=[TD])
    frame = frame_of(subject)
    blank = np.full(len(frame.t), np.nan)
    found = expected_of(subject, frame, blank, duty_of(subject, frame, lift=True), Terms(8.0, 10.0))
    assert found.why_not
    assert found.over(last_blocks(found)) is None
    assert derived_of(subject, frame).lift_k.shape == blank.shape
