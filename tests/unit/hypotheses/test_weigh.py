"""Grades and verdicts from hand-made findings: the ladder, caps, rivals, consequences, two faults at once."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import pytest
from pydantic import ValidationError

from forensics.case.schema import Fact, Machine, Measurement, Observation
from forensics.errors import InputError
from forensics.hypotheses import Weighing, weigh
from forensics.model.points import NS
from forensics.model.record import LogLine
from forensics.model.vocabulary import Grade, VerdictStatus

from .made import FAILURE_NS, evidence, finding, shipped

LATER = datetime(2030, 3, 20, 9, 0)
LOADED = ("slide.no_response_to_unload", "slide.loaded_at_stop", "starts.loaded_repeatedly", "starts.loaded_at_failure")


def grades(weighing: Weighing) -> dict[str, Grade]:
    return {row.mode: row.grade for row in weighing.hypotheses}


def picture(mode: str) -> list[str]:
    """Everything at least moderate that a mode's own file says is seen with it."""
    return [s.check for s in shipped()[mode].for_ if s.outcome == "present" and s.weight != "weak"]


@pytest.mark.parametrize("mode", [mode.id for mode in shipped().causes if not mode.not_yet_seen])
def test_the_full_picture_of_a_mode_names_it(mode: str) -> None:
    found = weigh(evidence(picture(mode), trip="trip"))
    assert (found.verdict.status, found.verdict.mode) == (VerdictStatus.DETERMINED, mode)
    assert found.verdict.grade is Grade.PROBABLE
    assert found.verdict.because
    assert found.verdict.would_change_it
    assert found.verdict.chain[0] == mode


@pytest.mark.parametrize("mode", [mode.id for mode in shipped().causes if not mode.not_yet_seen])
def test_one_sample_never_makes_more_than_possible(mode: str) -> None:
    single = {check: finding(check, "present", samples=1) for check in picture(mode)}
    found = weigh(evidence(findings=single, trip="trip"))
    assert found.verdict.status is VerdictStatus.UNDETERMINED
    assert grades(found)[mode] is Grade.POSSIBLE
    assert "one sample" in str(found.hypothesis(mode).capped_by)


def test_unconfirmed_polarity_caps_at_possible() -> None:
    told = {check: finding(check, "present", rests_on_commands=True) for check in LOADED}
    assert weigh(evidence(findings=told)).verdict.mode == "unload-path-failed"
    loose = weigh(evidence(findings=told, polarity_confirmed=False))
    assert loose.verdict.status is VerdictStatus.UNDETERMINED
    assert loose.hypothesis("unload-path-failed").grade is Grade.POSSIBLE
    assert "polarity" in str(loose.hypothesis("unload-path-failed").capped_by)


def test_elimination_alone_names_no_cause() -> None:
    one = shipped()["high-head"]
    silent = {check: finding(check, "cannot-tell", why_not="no point") for check in one.checks}
    found = weigh(evidence(findings=silent, trip="HIGH PRESSURE"))
    assert found.verdict.status is VerdictStatus.UNDETERMINED
    assert found.hypothesis("high-head").grade is Grade.NOT_OBSERVABLE


def test_two_that_cannot_be_separated_stay_possible() -> None:
    """Check valve and expansion valve both empty the high side (physics); only the residual before the valve tells."""
    found = weigh(evidence(["coastdown.high_side_falls_fast"], absent=()))
    assert found.verdict.status is VerdictStatus.UNDETERMINED
    assert {m for m, g in grades(found).items() if g is Grade.POSSIBLE} == {
        "discharge-check-leaking",
        "expansion-valve-fault",
    }


def test_a_consequence_is_not_read_as_the_cause() -> None:
    burnt = ("electrical.overload", "heat.winding_hot", "heat.thermal_capacity_used")
    assert weigh(evidence(burnt, trip="OVERLOAD")).verdict.mode == "motor-overload"
    found = weigh(evidence([*LOADED, *burnt], trip="OVERLOAD"))
    assert found.verdict.mode == "unload-path-failed"
    assert "motor-overload" in found.verdict.also
    assert found.verdict.chain.index("motor-overload") > 0


def test_two_faults_at_once_are_named_where_each_is_proven_apart() -> None:
    early = {
        check: finding(check, "present", from_ns=FAILURE_NS - 9_000 * NS, to_ns=FAILURE_NS - 8_000 * NS)
        for check in ("electrical.voltage_unbalance", "electrical.current_unbalance")
    }
    late = {
        check: finding(check, "present", from_ns=FAILURE_NS - 900 * NS, to_ns=FAILURE_NS - 800 * NS)
        for check in ("oil.filter_drop_growing", "oil.filter_drop_high")
    }
    found = weigh(evidence(findings={**early, **late}, trip="LOW OIL"))
    assert found.verdict.mode == "supply-unbalance"
    assert found.verdict.also == ("oil-filter-plugged",)


