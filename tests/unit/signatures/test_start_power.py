"""Starts of a drawn machine whose power is logged: beside amps, without them, and without what the circuit needs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forensics.case.schema import Machine
from forensics.machine.duty.motor_circuit import motor_load
from forensics.machine.starts.unloaded import BY_OWN, BY_POWER
from forensics.model.points import NS, Origin, Samples
from forensics.model.record import Record
from forensics.model.vocabulary import Answer, Outcome, Role, Starter
from forensics.rules import read_limits
from forensics.signatures.core.catalogue import detectors_of
from signatures.machine import RATED, Cycle, Drawn, draw, healthy, machine, subject_of

DETECTORS = detectors_of("starts")

VOLTS, NO_LOAD = 460.0, 0.33
KVA = 3**0.5 * VOLTS * RATED / 1000.0


def plate(**changes: object) -> Machine:
    return machine(**{"no_load_amps": RATED * NO_LOAD, "supply_volts": VOLTS, **changes})


def with_power(record: Record, *, amps: bool, scale: float = 1.0, clock: str = "controller") -> Record:
    """Power as the motor's typical circuit takes it at the drawn amps; the amps themselves kept or dropped."""
    load, _ = motor_load(plate(), read_limits())
    assert load is not None
    drawn = record.samples[Role.MOTOR_AMPS][0]
    circuit = load.circuits[0]
    grid = np.linspace(0.0, 1.6, 400)
    ratio = np.abs(circuit.line_current(grid)) / abs(circuit.line_current(np.ones(1))[0])
    active = np.array([circuit.active_ratio(f) for f in grid])
    kw = np.where(drawn.v > 0, KVA * np.interp(drawn.v / RATED, ratio, active), 0.0) * scale
    point = Samples(
        role=Role.MOTOR_POWER,
        origin=Origin("meter.csv", "kW", clock),
        t=drawn.t,
        v=kw,
        q=drawn.q,
        row=drawn.row,
        resolution=0.1,
    )
    samples = {role: points for role, points in record.samples.items() if amps or role is not Role.MOTOR_AMPS}
    return replace(record, samples={**samples, Role.MOTOR_POWER: (point,)})


def one_loaded() -> Drawn:
    cycles = [Cycle(900.0 + 1800.0 * i, 1500.0 + 1800.0 * i) for i in range(4)]
    cycles[3].slide_at_start = 60.0
    return Drawn(cycles, 8000.0, slide=False)


def answer(subject: object, check: str) -> Outcome:
    (finding,) = DETECTORS[check](subject)
    return finding.outcome


def test_without_amps_the_ratio_comes_from_power() -> None:
    truth = subject_of(draw(one_loaded()), plate())
    subject = subject_of(with_power(draw(one_loaded()), amps=False), plate())
    assert len(subject.starts) == len(truth.starts)
    for start, true in zip(subject.starts, truth.starts, strict=True):
        assert start.settled_amps is None
        assert start.ratio_from == "motor_power"
        assert start.low <= true.ratio <= start.high
        assert start.high - start.low > true.high - true.low
        assert start.unloaded is true.unloaded
        assert start.cites[0].column == "kW"
    (finding,) = DETECTORS["starts.loaded_at_failure"](subject)
    assert finding.outcome is Outcome.PRESENT
    assert "draws at its power" in finding.statement
    assert "a fifth above the machine's own" in finding.basis
    assert "the shaft load was" in finding.statement


@pytest.mark.parametrize(
    ("changes", "missing"),
    [
        ({"no_load_amps": None}, "no_load_amps"),
        ({"supply_volts": None}, "supply_volts"),
        ({"rated_load_amps": None}, "rated_load_amps"),
        ({"starter": Starter.VARIABLE_SPEED}, "variable-speed"),
    ],
)
def test_power_alone_says_what_it_lacks(changes: dict[str, object], missing: str) -> None:
    subject = subject_of(with_power(draw(one_loaded()), amps=False), plate(**changes))
    assert subject.starts
    for start in subject.starts:
        assert start.ratio is None
        assert start.unloaded is Answer.CANNOT_TELL
        assert missing in start.why_not
    (finding,) = DETECTORS["starts.loaded_at_failure"](subject)
    assert finding.outcome is Outcome.CANNOT_TELL
    assert missing in finding.why_not
    assert finding.unlocked_by == (f"give {missing} of the nameplate" if "_" in missing else "log slide_position")


def test_power_beside_amps_changes_no_clear_start() -> None:
    for scene in (healthy(4, slide=False), one_loaded()):
        alone = subject_of(draw(scene), plate())
        both = subject_of(with_power(draw(scene), amps=True), plate())
        assert [s.unloaded for s in both.starts] == [s.unloaded for s in alone.starts]
        assert [s.ratio for s in both.starts] == [s.ratio for s in alone.starts]
        assert all(s.ratio_from == "" for s in both.starts)


