"""Starting duty beside starts an hour: told with its source, never deciding; rows as lenient as what is known."""

from __future__ import annotations

import numpy as np
import pytest
from pydantic import ValidationError

from forensics.case.schema import Machine
from forensics.model.record import Record
from forensics.model.vocabulary import Outcome, Role
from forensics.rules.start_duty import DutyTable, read_start_duty
from forensics.signatures.core.catalogue import detectors_of
from forensics.signatures.starts.duty import duty_words, poles, shaft_rating_kw
from signatures.machine import Cycle, Drawn, draw, healthy, machine, subject_of

DETECTORS = detectors_of("starts")

TABLE = read_start_duty().table


def busy() -> Record:
    return draw(Drawn([Cycle(300.0 + 480.0 * i, 600.0 + 480.0 * i) for i in range(12)], 6400.0))


@pytest.mark.parametrize(
    ("horsepower", "known", "expected"),
    [
        (130.0, None, (100.0, 5.2)),
        (130.0, 4, (100.0, 5.2)),
        (130.0, 2, (100.0, 2.6)),
        (100.0, 2, (100.0, 2.6)),
        (260.0, None, (250.0, 3.7)),
        (20.0, None, None),
        (30.0, 2, None),
        (400.0, None, None),
    ],
)
def test_the_lenient_row(horsepower: float, known: int | None, expected: tuple[float, float] | None) -> None:
    row = TABLE.lenient_row(horsepower, known)
    assert (None if row is None else (row.horsepower, row.starts_per_hour)) == expected


def test_unknown_poles_never_allow_less_than_known_ones() -> None:
    for horsepower in (50.0, 75.0, 150.0, 249.0):
        unknown, two = TABLE.lenient_row(horsepower, None), TABLE.lenient_row(horsepower, 2)
        assert unknown is not None
        assert two is not None
        assert unknown.starts_per_hour > two.starts_per_hour


@pytest.mark.parametrize("rows", [[[25, 8, 1, 58], [25, 7, 1, 70]], [[25, 8, 1, 58], [50, 9, 1, 70]], [[25, 8, 1]]])
def test_rows_out_of_order_are_refused(rows: list[list[float]]) -> None:
    with pytest.raises((ValidationError, ValueError)):
        DutyTable.model_validate({"source": "x", "caveat": "y", "poles_4": rows, "poles_2": []})


def test_two_hundred_amps_at_460_volts() -> None:
    subject = subject_of(busy(), machine(supply_volts=460.0, no_load_amps=66.0))
    usual = subject_of(busy(), machine(supply_volts=460.0))
    assert shaft_rating_kw(subject) == pytest.approx(shaft_rating_kw(usual), rel=0.03)
    assert shaft_rating_kw(subject_of(busy(), machine())) is None


def test_the_duty_is_told_and_decides_nothing() -> None:
    for record in (busy(), draw(healthy(4))):
        (plain,) = DETECTORS["starts.too_frequent"](subject_of(record, Machine(refrigerant="R134a")))
        (told,) = DETECTORS["starts.too_frequent"](subject_of(record, machine(supply_volts=460.0)))
        assert told.outcome is plain.outcome
        assert "NEMA MG 10" in told.basis
        assert "deciding nothing" in told.basis
        assert "limited inertia" in told.basis
        assert "the poles are not known" in told.statement
        assert "NEMA MG 10" not in plain.basis
        assert "2 starts in succession from cold and 1 when hot" in plain.statement


def test_rests_are_counted_against_the_row() -> None:
    subject = subject_of(busy(), machine(supply_volts=460.0))
    words, _ = duty_words(subject, list(subject.starts))
    # a rest of 180 s each; a motor from 150 hp is held to 160 s
    assert "held to 4.5 starts an hour with rests of 160 s; 0 of 11 rests were shorter" in words
    (finding,) = DETECTORS["starts.too_frequent"](subject)
    assert finding.outcome is Outcome.PRESENT


@pytest.mark.parametrize(("rpm", "count"), [(3550.0, 2), (1780.0, 4), (2950.0, None), (3600.0, None)])
def test_poles_only_where_the_speed_tells(rpm: float, count: int | None) -> None:
    record = draw(Drawn([Cycle(300.0, 600.0)], 900.0, speed=True))
    speed = record.samples[Role.SHAFT_SPEED][0]
    object.__setattr__(speed, "v", np.where(speed.v > 1000.0, rpm, 0.0))
    assert poles(subject_of(record, machine(supply_hertz=60.0))) == count
    assert poles(subject_of(record, machine())) is None
    assert poles(subject_of(draw(healthy(1)), machine(supply_hertz=60.0))) is None