def test_a_false_trip_by_one_sensor_is_found_before_the_machine_is_blamed() -> None:
    false = ("sensors.jump_at_trip", "sensors.neighbours_unmoved", "sensors.trip_text_unsupported")
    found = weigh(evidence([*false, "heat.discharge_temperature_high_at_failure"], trip="HIGH DISCHARGE TEMPERATURE"))
    assert found.verdict.mode == "sensor-fault"
    assert found.hypothesis("discharge-overheating").grade not in (Grade.PROBABLE, Grade.CONFIRMED)


DRAG = ("electrical.overload", "heat.winding_hot", "electrical.amps_high_at_equal_duty")


@pytest.mark.parametrize("spikes", ["absent", "cannot-tell", "present"])
def test_overload_stands_for_a_drag_that_shows_no_damage_and_for_no_other(spikes: str) -> None:
    """Drag without contact is overload of a cause not separable, contact is damage; what can't be seen leaves both."""
    check = "electrical.current_spikes_before_trip"
    quiet = {
        name: finding(name, "cannot-tell")
        for name in ("vibration.high_at_equal_duty", "starts.locked_rotor", "waveform.locked_rotor")
    }
    found = weigh(evidence(DRAG, findings={check: finding(check, spikes), **quiet}, trip="MOTOR OVERLOAD"))
    if spikes == "absent":
        assert found.verdict.mode == "motor-overload"
    elif spikes == "cannot-tell":
        assert found.verdict.status is VerdictStatus.UNDETERMINED
        assert grades(found)["bearing-or-rotor-damage"] is Grade.POSSIBLE
    else:
        assert found.verdict.mode == "bearing-or-rotor-damage"


def test_one_sensor_alone_proves_no_heat_and_no_pressure() -> None:
    """Findings that all read one sensor count once: a second sensor must speak too."""
    silent = {
        name: finding(name, "cannot-tell")
        for name in ("sensors.discharge_temperature_alone", "sensors.high_side_alone", "sensors.suction_alone")
    }
    hot = ("heat.discharge_temperature_climbs", "refrigerant.discharge_superheat_high")
    high = ("refrigerant.condensing_high", "refrigerant.condenser_approach_high")
    low = ("refrigerant.suction_low", "refrigerant.superheat_high", "refrigerant.evaporator_approach_high")
    vouched = (
        (hot, "sensors.discharge_temperature_alone", "discharge-overheating"),
        (high, "sensors.high_side_alone", "high-head"),
        (low, "sensors.suction_alone", "low-suction"),
    )
    for signs, check, mode in vouched:
        assert weigh(evidence(signs, findings=silent)).verdict.status is VerdictStatus.UNDETERMINED, mode
        true = {**silent, check: finding(check, "absent")}
        assert weigh(evidence(signs, findings=true)).verdict.mode == mode
        false = {**silent, check: finding(check, "present")}
        assert weigh(evidence(signs, findings=false)).hypothesis(mode).grade not in (Grade.PROBABLE, Grade.CONFIRMED)


def test_no_fault_found_needs_a_machine_open_to_view_and_says_what_was_not() -> None:
    sound = weigh(evidence())
    assert sound.verdict.status is VerdictStatus.NO_FAULT_FOUND
    assert sound.verdict.mode is None
    assert grades(sound)["none"] is Grade.PROBABLE
    blind = weigh(evidence(absent=()))
    assert blind.verdict.status is VerdictStatus.UNDETERMINED
    assert set(grades(blind).values()) == {Grade.NOT_OBSERVABLE}
    part = weigh(evidence(findings={"coastdown.bypass_held": finding("coastdown.bypass_held", "cannot-tell")}))
    assert part.verdict.status is VerdictStatus.NO_FAULT_FOUND
    assert "bypass-not-released" in part.verdict.statement


def test_a_trip_that_nothing_explains_is_not_cleared() -> None:
    assert weigh(evidence(trip="LOW OIL DIFFERENTIAL")).verdict.status is VerdictStatus.UNDETERMINED
    assert weigh(evidence(trip="EMERGENCY STOP PRESSED")).verdict.status is VerdictStatus.UNDETERMINED


