"""Counts of the study against counts by hand on invented answers."""

from __future__ import annotations

import pytest

from forensics.study import measure
from forensics.study.answers import outcome, true_mode_excluded

from .made import FAST, SLOW, answers, case, machine

HEAD, SUCTION = "high-head", "low-suction"


@pytest.mark.parametrize(
    ("truth", "status", "mode", "also", "expected"),
    [
        ((HEAD,), "determined", HEAD, [], "right"),
        ((HEAD,), "determined", SUCTION, [], "wrong"),
        ((HEAD,), "determined", HEAD, [SUCTION], "wrong"),
        ((HEAD, SUCTION), "determined", SUCTION, [HEAD], "right"),
        ((HEAD, SUCTION), "determined", SUCTION, [], "right"),
        ((HEAD,), "undetermined", None, [], "cautious"),
        (("none",), "undetermined", None, [], "cautious"),
        (("none",), "no-fault-found", None, [], "right"),
        (("none",), "determined", HEAD, [], "wrong"),
        ((HEAD,), "no-fault-found", None, [], "wrong"),
    ],
)
def test_what_is_right(truth: tuple[str, ...], status: str, mode: str | None, also: list[str], expected: str) -> None:
    assert outcome(truth, {"status": status, "mode": mode, "also": also}) == expected


def test_verdicts_are_counted_by_hand() -> None:
    found = answers(
        machine(0, HEAD, cases=[case("determined", HEAD), case("determined", SUCTION, band=SLOW)]),
        machine(1, cases=[case("no-fault-found"), case(failed="ValueError: x", band=SLOW)]),
        machine(2, HEAD, cases=[case(), case("no-fault-found", band=SLOW)]),
    )
    (row,) = measure.by_verdict(found).to_dict("records")
    assert {k: row[k] for k in ("cases", "machines", "right", "cautious", "wrong", "cleared_faulty", "not_judged")} == {
        "cases": 6, "machines": 3, "right": 2, "cautious": 1, "wrong": 2, "cleared_faulty": 1, "not_judged": 1,
    }  # fmt: skip
    by_band = measure.by_verdict(found, ["band"]).set_index("band")
    assert by_band.loc[FAST, ["right", "cautious", "wrong"]].tolist() == [2, 1, 0]
    assert by_band.loc[SLOW, ["right", "cautious", "wrong", "not_judged"]].tolist() == [0, 0, 2, 1]


def test_a_grade_is_bounded_by_machines_and_not_by_records() -> None:
    many = answers(*(machine(n, HEAD, cases=[case("determined", HEAD), case("determined", HEAD)]) for n in range(59)))
    found = measure.by_grade(many).set_index("grade")
    assert found.loc["probable", ["right", "of", "machines"]].tolist() == [118, 118, 59]
    assert found.loc["probable", "low"] == pytest.approx(0.05 ** (1 / 59))
    assert found.loc["no-fault-found", "of"] == 0


def test_sound_machines_are_a_grade_of_their_own() -> None:
    found = answers(
        machine(0, cases=[case("no-fault-found")]),
        machine(1, HEAD, cases=[case("no-fault-found")]),
    )
    row = measure.by_grade(found).set_index("grade").loc["no-fault-found"]
    assert (row["right"], row["of"]) == (1, 2)


def test_confusion_leaves_two_faults_out_and_two_faults_are_counted_apart() -> None:
    found = answers(
        machine(0, HEAD, cases=[case("determined", SUCTION), case()]),
        machine(1, HEAD, SUCTION, cases=[case("determined", HEAD, also=[SUCTION]), case("determined", HEAD)]),
        machine(2, HEAD, SUCTION, cases=[case("determined", "slide-stuck"), case()]),
    )
    assert measure.confusion(found).to_dict("index") == {HEAD: {SUCTION: 1, "undetermined": 1}}
    (row,) = measure.two_faults(found).to_dict("records")
    assert row == {"cases": 4, "both": 1, "one": 1, "none": 2, "another": 1}


def test_sensitivity_is_of_those_that_could_tell_and_false_alarms_of_those_without_the_sign() -> None:
    check = measure.signs()[HEAD][0]
    other = next(mode for mode, checks in measure.signs().items() if check not in checks)
    found = answers(
        machine(0, HEAD, cases=[case(findings=[(check, "present"), (check, "absent")])]),
        machine(1, HEAD, cases=[case(findings=[(check, "absent"), (check, "absent")])]),
        machine(2, HEAD, cases=[case(findings=[(check, "absent"), (check, "cannot-tell")])]),
        machine(3, cases=[case(findings=[(check, "present")])]),
        machine(4, other, cases=[case(findings=[(check, "absent")])]),
        machine(5, HEAD, other, cases=[case(findings=[(check, "present")])]),
    )
    table = measure.by_check(found)
    row = table[(table["check"] == check) & (table["mode"] == HEAD)].to_dict("records")[0]
    assert (row["found"], row["found_of"], row["found_blind"]) == (1, 2, 1)
    assert (row["false"], row["false_of"]) == (1, 2)
    assert (row["healthy"], row["healthy_of"]) == (1, 1)
    assert row["band"] == FAST


def test_decibans_are_pooled_without_sound_machines_and_the_unlisted_cause() -> None:
    db = {HEAD: 10.0, SUCTION: -10.0, "none": 0.0, "unlisted": 3.0}
    found = answers(machine(0, HEAD, cases=[case(db=db)]))
    true, false = measure.decibans(found.hypotheses)
    assert (true.tolist(), false.tolist()) == ([10.0], [-10.0])
    (row,) = measure.by_evidence(found).to_dict("records")
    assert row["scored"] == 1
    # 10 dB against -10, 0 and 3 dB: 10 / (10 + 0.1 + 1 + 1.995)
    assert row["log_score"] == pytest.approx(0.389, abs=0.001)


def test_a_sound_machine_is_scored_at_nought_decibans() -> None:
    (row,) = measure.by_evidence(
        answers(
            machine(0, cases=[case(db={HEAD: 0.0, "none": 0.0})]),
            machine(1, HEAD, cases=[case(db={HEAD: 0.0, "none": 0.0})]),
        )
    ).to_dict("records")
    assert row["cllr"] == pytest.approx(1.0)
    assert row["log_score"] == pytest.approx(1.0)


def test_a_true_mode_that_was_excluded_is_listed() -> None:
    made = case(db={HEAD: -20.0})
    made["hypotheses"][HEAD][0] = "excluded"
    assert true_mode_excluded(answers(machine(0, HEAD, cases=[made])))["mode"].tolist() == [HEAD]


def test_halves_are_kept_apart() -> None:
    found = answers(machine(0, HEAD, cases=[case()], half="A"), machine(1, HEAD, cases=[case(), case()]))
    assert len(found.half("A").cases) == 1
    assert len(found.half("B").cases) == 2


def test_what_could_be_told_is_shared_out_by_build_and_family() -> None:
    found = answers(machine(0, cases=[case(findings=[("heat.a", "absent"), ("heat.b", "cannot-tell")])]))
    assert measure.by_build_and_family(found).loc["pulsed-bypass"].to_dict() == {"heat": 0.5, "cases": 1}
