"""Motor and supply from a meter's trend: every check present, absent and cannot-tell on made shapes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from forensics.case.schema import Machine
from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.points import NS, Origin
from forensics.model.record import LogLine
from forensics.model.switches import Switch
from forensics.model.vocabulary import Outcome, Recorded, Role
from forensics.rules import read_checks
from forensics.signatures.core.catalogue import detectors_of

from . import made_waveforms
from .running_machine import BEGIN_NS, FAILURE_S, Change, Floats, made, only, since_start

DETECTORS = detectors_of("electrical")

PRESENT, ABSENT, CANNOT_TELL = Outcome.PRESENT, Outcome.ABSENT, Outcome.CANNOT_TELL
STOP_S = 32700.0  # the third run ends here
AMPS = (Role.AMPS_A, Role.AMPS_B, Role.AMPS_C)
VOLTS = (Role.VOLTS_AB, Role.VOLTS_BC, Role.VOLTS_CA)


def running(t: Floats) -> Floats:
    return np.where(since_start(t) >= 0, 1.0, 0.0)


def draw(size: float = 80.0, seed: int = 5) -> Change:
    return lambda t, _: running(t) * size + np.random.default_rng(seed).normal(0, 0.4, len(t))


def stand(size: float = 460.0, seed: int = 6) -> Change:
    return lambda t, _: np.full(len(t), size) + np.random.default_rng(seed).normal(0, 0.5, len(t))


def then(base: Change, begin_s: float, end_s: float, change: Callable[[Floats], Floats]) -> Change:
    """A healthy shape, changed between two times."""

    def whole(t: Floats, old: Floats) -> Floats:
        values = base(t, old)
        inside = (t >= begin_s) & (t < end_s)
        return np.where(inside, change(values), values)

    return whole


def electric(changes: dict[Role, Change] | None = None, *, interval_s: float = 1.0, **more: object) -> Subject:
    """The made machine with a meter of three currents, three voltages and power; it stopped at ``STOP_S``."""
    points: dict[Role, Change] = {role: draw(80.0, k) for k, role in enumerate(AMPS)}
    points |= {role: stand(460.0, 10 + k) for k, role in enumerate(VOLTS)}
    points[Role.MOTOR_POWER] = lambda t, _: running(t) * 55.0 + np.random.default_rng(9).normal(0, 0.1, len(t))
    points[Role.MOTOR_AMPS] = draw(80.0, 4)
    points[Role.RUN_STATUS] = lambda t, _: running(t)
    points |= changes or {}
    made_one = made(points, interval_s=interval_s, failure_s=STOP_S, **more)  # type: ignore[arg-type]
    machine = Machine(refrigerant="R134a", rated_load_amps=100.0, supply_volts=460.0)
    step = round(interval_s * NS)
    runs = tuple(
        replace(
            run,
            begin=replace(run.begin, earliest_ns=run.begin.latest_ns - step),
            end=replace(run.end, earliest_ns=run.end.latest_ns - step),
        )
        for run in made_one.runs
        if run.begin is not None and run.end is not None
    )
    return replace(made_one, machine=machine, runs=runs)


def ask(subject: Subject, name: str) -> Finding:
    return only(DETECTORS[f"electrical.{name}"](subject))


def test_every_check_of_the_family_has_its_detector() -> None:
    assert set(DETECTORS) == {c for c in read_checks() if c.startswith("electrical.")}


def test_a_healthy_machine_with_a_fast_meter() -> None:
    subject = electric()
    found = {name: only(detector(subject)) for name, detector in DETECTORS.items()}
    assert not [f for f in found.values() if f.outcome is PRESENT]
    absent = {name.partition(".")[2] for name, f in found.items() if f.outcome is ABSENT}
    assert absent >= {
        "voltage_unbalance",
        "current_unbalance",
        "phase_lost",
        "phase_sensor_lost",
        "current_without_command",
        "overload",
        "undervoltage",
        "power_lost",
        "current_spikes_before_trip",
    }
    # what falls between samples of 1 s is never excluded
    assert {found[f"electrical.{n}"].outcome for n in ("chatter", "supply_dip", "instant_trip", "ground_fault")} == {
        CANNOT_TELL
    }
    for finding in found.values():
        if finding.outcome is ABSENT and finding.check != "electrical.power_lost":
            assert finding.cites


@pytest.mark.parametrize("interval_s", [60.0, 300.0])
def test_thinned_to_minutes_nothing_fast_is_excluded(interval_s: float) -> None:
    subject = electric(interval_s=interval_s)
    fast = ("phase_lost", "chatter", "supply_dip", "current_spikes_before_trip", "instant_trip")
    assert {ask(subject, name).outcome for name in fast} == {CANNOT_TELL}


@pytest.mark.parametrize("check", sorted(DETECTORS))
def test_without_points_every_check_is_cannot_tell(check: str) -> None:
    bare = made(without=tuple(Role), interval_s=300.0)
    assert only(DETECTORS[check](bare)).outcome is CANNOT_TELL


@pytest.mark.parametrize("check", sorted(DETECTORS))
def test_empty_and_missing_readings_are_cannot_tell(check: str) -> None:
    blank: dict[Role, Change] = {role: lambda t, _: np.full(len(t), np.nan) for role in (*AMPS, *VOLTS)}
    blank |= {role: lambda t, _: np.full(len(t), np.nan) for role in (Role.MOTOR_AMPS, Role.MOTOR_POWER)}
    subject = replace(electric(blank, interval_s=60.0), runs=())
    assert only(DETECTORS[check](subject)).outcome is CANNOT_TELL


class TestPhases:
    def lost(self, rise: float, rest: float = 0.0, from_s: float = STOP_S - 40) -> dict[Role, Change]:
        changes: dict[Role, Change] = {
            role: then(draw(80.0, k), from_s, STOP_S, lambda v: v * rise) for k, role in enumerate(AMPS)
        }
        changes[Role.AMPS_B] = then(draw(80.0, 1), from_s, STOP_S, lambda v: v * rest)
        return changes

    def test_one_gone_and_the_others_up_is_a_lost_phase(self) -> None:
        found = ask(electric(self.lost(1.73)), "phase_lost")
        assert found.outcome is PRESENT
        assert found.value == pytest.approx(1.73, rel=0.02)
        assert found.samples > 30
        assert ask(electric(self.lost(1.73)), "phase_sensor_lost").outcome is ABSENT

    def test_one_gone_and_the_others_unchanged_is_a_sensor(self) -> None:
        subject = electric(self.lost(1.0, from_s=STOP_S - 400))
        assert ask(subject, "phase_lost").outcome is ABSENT
        assert ask(subject, "phase_sensor_lost").outcome is PRESENT

    def test_in_between_is_cannot_tell(self) -> None:
        subject = electric(self.lost(1.22))
        assert ask(subject, "phase_lost").outcome is CANNOT_TELL
        assert ask(subject, "phase_sensor_lost").outcome is CANNOT_TELL

    def test_one_to_one_to_two(self) -> None:
        changes = self.lost(1.15)
        changes[Role.AMPS_B] = then(draw(80.0, 1), STOP_S - 40, STOP_S, lambda v: v * 2.3)
        assert ask(electric(changes), "phase_lost").outcome is PRESENT

    def test_an_open_supply_phase_shows_with_the_motor_off(self) -> None:
        changes: dict[Role, Change] = {
            role: then(stand(460.0, 10), STOP_S, FAILURE_S, lambda v: v * 0.58)
            for role in (Role.VOLTS_AB, Role.VOLTS_BC)
        }
        found = ask(electric(changes, without=AMPS), "phase_lost")
        assert found.outcome is PRESENT
        assert "supply" in found.statement

    def test_a_lost_phase_is_no_unbalance(self) -> None:
        changes = self.lost(1.73, from_s=STOP_S - 900)
        changes |= {
            role: then(stand(460.0, 10), STOP_S - 900, STOP_S, lambda v: v * 0.92)
            for role in (Role.VOLTS_AB, Role.VOLTS_BC)
        }
        subject = electric(changes)
        assert ask(subject, "voltage_unbalance").outcome is ABSENT
        assert ask(subject, "current_unbalance").outcome is ABSENT


class TestTwoLines:
    """Voltages and one current, the three currents not logged: two lines and a running motor give 6 to 22 %."""

    def subject(self, rise: float, volts: float = 0.87, seconds: float = 60.0, **more: object) -> Subject:
        begin = STOP_S - seconds
        changes: dict[Role, Change] = {Role.MOTOR_AMPS: then(draw(60.0, 4), begin, STOP_S, lambda v: v * rise)}
        changes[Role.VOLTS_CA] = then(stand(460.0, 12), begin, STOP_S, lambda v: v * volts)
        return electric(changes, without=AMPS, **more)

    @pytest.mark.parametrize("interval_s", [1.0, 5.0, 10.0])
    def test_both_moved(self, interval_s: float) -> None:
        subject = self.subject(1.75, seconds=600.0, interval_s=interval_s)
        found = ask(subject, "phase_lost")
        assert found.outcome is PRESENT
        assert found.value == pytest.approx(1.75, rel=0.03)
        assert ask(subject, "voltage_unbalance").outcome is not PRESENT
        assert ask(subject, "undervoltage").outcome is not PRESENT

    def test_uneven_voltages_alone_are_not_a_lost_line(self) -> None:
        assert ask(self.subject(1.0, seconds=600.0), "phase_lost").outcome is not PRESENT

    def test_an_average_that_rose_by_its_sixth_is_open(self) -> None:
        assert ask(self.subject(1.15), "phase_lost").outcome is CANNOT_TELL

    def test_even_voltages_to_the_stop_exclude_it(self) -> None:
        assert ask(self.subject(1.0, 1.0), "phase_lost").outcome is ABSENT
        assert ask(self.subject(1.0, 1.0, interval_s=60.0), "phase_lost").outcome is CANNOT_TELL


class TestUnbalance:
    def grown(self, factor: float, volts: float = 1.0, **more: object) -> Subject:
        """Phase A grows over three hours; the voltage CA may grow with it."""

        def rising(base: Change, size: float) -> Change:
            return lambda t, v: base(t, v) * (1.0 + (size - 1.0) * np.clip((t - STOP_S + 3600.0) / 3000.0, 0.0, 1.0))

        changes: dict[Role, Change] = {Role.AMPS_A: rising(draw(80.0, 0), factor)}
        changes[Role.VOLTS_CA] = rising(stand(460.0, 12), volts)
        return electric(changes, **more)

    def test_near_the_limit_or_grown_is_open_never_excluded(self) -> None:
        for factor in (1.08, 1.13):
            found = ask(self.grown(factor, interval_s=10.0), "current_unbalance")
            assert found.outcome is CANNOT_TELL
            assert found.value is not None

    def test_thinning_never_flips(self) -> None:
        for factor in (1.0, 1.13, 1.4):
            seen = {
                ask(self.grown(factor, interval_s=step), name).outcome
                for step in (2.0, 10.0, 60.0)
                for name in ("current_unbalance",)
            }
            assert not {PRESENT, ABSENT} <= seen

    def test_balanced_volts_do_not_explain_it_and_uneven_ones_do(self) -> None:
        beyond = ask(self.grown(1.3, interval_s=10.0), "unbalance_beyond_volts")
        assert beyond.outcome is PRESENT
        # 3 % of voltage unbalance times locked-rotor over running amps (6 x 100 A / 80 A) is 22 %
        supply = ask(self.grown(1.3, 0.955, interval_s=10.0), "unbalance_beyond_volts")
        assert supply.outcome is not PRESENT
        assert ask(self.grown(1.0, interval_s=10.0), "unbalance_beyond_volts").outcome is ABSENT
        bare = electric(without=VOLTS, interval_s=10.0)
        assert ask(bare, "unbalance_beyond_volts").outcome is CANNOT_TELL


class TestSupply:
    def test_a_voltage_that_falls_in_the_last_seconds_is_not_excluded(self) -> None:
        low = {role: then(stand(460.0, 10), STOP_S - 4, STOP_S, lambda v: v * 0.85) for role in VOLTS}
        assert ask(electric(low), "undervoltage").outcome is CANNOT_TELL

    def test_a_dip_not_caught_says_its_chance(self) -> None:
        found = ask(electric(), "supply_dip")
        assert found.outcome is CANNOT_TELL
        assert "50 % chance" in found.statement

    def test_unbalance_for_long(self) -> None:
        changes = {Role.VOLTS_CA: then(stand(460.0, 12), STOP_S - 3000, STOP_S, lambda v: v * 0.95)}
        changes[Role.AMPS_A] = then(draw(80.0, 0), STOP_S - 3000, STOP_S, lambda v: v * 1.3)
        subject = electric(changes)
        volts, amps = ask(subject, "voltage_unbalance"), ask(subject, "current_unbalance")
        assert (volts.outcome, amps.outcome) == (PRESENT, PRESENT)
        assert volts.value == pytest.approx(100 * (1 - 0.95) * 2 / 3 / (1 - 0.05 / 3), rel=0.06)
        assert "motor on" in volts.statement

    def test_the_supplys_own_unbalance_shows_with_the_motor_off(self) -> None:
        changes = {Role.VOLTS_CA: stand(430.0, 12)}
        assert "motor off" in ask(electric(changes), "voltage_unbalance").statement

    def test_unbalance_at_five_minutes(self) -> None:
        changes = {Role.VOLTS_CA: then(stand(460.0, 12), STOP_S - 9000, STOP_S, lambda v: v * 0.95)}
        assert ask(electric(changes, interval_s=300.0), "voltage_unbalance").outcome is PRESENT

    def test_undervoltage_outside_starts_only(self) -> None:
        low = {role: then(stand(460.0, 10), STOP_S - 60, STOP_S, lambda v: v * 0.85) for role in VOLTS}
        assert ask(electric(low), "undervoltage").outcome is PRESENT
        start_s = STOP_S - 7200
        sag = {role: then(stand(460.0, 10), start_s, start_s + 8, lambda v: v * 0.85) for role in VOLTS}
        assert ask(electric(sag), "undervoltage").outcome is ABSENT

    def test_dip_at_the_failure_and_dip_elsewhere(self) -> None:
        at = {role: then(stand(460.0, 10), STOP_S - 3, STOP_S - 1, lambda v: v * 0.5) for role in VOLTS}
        found = ask(electric(at), "supply_dip")
        assert found.outcome is PRESENT
        assert found.value == pytest.approx(0.5, abs=0.02)
        long_before = {role: then(stand(460.0, 10), 20000, 20002, lambda v: v * 0.5) for role in VOLTS}
        assert ask(electric(long_before), "supply_dip").outcome is CANNOT_TELL

    def test_a_voltage_that_stays_low_is_neither_a_dip_nor_none(self) -> None:
        low = {role: then(stand(460.0, 10), STOP_S - 600, STOP_S + 600, lambda v: v * 0.8) for role in VOLTS}
        assert ask(electric(low), "undervoltage").outcome is PRESENT
        assert ask(electric(low), "supply_dip").outcome is CANNOT_TELL
        recorded = electric(low)
        samples = dict(recorded.record.samples)
        for role in VOLTS:
            (point,) = samples[role]
            samples[role] = (replace(point, origin=replace(point.origin, recorded=Recorded.MINIMUM)),)
        recorded = replace(recorded, record=replace(recorded.record, samples=samples))
        assert ask(recorded, "supply_dip").outcome is CANNOT_TELL

    @pytest.mark.parametrize(
        ("text", "overload", "supply"),
        [
            ("MOTOR OVERLOAD", PRESENT, ABSENT),
            ("Unterspannung Netz", ABSENT, PRESENT),
            ("Low oil differential", ABSENT, ABSENT),
            ("", CANNOT_TELL, CANNOT_TELL),
        ],
    )
    def test_what_the_protection_named(self, text: str, overload: Outcome, supply: Outcome) -> None:
        subject = electric()
        line = LogLine(
            time_ns=subject.record.failure_ns,
            point="C1 TRIP",
            value="ALARM",
            text=text,
            source="alarms.csv",
            clock="controller",
            row=9,
        )
        told = replace(subject, record=replace(subject.record, log=(line,) if text else ()))
        assert ask(told, "tripped_on_overload").outcome is overload
        assert ask(told, "tripped_on_supply").outcome is supply
        if overload is PRESENT:
            assert ask(told, "tripped_on_overload").cites[0].rows == (9, 9)

    def test_recorded_minima_can_exclude_a_dip(self) -> None:
        subject = electric()
        samples = dict(subject.record.samples)
        for role in VOLTS:
            (point,) = samples[role]
            samples[role] = (replace(point, origin=replace(point.origin, recorded=Recorded.MINIMUM)),)
        subject = replace(subject, record=replace(subject.record, samples=samples))
        assert ask(subject, "supply_dip").outcome is ABSENT

    def test_power_lost(self) -> None:
        gone = {role: then(stand(460.0, 10), STOP_S, STOP_S + 90, lambda v: v * 0.0) for role in VOLTS}
        assert ask(electric(gone), "power_lost").outcome is PRESENT
        assert ask(electric(without=VOLTS), "power_lost").outcome is CANNOT_TELL

    def test_all_sources_silent_from_the_stop(self) -> None:
        subject = electric(without=VOLTS)
        stop_ns = BEGIN_NS + round(STOP_S * NS)

        def holed(t: np.ndarray) -> np.ndarray:
            return (t <= stop_ns) | (t > stop_ns + 300 * NS)

        samples = {
            role: tuple(replace(p, t=p.t[k], v=p.v[k], q=p.q[k], row=p.row[k]) for p in found for k in [holed(p.t)])
            for role, found in subject.record.samples.items()
        }
        silent = replace(subject, record=replace(subject.record, samples=samples))
        assert ask(silent, "power_lost").outcome is PRESENT

    def test_an_unplaced_clock_excludes_nothing_at_the_stop(self) -> None:
        subject = electric()
        unsure = replace(subject, record=replace(subject.record, clock_uncertainty_s={"controller": float("inf")}))
        for name in ("phase_lost", "supply_dip", "power_lost", "instant_trip", "current_without_command"):
            assert ask(unsure, name).outcome is CANNOT_TELL


class TestMotor:
    def rated(self, **plate: float) -> Subject:
        """1.12 of rated-load amps for twenty minutes before the stop."""
        more = {Role.MOTOR_AMPS: then(draw(80.0, 4), STOP_S - 1200, STOP_S, lambda v: v * 1.4)}
        subject = electric(more)
        return replace(subject, machine=subject.machine.model_copy(update=plate))

    @pytest.mark.parametrize(
        ("plate", "outcome"),
        [
            # rated-load amps are no thermal limit: a relay may be set to 1.4 of them (NEC 440.52(A)(1))
            ({}, CANNOT_TELL),
            ({"overload_setting_amps": 105.0}, PRESENT),
            ({"overload_setting_amps": 125.0}, ABSENT),
            ({"max_continuous_amps": 130.0, "overload_setting_amps": 105.0}, ABSENT),
            ({"overload_setting_amps": 112.0}, CANNOT_TELL),
        ],
    )
    def test_overload_is_held_against_what_the_motor_may_draw(self, plate: dict[str, float], outcome: Outcome) -> None:
        found = ask(self.rated(**plate), "overload")
        assert found.outcome is outcome
        assert found.low < found.value < found.high
        assert (found.detectable is not None) == (outcome is ABSENT)
        assert plate or "overload_setting_amps" in found.unlocked_by

    def test_overload_with_the_protection_as_second_witness(self) -> None:
        subject = self.rated()
        line = LogLine(
            time_ns=subject.record.failure_ns,
            point="C1 TRIP",
            value="ALARM",
            text="MOTOR OVERLOAD",
            source="alarms.csv",
            clock="controller",
            row=9,
        )
        told = ask(replace(subject, record=replace(subject.record, log=(line,))), "overload")
        assert told.outcome is PRESENT
        assert any(cite.source == "alarms.csv" for cite in told.cites)
        quiet = electric()
        unlike = ask(replace(quiet, record=replace(quiet.record, log=(line,))), "overload")
        assert unlike.outcome is CANNOT_TELL

    def test_far_above_rated_is_overload_without_a_setting(self) -> None:
        more = {Role.MOTOR_AMPS: then(draw(80.0, 4), STOP_S - 1200, STOP_S, lambda v: v * 1.9)}
        assert ask(electric(more), "overload").outcome is PRESENT

    def test_overload_without_a_nameplate_is_cannot_tell(self) -> None:
        subject = replace(electric(), machine=Machine(refrigerant="R134a"))
        assert ask(subject, "overload").outcome is CANNOT_TELL

    def test_inrush_is_no_overload(self) -> None:
        start_s = STOP_S - 7200
        inrush = {Role.MOTOR_AMPS: then(draw(80.0, 4), start_s, start_s + 6, lambda v: v * 7)}
        assert ask(electric(inrush), "overload").outcome is ABSENT

    def test_spikes(self) -> None:
        def rough(t: Floats, old: Floats) -> Floats:
            values = draw(80.0, 4)(t, old)
            near = (t >= STOP_S - 40) & (t < STOP_S - 2)
            return np.where(near & (t.astype(int) % 5 == 0), values + 20.0, values)

        found = ask(electric({Role.MOTOR_AMPS: rough}), "current_spikes_before_trip")
        assert found.outcome is PRESENT
        assert found.value == pytest.approx(8, abs=1)

    def test_spikes_that_fill_most_of_the_time(self) -> None:
        """Two samples of three stand high: what the current comes back to is the third."""

        def rough(t: Floats, old: Floats) -> Floats:
            values = draw(80.0, 4)(t, old)
            near = (t >= STOP_S - 60) & (t < STOP_S - 2)
            return np.where(near & (t.astype(int) % 3 != 0), values + 20.0, values)

        found = ask(electric({Role.MOTOR_AMPS: rough}), "current_spikes_before_trip")
        assert found.outcome is PRESENT
        assert found.value == pytest.approx(39, abs=2)

    def test_a_slide_pulse_is_no_spike(self) -> None:
        step = {Role.MOTOR_AMPS: then(draw(80.0, 4), STOP_S - 50, STOP_S, lambda v: v + 15)}
        assert ask(electric(step), "current_spikes_before_trip").outcome is ABSENT

    def test_instant_trip_caught_by_a_sample(self) -> None:
        fault = {Role.MOTOR_AMPS: then(draw(80.0, 4), STOP_S - 1, STOP_S, lambda v: v * 8)}
        found = ask(electric(fault), "instant_trip")
        assert found.outcome is PRESENT
        assert found.samples == 1

    @pytest.mark.parametrize(("clock", "samples"), [("controller", 1), ("relay", 2)])
    def test_a_sample_and_the_text_of_another_device_are_two_witnesses(self, clock: str, samples: int) -> None:
        fault = {Role.MOTOR_AMPS: then(draw(80.0, 4), STOP_S - 1, STOP_S, lambda v: v * 8)}
        subject = electric(fault)
        line = LogLine(
            time_ns=subject.record.failure_ns,
            point="C1 TRIP",
            value="ALARM",
            text="INSTANTANEOUS OVERCURRENT",
            source="a.csv",
            clock=clock,
            row=9,
        )
        told = replace(subject, record=replace(subject.record, log=(line,)))
        found = ask(told, "instant_trip")
        assert (found.outcome, found.samples) == (PRESENT, samples)
        # an instantaneous element does not say that the fault went to ground
        assert ask(told, "ground_fault").outcome is CANNOT_TELL
        alone = electric()
        assert ask(replace(alone, record=replace(alone.record, log=(line,))), "instant_trip").samples == 1

    def test_a_stall_and_a_reclosing_are_no_instant_trip(self) -> None:
        stall = {Role.MOTOR_AMPS: then(draw(80.0, 4), STOP_S - 6, STOP_S, lambda v: v * 7)}
        assert ask(electric(stall), "instant_trip").outcome is CANNOT_TELL

        def reclosed(t: Floats, old: Floats) -> Floats:
            values = draw(80.0, 4)(t, old)
            values = np.where((t >= STOP_S - 3) & (t < STOP_S - 1), 0.0, values)
            return np.where((t >= STOP_S - 1) & (t < STOP_S), 600.0, values)

        assert ask(electric({Role.MOTOR_AMPS: reclosed}), "instant_trip").outcome is CANNOT_TELL

    def test_growth_at_equal_duty(self) -> None:
        grown = {Role.MOTOR_POWER: lambda t, _: running(t) * 55.0 * np.where(t > STOP_S - 4000, 1.2, 1.0)}
        assert ask(electric(grown, interval_s=10.0), "amps_high_at_equal_duty").outcome is PRESENT
        assert ask(electric(interval_s=10.0), "amps_high_at_equal_duty").outcome is ABSENT
        no_slide = electric(interval_s=10.0, without=(Role.SLIDE_POSITION,))
        assert ask(no_slide, "amps_high_at_equal_duty").outcome is CANNOT_TELL

    def test_ground_fault_by_waveform_and_by_the_protection(self) -> None:
        subject = electric(interval_s=10.0)
        third = np.exp(-2j * np.pi / 3)
        leaking = made_waveforms.running(amps=(complex(100), complex(100 * third), complex(400 * third**2)))
        sound = made_waveforms.running()
        for waveform, outcome in ((leaking, PRESENT), (sound, ABSENT)):
            placed = replace(waveform, start_ns=subject.record.failure_ns - 2 * NS)
            one = replace(subject, record=replace(subject.record, waveforms=(placed,)))
            assert ask(one, "ground_fault").outcome is outcome
        line = LogLine(
            time_ns=subject.record.failure_ns,
            point="C1 TRIP",
            value="ALARM",
            text="Earth fault",
            source="alarms.csv",
            clock="controller",
            row=9,
        )
        told = ask(replace(subject, record=replace(subject.record, log=(line,))), "ground_fault")
        assert (told.outcome, told.samples) == (PRESENT, 1)


class TestContactor:
    def test_current_after_the_status_says_off(self) -> None:
        def welded(t: Floats, old: Floats) -> Floats:
            return np.where((t >= STOP_S) & (t < STOP_S + 70), 80.0, draw(80.0, 4)(t, old))

        found = ask(electric({Role.MOTOR_AMPS: welded}), "current_without_command")
        # pressures of the made machine equalise at once: then a current at rated level could be the sensor's
        assert found.outcome is CANNOT_TELL
        no_pressures = electric({Role.MOTOR_AMPS: welded}, without=(Role.DISCHARGE_PRESSURE, Role.SUCTION_PRESSURE))
        varied = {Role.MOTOR_AMPS: lambda t, old: welded(t, old) + 0.3 * np.sin(t)}
        no_pressures = electric(varied, without=(Role.DISCHARGE_PRESSURE, Role.SUCTION_PRESSURE))
        found = ask(no_pressures, "current_without_command")
        assert found.outcome is PRESENT
        assert found.value == pytest.approx(69, abs=2)

    def run_on(self, status: Switch, *more: Switch, gap_s: tuple[float, float] = (0.0, 0.0)) -> Outcome:
        """Current that flows on for 70 s after a stop, as another status, a command or a gap would have it."""

        def welded(t: Floats, old: Floats) -> Floats:
            return np.where((t >= STOP_S) & (t < STOP_S + 70), 80.0, draw(80.0, 4)(t, old)) + 0.3 * np.sin(t)

        subject = electric({Role.MOTOR_AMPS: welded}, without=(Role.DISCHARGE_PRESSURE, Role.SUCTION_PRESSURE))
        (amps,) = subject.record.samples[Role.MOTOR_AMPS]
        since_s = (amps.t - BEGIN_NS) / NS
        kept = (since_s < gap_s[0]) | (since_s >= gap_s[1])
        amps = replace(amps, t=amps.t[kept], v=amps.v[kept], q=amps.q[kept], row=amps.row[kept])
        switches: dict[Role, tuple[Switch, ...]] = {Role.RUN_STATUS: (status,)}
        for one in more:
            switches[one.role] = (*switches.get(one.role, ()), one)
        samples = {**subject.record.samples, Role.MOTOR_AMPS: (amps,)}
        return ask(
            replace(subject, record=replace(subject.record, samples=samples, switches=switches)),
            "current_without_command",
        ).outcome

    def test_a_stop_order_that_is_not_known_to_have_stood_makes_no_fault(self) -> None:
        """A row of a list that is lost, or wrongly stamped, is no welded contactor."""

        def log(role: Role, *rows: tuple[float, int], source: str = "events.csv") -> Switch:
            t = np.array([BEGIN_NS + round(at * NS) for at, _ in rows], dtype=np.int64)
            origin = Origin(source, role.value, "controller", Recorded.CHANGE, resolution_s=1.0)
            return Switch(role, origin, t, np.array([to for _, to in rows], np.int8), np.arange(len(rows)) + 2)

        first, second = ((3700, 1), (10900, 0)), ((14600, 1), (21800, 0), (25500, 1))
        later = ((36400, 1), (43600, 0))
        status = log(Role.RUN_STATUS, *first, *second, (STOP_S, 0), *later)
        assert self.run_on(status) is PRESENT
        # the row of a start between two stops is lost
        lost = log(Role.RUN_STATUS, *first, *second, (STOP_S, 0), (STOP_S + 65, 0), *later)
        assert self.run_on(lost) is CANNOT_TELL
        # another log says that the machine was running, or told to run
        for role in (Role.RUN_STATUS, Role.RUN_COMMAND):
            other = log(role, *first, *second, (STOP_S + 70, 0), *later, source="panel.csv")
            assert self.run_on(status, other) is CANNOT_TELL
        # one that says so of other runs is no reason
        same = log(Role.RUN_COMMAND, *first, *second, (STOP_S, 0), *later, source="panel.csv")
        assert self.run_on(status, same) is PRESENT
        # a log that wrote neither the start nor the stop of a run has no word on it, where it wrote nothing else
        silent = log(Role.RUN_COMMAND, *first, (25500, 1), (STOP_S + 70, 0), *later, source="panel.csv")
        assert self.run_on(status, silent) is CANNOT_TELL
        beside = log(Role.OIL_HEATER, (14600, 0), (21800, 1), source="panel.csv")
        assert self.run_on(status, silent, beside) is PRESENT
        # the current was not read when the order came: when it began to flow again is not known
        assert self.run_on(status, gap_s=(STOP_S - 30, STOP_S + 40)) is CANNOT_TELL

    def test_drop_outs(self) -> None:
        def chattering(t: Floats, old: Floats) -> Floats:
            off = (t >= STOP_S - 300) & (t < STOP_S - 290) & (t.astype(int) % 3 == 0)
            return np.where(off, 0.0, draw(80.0, 4)(t, old))

        found = ask(electric({Role.MOTOR_AMPS: chattering}), "chatter")
        assert found.outcome is PRESENT
        assert found.value is not None
        assert found.value >= 3

    def test_one_drop_out_is_not_chatter(self) -> None:
        once = {Role.MOTOR_AMPS: then(draw(80.0, 4), STOP_S - 300, STOP_S - 297, lambda v: v * 0)}
        assert ask(electric(once), "chatter").outcome is CANNOT_TELL

    def test_drop_outs_line_by_line_in_an_event_list_are_chatter(self) -> None:
        subject = electric()
        at = subject.record.failure_ns - 60 * NS
        lines = tuple(
            LogLine(
                time_ns=at + k * NS,
                point="C1 STATUS",
                value="ON" if k % 2 else "OFF",
                text="Contactor",
                source="alarms.csv",
                clock="controller",
                row=5 + k,
            )
            for k in range(6)
        )
        told = ask(replace(subject, record=replace(subject.record, log=lines)), "chatter")
        assert (told.outcome, told.value) == (PRESENT, 3.0)
        single = ask(replace(subject, record=replace(subject.record, log=lines[:2])), "chatter")
        assert single.outcome is CANNOT_TELL

    def test_an_event_list_with_fractions_can_exclude_it(self) -> None:
        subject = electric()
        (status,) = subject.record.switches[Role.RUN_STATUS]
        change = np.flatnonzero(np.diff(status.state)) + 1
        origin = replace(status.origin, recorded=Recorded.CHANGE, resolution_s=0.01, source="events.csv")
        listed = Switch(
            Role.RUN_STATUS, origin, status.t[change] + 123_000_000, status.state[change], status.row[change]
        )
        switches = {**subject.record.switches, Role.RUN_STATUS: (listed,)}
        assert ask(replace(subject, record=replace(subject.record, switches=switches)), "chatter").outcome is ABSENT