def seen(kind: str, text: str, *, mode: str = "unload-path-failed", **more: Any) -> Observation:
    whole = {"time": LATER, "by": "site engineer", "part": "the part", "photo": ("part.jpg",)}
    return Observation(kind=kind, text=text, bears_on=(mode,), **(whole | more))  # type: ignore[arg-type]


def test_confirmed_needs_data_and_an_inspection_that_says_it_shows_the_cause() -> None:
    shows = seen("inspection", "Coil of the unload solenoid measures open circuit", shows="cause")
    assert weigh(evidence(LOADED, observations=(shows,))).verdict.grade is Grade.CONFIRMED
    assert weigh(evidence(observations=(shows,), trip="t")).verdict.status is VerdictStatus.UNDETERMINED


@pytest.mark.parametrize(
    "text",
    [
        "plunger seized, abnormal wear",
        "nitrogen passed the closed seat",
        "screen blocked, no damage elsewhere",
        "serial of the coil unknown",
        "third pole within tolerance, coil open",
        "Spule vermutlich offen",
    ],
)
@pytest.mark.parametrize(("shows", "grade"), [("cause", Grade.CONFIRMED), ("damage", Grade.PROBABLE)])
def test_nothing_is_read_out_of_free_text(text: str, shows: str, grade: Grade) -> None:
    """Whatever the words are, what the engineer says it shows decides."""
    found = weigh(evidence(LOADED, observations=(seen("inspection", text, shows=shows),)))
    assert found.verdict.grade is grade


@pytest.mark.parametrize("lacking", [{"part": ""}, {"by": ""}, {"time": None}, {"photo": ()}])
def test_what_shows_the_cause_confirms_only_with_part_author_time_and_a_photograph_or_document(
    lacking: dict[str, Any],
) -> None:
    found = weigh(evidence(LOADED, observations=(seen("inspection", "seized", shows="cause", **lacking),)))
    assert found.verdict.grade is Grade.PROBABLE
    assert "confirms only with" in str(found.hypothesis("unload-path-failed").capped_by)
    with_paper = seen("inspection", "seized", shows="cause", photo=(), document=("sheet.txt",))
    assert weigh(evidence(LOADED, observations=(with_paper,))).verdict.grade is Grade.CONFIRMED


def test_an_inspection_that_does_not_say_what_it_shows_confirms_nothing_and_says_what_to_add() -> None:
    found = weigh(evidence(LOADED, observations=(seen("inspection", "seized"),)))
    assert found.verdict.grade is Grade.PROBABLE
    assert "add shows" in str(found.hypothesis("unload-path-failed").capped_by)
    assert "add shows" in found.teardown[0].note


def test_a_part_in_order_speaks_against_and_a_contradiction_is_refused() -> None:
    found = weigh(evidence(LOADED, observations=(seen("inspection", "valve, screen and coil", shows="in-order"),)))
    assert found.verdict.status is VerdictStatus.UNDETERMINED
    assert "observation 1" in found.hypothesis("unload-path-failed").against
    for shows, supports in (("cause", False), ("damage", False), ("in-order", True)):
        with pytest.raises(ValidationError, match="say one"):
            seen("inspection", "valve", shows=shows, supports=supports)


@pytest.mark.parametrize(
    ("kind", "text"),
    [
        ("witness", "The coil is open"),
        ("document", "Work order: unload coil open"),
    ],
)
def test_an_opinion_or_a_paper_never_confirms(kind: str, text: str) -> None:
    found = weigh(evidence(LOADED, observations=(seen(kind, text, shows="cause"),)))
    assert found.verdict.mode == "unload-path-failed"
    assert found.verdict.grade is Grade.PROBABLE


def test_an_inspection_against_a_mode_weighs_strongly() -> None:
    denies = seen("inspection", "Valve, screen and coil stripped and measured", supports=False)
    found = weigh(evidence(LOADED, observations=(denies,)))
    assert found.verdict.status is VerdictStatus.UNDETERMINED
    assert "observation 1" in found.hypothesis("unload-path-failed").against


