"""Each fault leaves its mark on the machine, and only after it begins."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from forensics.demo.faults import ACTS
from forensics.demo.scenarios import Run, Scenario, short_run

from forensics.hypotheses import read_modes
from forensics.model.vocabulary import Mode
from forensics.rules import read_checks

Maker = Callable[[str], Run]


def _begun_s(run: Run) -> float:
    """When the fault begins; of a healthy run, its second start."""
    return float(run.truth["fault_from_s"] or run.truth["starts"][1]["time_s"])  # type: ignore[arg-type, index]


def _running(run: Run, role: str, *, late: bool) -> np.ndarray:
    begun = _begun_s(run) + 1.0
    motor = run.exact["run_status"] > 0.0
    when = run.time_s >= begun if late else run.time_s < begun
    return run.exact[role][motor & when]


def _median(run: Run, role: str, *, late: bool) -> float:
    return float(np.median(_running(run, role, late=late)))


def _trips(run: Run) -> list[str]:
    return [e.text for e in run.events if e.point == "TRIP" and e.state == "ALARM"]


def _ratios(run: Run) -> list[float]:
    return [s["ratio"] for s in run.truth["starts"] if s["ratio"] is not None]  # type: ignore[attr-defined]


def _peak(run: Run, role: str) -> float:
    return float(_running(run, role, late=True).max())


def _superheat_low(run: Run) -> bool:
    return _median(run, "suction_temperature", late=True) < _median(run, "suction_temperature", late=False) - 3.0


def _hold_slope(run: Run) -> float:
    """Median drift of the slide (% per minute) in late running with no solenoid energised."""
    exact, begun = run.exact, _begun_s(run)
    quiet = (exact["run_status"] > 0) & (exact["load_solenoid"] == 0) & (exact["unload_solenoid"] == 0)
    both = quiet[1:] & quiet[:-1] & (run.time_s[1:] > begun) & (exact["slide_position"][1:] > 5.0)
    return float(np.median(np.diff(exact["slide_position"])[both])) * 60.0


def _drop_outs(run: Run) -> int:
    return len(run.truth["drop_outs"])  # type: ignore[arg-type]


def _residual(run: Run) -> float:
    stop_s = run.truth["stops"][-2]["time_s"]  # type: ignore[index]
    at = int(np.searchsorted(run.time_s, stop_s + 60.0))
    return float(run.exact["discharge_pressure"][at] - run.exact["suction_pressure"][at])


SEEN: dict[str, Callable[[Run], bool]] = {
    "none": lambda r: not _trips(r) and max(_ratios(r)) < 0.45,
    "unload-path-failed": lambda r: _ratios(r)[-1] > 0.6,
    "trapped-loaded": lambda r: r.truth["starts"][-1]["previous_stop"] == "power-loss" and _ratios(r)[-1] > 0.5,  # type: ignore[index]
    "slide-stuck": lambda r: np.ptp(_running(r, "slide_position", late=True)[120:]) < 0.1 and _ratios(r)[-1] > 0.55,
    "load-solenoid-failed": lambda r: (
        _peak(r, "slide_position") < 5.0 and _running(r, "load_solenoid", late=True).sum() > 60.0
    ),
    "unload-solenoid-leaking": lambda r: _hold_slope(r) < -4.0,
    "load-solenoid-leaking": lambda r: _hold_slope(r) > 3.0,
    "bypass-not-released": lambda r: r.truth["stops"][-1]["bypass_open_after_s"] > 60.0,  # type: ignore[index]
    "bypass-open-while-running": lambda r: _peak(r, "discharge_temperature") > 85.0,
    "discharge-check-leaking": lambda r: _residual(r) > 5.0,
    "wrong-phase-sequence": lambda r: _running(r, "shaft_speed", late=True).min() < -3000.0,
    "oil-supply-lost": lambda r: (
        "Low oil differential" in _trips(r) and _running(r, "oil_level", late=True).min() < 30.0
    ),
    "oil-filter-plugged": lambda r: "Low oil differential" in _trips(r) and _peak(r, "oil_filter_in_pressure") > 600.0,
    "flooded-start": lambda r: _running(r, "discharge_temperature", late=True).min() < 30.0,
    "liquid-floodback": _superheat_low,
    "discharge-overheating": lambda r: (
        "High discharge temperature" in _trips(r) and _peak(r, "injection_solenoid") == 1.0
    ),
    "high-head": lambda r: _peak(r, "condenser_pressure") > 1200.0,
    "low-suction": lambda r: (
        _peak(r, "expansion_valve_position") > 99.0
        and _running(r, "suction_pressure", late=True).min() < _running(r, "suction_pressure", late=False).min()
    ),
    "expansion-valve-fault": lambda r: np.std(_running(r, "suction_temperature", late=True)[300:500]) > 2.0,
    "single-phasing": lambda r: _running(r, "amps_b", late=True).max() < 1.0 and "Phase current imbalance" in _trips(r),
    "supply-unbalance": lambda r: _median(r, "volts_ab", late=True) - _median(r, "volts_ca", late=True) > 5.0,
    "supply-disturbance": lambda r: _drop_outs(r) == 1 and "Supply undervoltage" in _trips(r),
    "insulation-failure": lambda r: "Earth fault, instantaneous" in _trips(r),
    "motor-overload": lambda r: (
        _median(r, "winding_temperature", late=True) > _median(r, "winding_temperature", late=False) + 5.0
    ),
    "short-cycling": lambda r: (
        len(r.truth["starts"]) >= 3  # type: ignore[arg-type]
        and np.diff([s["time_s"] for s in r.truth["starts"]])[-1] < 600.0
    ),  # type: ignore[attr-defined]
    "bearing-or-rotor-damage": lambda r: _peak(r, "vibration_velocity") > 5.0 and _peak(r, "motor_amps") > 900.0,
    "contactor-fault": lambda r: _drop_outs(r) >= 4,
    "sensor-fault": lambda r: _peak(r, "discharge_temperature") > 190.0 and _peak(r, "oil_temperature") < 80.0,
    "sequence-error": lambda r: bool(((r.exact["bypass_solenoid"] > 0) & (r.exact["run_status"] == 0)).sum() > 30),
}


def test_every_mode_of_the_workbook_can_be_made() -> None:
    """All that a check can see; what none sees yet has no mark to leave."""
    modes = read_modes(read_checks())
    assert set(ACTS) == set(SEEN) == {str(mode) for mode in Mode if not modes[mode].not_yet_seen}


@pytest.mark.parametrize("fault", sorted(SEEN))
def test_fault_leaves_its_mark(fault: str, made: Maker) -> None:
    assert SEEN[fault](made(fault))


@pytest.mark.parametrize("fault", sorted(set(SEEN) - {"none"}))
def test_the_healthy_machine_does_not_bear_the_mark(fault: str, sound: Run) -> None:
    assert not SEEN[fault](sound)


@pytest.mark.parametrize("fault", sorted(set(SEEN) - {"none"}))
def test_nothing_differs_before_the_fault_begins(fault: str, made: Maker) -> None:
    run = made(fault)
    begun = float(run.truth["fault_from_s"])  # type: ignore[arg-type]
    before = [s for s in run.truth["starts"] if s["time_s"] < begun - 30.0]  # type: ignore[attr-defined]
    assert before
    assert all(start["ratio"] < 0.45 for start in before)
    assert not [e for e in run.events if e.point == "TRIP" and e.time_s < begun]


def test_welded_contacts_carry_current_after_the_command() -> None:
    run = short_run("contactor-fault", 5, cycles=1, base=Scenario(contacts_weld=True))
    uncommanded = (run.exact["run_command"] == 0.0) & (run.exact["motor_amps"] > 0.0)
    assert 40 < uncommanded.sum() < 120


def test_valve_that_does_not_close_shows_at_rest() -> None:
    run = short_run("expansion-valve-fault", 5, cycles=1, base=Scenario(valve_bleeds=True))
    rest = (run.exact["run_status"] == 0.0) & (run.time_s > run.truth["stops"][0]["time_s"] + 30.0)  # type: ignore[index]
    assert run.exact["expansion_valve_position"][rest].min() > 10.0


def test_an_unload_path_that_clogs_loads_the_starts_more_and_more() -> None:
    ratios = [
        _ratios(short_run("unload-path-failed", 5, cycles=2, base=Scenario(severity=s)))[-1] for s in (0.0, 0.75, 1.0)
    ]
    assert ratios == sorted(ratios)
    assert ratios[0] < 0.45 < 0.6 < ratios[-1]
