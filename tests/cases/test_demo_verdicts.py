"""Verdicts on a second, independent simulation: no sound machine is blamed, no fault is named wrongly or excluded."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from forensics.demo.exports import STANDARD_ROLES, Clock, Export, write_case
from forensics.demo.scenarios import Scenario, short_run

from forensics.hypotheses import Weighing
from forensics.investigation import investigate
from forensics.model.vocabulary import Grade, VerdictStatus

ELECTRICAL = ("amps_a", "amps_b", "amps_c", "volts_ab", "volts_bc", "volts_ca", "motor_power")
NAMED = (
    "oil-supply-lost",
    "wrong-phase-sequence",
    "bypass-not-released",
    "high-head",
    "expansion-valve-fault",
)
ANY_VERDICT_BUT_A_WRONG_ONE = (
    "unload-solenoid-leaking",
    "unload-path-failed",
    "slide-stuck",
    "trapped-loaded",
    "load-solenoid-failed",
    "discharge-check-leaking",
    "bearing-or-rotor-damage",
    "motor-overload",
    "contactor-fault",
    "sensor-fault",
    "supply-disturbance",
)


def weighed(
    folder: Path, fault: str, seed: int, *, cycles: int = 8, healthy: int = 4, base: Scenario | None = None
) -> Weighing:
    run = short_run(fault, seed, cycles=cycles, healthy_cycles=healthy, base=base)
    roles = tuple(role for role in (*STANDARD_ROLES, *ELECTRICAL, "oil_filter_in_pressure") if role in run.columns)
    exports = (Export("exports/trend.csv", roles), Export("exports/alarms.csv", clock=Clock("panel", 3.0)))
    path = write_case(run, folder / f"{fault}-{seed}", exports=exports)
    text = path.read_text(encoding="utf-8")
    if not any("TRIP" in event.point for event in run.events):
        from datetime import UTC, datetime

        ended = datetime(2031, 3, 3, 6, 0, tzinfo=UTC) + timedelta(seconds=float(run.time_s[-1]) - 60.0)
        text = text.replace("window_before", f"failure = {ended.isoformat()}\nwindow_before", 1)
        path.write_text(text, encoding="utf-8")
    return investigate(path).weighing


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(101, 121))
def test_no_sound_machine_is_blamed(tmp_path: Path, seed: int) -> None:
    found = weighed(tmp_path, "none", seed, cycles=5, healthy=0)
    assert found.verdict.status is not VerdictStatus.DETERMINED
    assert Grade.PROBABLE not in {row.grade for row in found.hypotheses if row.mode != "none"}


@pytest.mark.slow
@pytest.mark.parametrize("fault", NAMED)
def test_a_fault_that_the_record_shows_is_named(tmp_path: Path, fault: str) -> None:
    found = weighed(tmp_path, fault, 7)
    assert found.verdict.mode == fault, found.verdict.statement


def test_a_welded_contactor_is_named(tmp_path: Path) -> None:
    """The status falls for one sample, then current flows for a minute with the command off."""
    found = weighed(tmp_path, "contactor-fault", 11, cycles=4, healthy=2, base=Scenario(contacts_weld=True))
    assert found.verdict.mode == "contactor-fault", found.verdict.statement


@pytest.mark.slow
@pytest.mark.parametrize("fault", ANY_VERDICT_BUT_A_WRONG_ONE)
def test_a_fault_that_the_record_shows_in_part_is_never_named_wrongly(tmp_path: Path, fault: str) -> None:
    found = weighed(tmp_path, fault, 7)
    assert found.verdict.mode in (fault, None), found.verdict.statement
    assert found.verdict.status is not VerdictStatus.NO_FAULT_FOUND
    assert found.hypothesis(fault).grade is not Grade.EXCLUDED