def test_an_insulation_test_confirms_a_winding_fault_and_acid_never_names_one() -> None:
    """IEEE 43: 5 Mohm at 40 degC is the least for random-wound windings; refrigerant-wet ones read lower unharmed."""
    fault = ("electrical.instant_trip", "electrical.ground_fault")
    told = {"time": LATER, "kind": "insulation_resistance", "unit": "Mohm", "by": "x", "instrument": "y", "part": "z"}
    dead = Measurement(value=0.02, **told)  # type: ignore[arg-type]
    assert weigh(evidence(fault, measurements=(dead,), trip="t")).verdict.grade is Grade.CONFIRMED
    bare = Measurement(time=LATER, kind="insulation_resistance", value=0.02, unit="Mohm")
    capped = weigh(evidence(fault, measurements=(bare,), trip="t"))
    assert capped.verdict.grade is Grade.PROBABLE
    assert "part, by" in str(capped.hypothesis("insulation-failure").capped_by)
    wet = Measurement(value=3.0, **told)  # type: ignore[arg-type]
    assert weigh(evidence(fault, measurements=(wet,), trip="t")).verdict.grade is Grade.PROBABLE
    good = Measurement(time=LATER, kind="insulation_resistance", value=900.0, unit="Mohm")
    assert weigh(evidence(fault, measurements=(good,), trip="t")).verdict.grade is not Grade.CONFIRMED
    acid = Measurement(time=LATER, kind="oil_acid_number", value=0.9, unit="mgKOH/g")
    assert weigh(evidence(measurements=(acid,), trip="t")).verdict.status is VerdictStatus.UNDETERMINED


def test_a_measurement_in_another_unit_is_refused() -> None:
    wrong = Measurement(time=LATER, kind="insulation_resistance", value=3000.0, unit="kohm")
    with pytest.raises(InputError, match="read in Mohm"):
        weigh(evidence(measurements=(wrong,)))


def test_the_matrix_holds_every_mode_and_what_could_not_tell() -> None:
    found = weigh(evidence(LOADED, absent=("oil.level_low",)))
    effects = {cell.effect for cell in found.matrix}
    assert effects == {"for", "against", "cannot-tell"}
    assert {cell.mode for cell in found.matrix} == {mode.id for mode in shipped().causes if mode.checks}
    assert all(cell.basis for cell in found.matrix if cell.effect != "cannot-tell")
    assert found.tests_run == len({f.check for f in evidence().findings})


@pytest.mark.parametrize("saved", [False, True])
def test_no_running_test_while_a_loaded_start_is_live_nor_before_the_memory_is_saved(saved: bool) -> None:
    facts = (Fact(what="recorder_memory_saved", value=True, source="log of the visit"),) if saved else ()
    loaded = weigh(evidence(LOADED, absent=(), facts=facts)).next_tests
    assert not any(test.running for test in loaded)
    assert any(test.test.startswith("Save the memory") for test in loaded) is not saved
    hunting = weigh(evidence(["refrigerant.hunting"], absent=(), facts=facts, trip="t")).next_tests
    assert any(test.running for test in hunting) is saved
    assert all(test.changes_evidence for test in hunting if test.running)


def test_a_test_that_an_observation_answers_is_not_proposed_again() -> None:
    open_ = weigh(evidence(LOADED, absent=()))
    assert any("unload solenoid" in test.test for test in open_.next_tests)
    looked = seen("inspection", "taken out", shows="damage", part="Unload solenoid")
    answered = weigh(evidence(LOADED, absent=(), observations=(looked,)))
    assert not any("unload solenoid" in test.test.casefold() for test in answered.next_tests)


def test_every_test_tells_what_it_does_and_has_a_caution_of_its_own() -> None:
    for mode in shipped().causes:
        for test in (*mode.look_alikes, *mode.inspections):
            assert test.caution, test.test
            assert test.changes_evidence or not test.running, test.test
            assert test.changes_evidence or not test.opens, test.test
            assert test.needs_notice or not test.opens, test.test


def test_every_mode_says_in_plain_words_what_it_means() -> None:
    for mode in shipped().by_id.values():
        assert mode.plain.endswith("."), mode.id
        assert not [word for word in ("solenoid", "slide", "superheat", "bypass") if word in mode.plain], mode.id


def test_page_ones_sentence_names_no_id_and_stays_short() -> None:
    for case in (evidence(LOADED), evidence(), evidence(absent=()), evidence(["oil.level_low"], trip="t")):
        plain = weigh(case).verdict.plain
        assert 1 <= plain.count(". ") + plain.endswith(".") <= 3
        assert not [mode.id for mode in shipped().by_id.values() if "-" in mode.id and mode.id in plain]


def test_a_mode_of_what_the_machine_lacks_does_not_apply() -> None:
    without = Machine(refrigerant="R134a", economiser=False)
    found = weigh(evidence(machine=without)).hypothesis("economiser-fault")
    assert found.grade is Grade.EXCLUDED
    assert "does not apply" in found.reason
    assert weigh(evidence()).hypothesis("economiser-fault").grade is Grade.NOT_OBSERVABLE


