"""Waveform records: each look present, absent and cannot-tell on made shapes, and on records with known truth."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from forensics.case.schema import Machine
from forensics.electrics.current_record import interruptions, locked_rotor, phase_loss
from forensics.electrics.residual_voltage import LINE_SIDE, residual_direction
from forensics.electrics.supply_record import dip, unbalance
from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.record import Waveform
from forensics.model.vocabulary import Outcome, Role, Starter
from forensics.rules import read_limits
from forensics.signatures.core.catalogue import detectors_of
from forensics.signatures.waveform.records import in_window, supply_sequence

from . import made_waveforms as shapes
from .running_machine import made

DETECTORS = detectors_of("waveform")

LIMITS = read_limits()
PRESENT, ABSENT, CANNOT_TELL = Outcome.PRESENT, Outcome.ABSENT, Outcome.CANNOT_TELL


class TestResidual:
    def test_reversal_is_measured(self) -> None:
        found = residual_direction(shapes.coast_down(), LIMITS)
        assert found.outcome is PRESENT
        assert found.from_s == pytest.approx(2.7, abs=0.3)
        assert found.peak_hertz == pytest.approx(18.0, rel=0.03)
        assert found.seconds is not None
        assert found.seconds > 4.0

    def test_two_line_voltages_and_no_currents_are_enough(self) -> None:
        assert residual_direction(shapes.coast_down(cut="two"), LIMITS).outcome is PRESENT
        assert residual_direction(shapes.coast_down(cut="no amps"), LIMITS).outcome is PRESENT

    def test_a_rotor_that_keeps_its_speed_is_absent(self) -> None:
        found = residual_direction(shapes.coast_down(zero_s=40.0, reverse_hertz=0.0), LIMITS)
        assert found.outcome is ABSENT
        assert found.forward_s is not None
        assert found.forward_s > 3.0

    def test_a_rotor_that_slowed_and_was_lost_is_cannot_tell(self) -> None:
        found = residual_direction(shapes.coast_down(zero_s=4.0, reverse_hertz=0.0, remanence=0.0), LIMITS)
        assert found.outcome is CANNOT_TELL
        assert "slowed" in found.why_not

    def test_a_reversal_below_the_noise_is_never_absent(self) -> None:
        found = residual_direction(shapes.coast_down(remanence=1e-5, tau_s=0.25), LIMITS)
        assert found.outcome is CANNOT_TELL

    def test_line_side_is_cannot_tell_said_or_shown(self) -> None:
        assert residual_direction(shapes.coast_down(side="line"), LIMITS).why_not == LINE_SIDE
        shown = residual_direction(shapes.coast_down(cut="line"), LIMITS)
        assert shown.outcome is CANNOT_TELL
        assert LINE_SIDE in shown.why_not

    def test_slow_or_empty_records_are_cannot_tell(self) -> None:
        t = shapes.seconds(4.0, per_s=200.0)
        slow = shapes.record(t, shapes.three(2 * np.pi * 60 * t, 460.0))
        assert residual_direction(slow, LIMITS).outcome is CANNOT_TELL
        none = shapes.record(np.zeros(0), [np.zeros(0)] * 3)
        assert residual_direction(none, LIMITS).outcome is CANNOT_TELL

    def test_supply_frequency_in_reverse_is_not_a_rotor(self) -> None:
        """A neighbour's cable induces the supply's frequency; it may come with any sequence."""
        base = shapes.coast_down(zero_s=2.0, reverse_hertz=0.0, remanence=0.0)
        induced = shapes.three(-2 * np.pi * 60 * base.time_s, np.where(base.time_s > 3.0, 2.0, 0.0))
        analog = {role: base.analog[role] + extra for role, extra in zip(shapes.VOLTS, induced, strict=True)}
        analog |= {role: base.analog[role] for role in shapes.AMPS}
        assert residual_direction(replace(base, analog=analog), LIMITS).outcome is CANNOT_TELL


class TestSupply:
    @pytest.mark.parametrize(("order", "outcome"), [("ABC", ABSENT), ("ACB", PRESENT)])
    def test_sequence_by_labels(self, order: str, outcome: Outcome) -> None:
        assert supply_sequence(shapes.start(order=order), LIMITS).outcome is outcome

    def test_labels_that_contradict_are_cannot_tell(self) -> None:
        good, bad = shapes.start(), shapes.start(order="ACB")
        mixed = replace(good, analog={**good.analog, **{role: bad.analog[role] for role in shapes.AMPS}})
        assert supply_sequence(mixed, LIMITS).outcome is CANNOT_TELL

    def test_swapping_two_channels_flips_the_answer(self) -> None:
        good = shapes.start()
        swapped = dict(good.analog)
        swapped[Role.AMPS_A], swapped[Role.AMPS_B] = swapped[Role.AMPS_B], swapped[Role.AMPS_A]
        only_amps = {role: swapped[role] for role in shapes.AMPS}
        assert supply_sequence(replace(good, analog=only_amps), LIMITS).outcome is PRESENT

    def test_dip(self) -> None:
        assert dip(shapes.running(dip=0.6), LIMITS, 460.0).outcome is PRESENT
        assert dip(shapes.running(), LIMITS, 460.0).outcome is ABSENT
        assert dip(shapes.record(shapes.seconds(1.0)), LIMITS, 460.0).outcome is CANNOT_TELL

    @pytest.mark.parametrize("side", ["", "motor"])
    def test_an_open_contactor_before_the_start_is_no_dip(self, side: str) -> None:
        base = shapes.start()
        closed = base.time_s >= 0.5
        analog = {r: np.where(closed, v, 0.001 * v) if r in shapes.VOLTS else v for r, v in base.analog.items()}
        opened = replace(base, analog=analog, measured_at=side)
        found = dip(opened, LIMITS, 460.0)
        assert found.outcome is ABSENT
        assert opened.time_s[found.first] >= 0.5
        assert dip(replace(opened, measured_at="line"), LIMITS, 460.0).outcome is PRESENT

    def test_a_dip_after_the_connection_is_still_one(self) -> None:
        base = shapes.start()
        depth = np.where(base.time_s < 0.5, 0.0, np.where((base.time_s > 4.0) & (base.time_s < 4.3), 0.6, 1.0))
        analog = {r: v * depth if r in shapes.VOLTS else v for r, v in base.analog.items()}
        found = dip(replace(base, analog=analog, measured_at="motor"), LIMITS, 460.0)
        assert found.outcome is PRESENT
        assert base.time_s[found.first] == pytest.approx(4.0, abs=0.03)

    def test_the_end_of_the_motors_own_voltage_is_no_dip(self) -> None:
        assert dip(shapes.coast_down(), LIMITS, 460.0).outcome is ABSENT

    def test_unbalance(self) -> None:
        base = shapes.running()
        uneven = {**base.analog, Role.VOLTS_CA: base.analog[Role.VOLTS_CA] * 0.93}
        assert unbalance(base, LIMITS).outcome is ABSENT
        assert unbalance(replace(base, analog=uneven), LIMITS).outcome is PRESENT
        assert unbalance(shapes.coast_down(cut="two"), LIMITS).outcome is CANNOT_TELL


class TestCurrents:
    def test_open_line(self) -> None:
        found = phase_loss(shapes.running(amps=(173 + 0j, 0j, -173 + 0j)), LIMITS)
        assert found.outcome is PRESENT
        assert "1.73 times" in found.text

    def test_open_line_ahead_of_a_transformer(self) -> None:
        """Currents 1 : 1 : 2 (handbook; EL-090)."""
        assert phase_loss(shapes.running(amps=(115 + 0j, 115 + 0j, -230 + 0j)), LIMITS).outcome is PRESENT

    def test_a_dead_sensor_is_no_lost_phase(self) -> None:
        third = np.exp(-2j * np.pi / 3)
        found = phase_loss(shapes.running(amps=(100 + 0j, 0j, complex(100 * third**2))), LIMITS)
        assert found.outcome is ABSENT
        assert "sensor" in found.text

    def test_sound_and_missing(self) -> None:
        assert phase_loss(shapes.running(), LIMITS).outcome is ABSENT
        assert phase_loss(shapes.coast_down(cut="no amps"), LIMITS).outcome is CANNOT_TELL

    def test_breaks_are_counted(self) -> None:
        assert interruptions(shapes.start(breaks=3), LIMITS).value == 3.0
        assert interruptions(shapes.start(breaks=3), LIMITS).outcome is PRESENT
        assert interruptions(shapes.start(breaks=1), LIMITS).outcome is ABSENT
        assert interruptions(shapes.start(), LIMITS).value == 0.0

    def test_stall_against_run_up(self) -> None:
        across = Starter.ACROSS_THE_LINE
        assert locked_rotor(shapes.start(stalled=True), LIMITS, 100.0, across).outcome is PRESENT
        assert locked_rotor(shapes.start(), LIMITS, 100.0, across).outcome is ABSENT
        assert locked_rotor(shapes.start(stalled=True), LIMITS, None, across).outcome is CANNOT_TELL
        assert locked_rotor(shapes.start(stalled=True), LIMITS, 100.0, Starter.SOFT_START).outcome is CANNOT_TELL


def subject_with(*waveforms: Waveform) -> Subject:
    base = made()
    start = base.record.window.start_ns + 3700 * 10**9
    placed = tuple(replace(w, start_ns=start) for w in waveforms)
    machine = Machine(refrigerant="R134a", rated_load_amps=100.0, supply_volts=460.0, starter=Starter.ACROSS_THE_LINE)
    return replace(base, record=replace(base.record, waveforms=placed), machine=machine)


def answers(subject: Subject, check: str) -> tuple[Finding, ...]:
    return DETECTORS[check](subject)


@pytest.mark.parametrize("check", sorted(DETECTORS))
def test_without_records_every_check_answers_cannot_tell(check: str) -> None:
    (found,) = answers(made(), check)
    assert found.outcome is CANNOT_TELL
    assert found.unlocked_by


def test_findings_cite_samples_and_carry_their_limit() -> None:
    (found,) = answers(subject_with(shapes.coast_down()), "waveform.residual_reversed")
    assert found.outcome is PRESENT
    assert {c.column for c in found.cites} == {"volts_ab", "volts_bc", "volts_ca"}
    assert all(1 <= c.rows[0] <= c.rows[1] <= 8 * 1920 for c in found.cites)
    assert found.limit == LIMITS["waveform.reversed_min_s"]


def test_a_reversed_label_on_a_machine_that_built_lift_is_cannot_tell() -> None:
    """A compressor that turns backwards builds no lift: then the labels are wrong, not the supply."""
    (found,) = answers(subject_with(shapes.start(order="ACB")), "waveform.supply_sequence_reversed")
    assert found.outcome is CANNOT_TELL
    assert "lift" in found.why_not


def test_records_outside_the_window_are_left_out() -> None:
    subject = subject_with(shapes.start())
    (only,) = subject.record.waveforms
    early = replace(only, start_ns=subject.record.window.start_ns - 10**12)
    record = replace(subject.record, waveforms=(early,))
    assert in_window(replace(subject, record=record)) == ()
    unsure = replace(record, clock_uncertainty_s={"recorder": float("inf")})
    assert in_window(replace(subject, record=unsure)) == (early,)


def read(path: Path, names: dict[str, Role]) -> Waveform:
    import comtrade

    found = comtrade.Comtrade(ignore_warnings=True)
    found.load(str(path), str(path.with_suffix(".dat")))
    ids = [name.strip() for name in found.analog_channel_ids]
    analog = {role: np.asarray(found.analog[ids.index(name)], float) for name, role in names.items()}
    time_s = np.asarray(found.time, float)
    return Waveform(
        source=path.name,
        clock="recorder",
        start_ns=0,
        time_s=time_s,
        analog=analog,
        status={},
        trigger_s=found.trigger_time,
        line_hertz=float(found.frequency),
        measured_at="motor",
    )


CHANNELS = {"VAB": Role.VOLTS_AB, "VBC": Role.VOLTS_BC, "VCA": Role.VOLTS_CA}
CHANNELS |= {"IA": Role.AMPS_A, "IB": Role.AMPS_B, "IC": Role.AMPS_C}


@pytest.mark.parametrize("name", ["rec-01", "rec-04", "rec-06", "rec-07", "rec-09"])
def test_simulated_records_with_known_truth(shared: Path, name: str) -> None:
    truth = json.loads((shared / "incidents/truth/waveforms.json").read_text())[name]
    waveform = read(shared / f"incidents/waveforms/{name}.cfg", CHANNELS)
    sequence = supply_sequence(waveform, LIMITS)
    assert sequence.outcome is (PRESENT if truth.get("phase_sequence") == "ACB" else ABSENT)
    assert phase_loss(waveform, LIMITS).outcome is (PRESENT if "lost_phase" in truth else ABSENT)
    assert dip(waveform, LIMITS, None).outcome is not PRESENT
    assert interruptions(waveform, LIMITS).outcome is ABSENT
    reverse = residual_direction(waveform, LIMITS)
    if truth.get("reverse_from_s"):
        assert reverse.outcome is PRESENT
        assert reverse.peak_hertz == pytest.approx(-truth["peak_reverse_rpm"] / 60.0, rel=0.03)  # two poles
        assert reverse.from_s == pytest.approx(truth["reverse_from_s"], abs=0.5)
    else:
        assert reverse.outcome is not PRESENT