def test_own_starts_from_power_judge_before_its_limit() -> None:
    subject = subject_of(with_power(draw(healthy(4, slide=False)), amps=False), plate())
    assert {s.judged_by for s in subject.starts} == {BY_OWN}
    single = subject_of(with_power(draw(healthy(1, slide=False)), amps=False), plate())
    assert [s.judged_by for s in single.starts] == [BY_POWER]
    assert "there are no settled amps; motor power was" in single.starts[0].judged_why
    (finding,) = DETECTORS["starts.loaded_at_failure"](single)
    assert finding.outcome is Outcome.ABSENT
    assert "equivalent circuit of IEEE 112" in finding.basis


def test_a_dead_power_meter_calls_no_start_unloaded() -> None:
    subject = subject_of(with_power(draw(one_loaded()), amps=False, scale=0.02), plate())
    for start in subject.starts:
        assert start.unloaded is Answer.CANNOT_TELL
        assert "less than a turning screw takes" in start.why_not


def test_amps_read_low_leave_a_start_open() -> None:
    """A sensor with a third of its ratio shows a loaded start at 0.3: no-load amps give it away."""
    record = draw(one_loaded())
    amps = record.samples[Role.MOTOR_AMPS][0]
    low = replace(record, samples={**record.samples, Role.MOTOR_AMPS: (replace(amps, v=amps.v / 3.0),)})
    subject = subject_of(low, plate())
    assert all(s.unloaded is Answer.CANNOT_TELL for s in subject.starts)
    assert answer(subject, "starts.loaded_at_failure") is Outcome.CANNOT_TELL
    # the same third in its power: never sure that it was unloaded
    read = with_power(low, amps=True, scale=1.0)
    assert all(s.unloaded is not Answer.YES for s in subject_of(read, plate()).starts)


def test_power_on_a_clock_of_unknown_error_is_not_used() -> None:
    record = with_power(draw(one_loaded()), amps=True, clock="meter")
    subject = subject_of(replace(record, clock_uncertainty_s={"controller": 0.0, "meter": float("inf")}), plate())
    alone = subject_of(draw(one_loaded()), plate())
    assert [s.unloaded for s in subject.starts] == [s.unloaded for s in alone.starts]


def test_voltage_far_from_rated_is_said() -> None:
    record = draw(healthy(1, slide=False))
    amps = record.samples[Role.MOTOR_AMPS][0]
    volts = replace(amps, role=Role.VOLTS_AB, v=np.full(len(amps.v), 0.78 * VOLTS))
    subject = subject_of(
        replace(record, samples={**record.samples, Role.VOLTS_AB: (volts,)}), machine(supply_volts=VOLTS)
    )
    assert subject.starts[0].unloaded is Answer.CANNOT_TELL
    assert "0.78 of supply_volts" in subject.starts[0].why_not
    assert subject.starts[0].ratio == pytest.approx(0.40, abs=0.01)


def test_times_are_of_the_settled_window() -> None:
    subject = subject_of(with_power(draw(one_loaded()), amps=False), plate())
    assert all((s.settled_from_ns - s.latest_ns) / NS >= 8.0 for s in subject.starts)


@pytest.mark.parametrize("step", [2, 5, 12, 30, 120])
def test_thinner_power_moves_a_start_only_towards_cannot_tell(step: int) -> None:
    record = with_power(draw(one_loaded()), amps=False)
    power = record.samples[Role.MOTOR_POWER][0]
    thin = replace(power, t=power.t[::step], v=power.v[::step], q=power.q[::step], row=power.row[::step])
    full = subject_of(record, plate()).starts
    less = subject_of(replace(record, samples={**record.samples, Role.MOTOR_POWER: (thin,)}), plate()).starts
    for start in less:
        near = min(full, key=lambda other: abs(other.time_ns - start.time_ns))
        assert start.unloaded in (near.unloaded, Answer.CANNOT_TELL)


@pytest.mark.parametrize("factor", [0.25, 3.0])
def test_a_larger_motor_of_the_same_kind_is_judged_alike(factor: float) -> None:
    """Amps, power and nameplate times one factor: nothing but the size of the motor has changed."""
    record = with_power(draw(one_loaded()), amps=True)
    samples = dict(record.samples)
    for role in (Role.MOTOR_AMPS, Role.MOTOR_POWER):
        (point,) = samples[role]
        samples[role] = (replace(point, v=point.v * factor, resolution=point.resolution * factor),)
    sized = plate(
        rated_load_amps=RATED * factor, no_load_amps=RATED * NO_LOAD * factor, locked_rotor_amps=1200.0 * factor
    )
    large = subject_of(replace(record, samples=samples), sized).starts
    for one, other in zip(subject_of(record, plate()).starts, large, strict=True):
        assert (one.unloaded, one.judged_by) == (other.unloaded, other.judged_by)
        assert other.ratio == pytest.approx(one.ratio, rel=1e-6)
        assert other.shaft_load == pytest.approx(one.shaft_load, rel=1e-6)