def test_next_tests_are_non_destructive_first_and_carry_cautions() -> None:
    found = weigh(evidence(LOADED, absent=()))
    order = [test.non_destructive for test in found.next_tests]
    assert order == sorted(order, reverse=True)
    assert False in order
    assert all(test.caution for test in found.next_tests)
    assert all(test.splits for test in found.next_tests)
    assert any("unload-path-failed" in test.splits and len(test.splits) > 1 for test in found.next_tests)


def test_the_teardown_sets_each_thing_against_the_data_both_ways() -> None:
    fits = seen("inspection", "Screen of the unload valve blocked", shows="damage")
    alone = seen("inspection", "Spalled raceway", mode="bearing-or-rotor-damage", shows="damage")
    nothing = Observation(time=LATER, kind="inspection", by="x", text="Paint chipped")
    found = weigh(evidence(LOADED, observations=(fits, alone, nothing)))
    notes = {row.what: row.note for row in found.teardown}
    assert notes["inspection: Screen of the unload valve blocked"] == "has a counterpart in the data"
    assert notes["inspection: Spalled raceway"] == "has no counterpart in the data"
    assert "assigned to no cause" in notes["inspection: Paint chipped"]
    bare = weigh(evidence(LOADED, observations=(nothing,)))
    assert "no physical finding" in {row.what: row.note for row in bare.teardown}["data: unload-path-failed"]


@pytest.mark.parametrize(("value", "cleared"), [("ALARM", False), ("NORMAL", True)])
def test_an_alarm_at_the_failure_that_nothing_explains_keeps_the_machine_from_being_cleared(
    value: str, cleared: bool
) -> None:
    line = LogLine(
        time_ns=FAILURE_NS - 5 * NS,
        point="C2 ALARM",
        value=value,
        text="HIGH LEAVING WATER",
        source="alarms.csv",
        clock="controller",
        row=7,
    )
    status = weigh(evidence(log=(line,))).verdict.status
    assert (status is VerdictStatus.NO_FAULT_FOUND) == cleared


def test_a_line_of_the_usual_day_clears_nothing_and_blames_nothing() -> None:
    line = LogLine(
        time_ns=FAILURE_NS,
        point="C2 RUN",
        value="OFF",
        text="Compressor stopped",
        source="alarms.csv",
        clock="controller",
        row=7,
    )
    assert weigh(evidence(log=(line,))).verdict.status is VerdictStatus.NO_FAULT_FOUND


def test_what_was_absent_only_before_the_fault_began_says_nothing_of_it() -> None:
    """A slide that still loaded yesterday may be stuck today: only then do stuck slide and unload path part."""
    began = {c: finding(c, "present", from_ns=FAILURE_NS - 100 * NS, to_ns=FAILURE_NS) for c in LOADED}
    old = finding("slide.no_response_to_load", "absent", from_ns=FAILURE_NS - 9_000 * NS, to_ns=FAILURE_NS - 8_000 * NS)
    new = finding("slide.no_response_to_load", "absent", from_ns=FAILURE_NS - 9_000 * NS, to_ns=FAILURE_NS - 50 * NS)
    assert weigh(evidence(findings={**began, new.id: new})).verdict.mode == "unload-path-failed"
    found = weigh(evidence(findings={**began, old.id: old}))
    assert found.verdict.status is VerdictStatus.UNDETERMINED
    leaders = {m for m, g in grades(found).items() if g is Grade.POSSIBLE}
    assert leaders == {"unload-path-failed", "slide-stuck"}


def test_a_trace_that_is_filed_under_no_mode_is_listed_and_its_words_are_not_searched() -> None:
    trace = Observation(time=LATER, kind="inspection", by="x", text="Male rotor end: spalled raceway, blue")
    row = weigh(evidence(LOADED, observations=(trace,))).teardown[0]
    assert "assigned to no cause" in row.note
    assert "bearing" not in row.note
    assert row.fits == ()


def test_what_could_not_be_seen_says_what_to_log() -> None:
    blind = weigh(evidence(absent=()))
    rows = {row.mode: row for row in blind.observability}
    assert all(row.observable == "no" for mode, row in rows.items() if mode != "none")
    assert "discharge_pressure every 2 s or faster" in rows["bypass-not-released"].unlocked_by


@pytest.mark.parametrize("value", [2.1, 0.6])
def test_a_sign_about_its_limit_that_its_interval_leaves_open_is_no_proof_but_clears_nothing(value: float) -> None:
    check = "slide.drifts_to_unload"
    told = finding(check, "cannot-tell", value=value, low=-0.1, high=6.4, limit=1.0, above=True)
    found = weigh(evidence(findings={check: told}))
    assert found.verdict.status is VerdictStatus.UNDETERMINED
    assert found.verdict.mode is None
