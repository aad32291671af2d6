"""Letters and signs glued to values: never a unit by one cell; asked for, and no readings until they are explained.

All exports here are invented.
"""

from __future__ import annotations

import numpy as np
import pytest
from intake_reading import values

from forensics.errors import Severity


def column(cells: list[str], header: str = "OilT") -> str:
    return f"Time,{header}\n" + "".join(f"2031-06-15 08:{m:02}:00,{cell}\n" for m, cell in enumerate(cells))


@pytest.mark.parametrize(
    ("role", "header", "cells", "unit"),
    [
        ("oil_temperature", "OilT [°C]", ["50.0", "51.0", "0.0 F", "52.0"], {}),
        ("oil_temperature", "OilT", ["50.0", "51.0", "0.0 F", "52.0"], {"unit": "degC"}),
        ("oil_pressure_difference", "Diff [kPa]", ["120", "121", "62.0 psi", "119"], {}),
        ("oil_pressure_difference", "Diff", ["120", "121", "62.0 psi", "119"], {"unit": "kPa"}),
        ("motor_amps", "Amps", ["118", "119", "0.0*", "117"], {"unit": "A"}),
        ("motor_amps", "Amps", ["118", "119", "0.0!", "117"], {"unit": "A"}),
        ("motor_amps", "Amps", ["118", "119", "0.0 h", "117"], {"unit": "A"}),
    ],
)
def test_a_mark_on_one_cell_is_no_unit_and_no_reading(text, role, header, cells, unit):
    read = text(column(cells, header), [(role, header, unit)])
    found = values(read.samples(role))
    assert np.isnan(found[2])
    assert found[0] == float(cells[0])
    assert found[3] == float(cells[3])
    assert "line 4" in read.said(Severity.POINT)
    assert "[[source.mark]]" in read.said(Severity.POINT)
    assert sum(read.one.accounting.cells_missing.values()) == 1


@pytest.mark.parametrize("word", ["bad", "fault", "(fault)", "?"])
def test_a_word_of_loggers_for_no_reading_needs_no_question(text, word):
    read = text(column(["118", f"0.0 {word}", "117"]), [("motor_amps", "OilT", {"unit": "A"})])
    assert np.isnan(read.samples("motor_amps").v[1])
    assert not read.said()


def test_a_mark_that_the_case_explains(text):
    cells = ["118", "0.0*", "117.5e", "116 x"]
    told = {
        "mark": [
            {"text": "*", "means": "no reading"},
            {"text": "e", "means": "uncertain"},
            {"text": "X", "means": "good"},
        ]
    }
    read = text(column(cells), [("motor_amps", "OilT", {"unit": "A"})], source=told)
    amps = read.samples("motor_amps")
    assert values(amps)[0] == 118.0
    assert np.isnan(amps.v[1])
    assert amps.v[2:].tolist() == [117.5, 116.0]
    assert amps.trusted.v.tolist() == [118.0, 116.0]
    assert not read.said()


def test_a_unit_that_all_cells_carry_is_that_of_the_column(text):
    cells = ["180.5 °F"] * 19 + ["212"]
    found = values(text(column(cells), [("oil_temperature", "OilT")]).samples("oil_temperature"))
    assert found[0] == 82.5
    assert found[-1] == 100.0


def test_units_mixed_by_cell_only_where_each_is_written(text):
    each = ["100 kPa", "14.503774 psi", "101 kPa"]
    point = [("oil_pressure_difference", "OilT")]
    np.testing.assert_allclose(text(column(each), point).samples("oil_pressure_difference").v, [100, 100, 101], 1e-6)
    one_bare = ["100 kPa", "14.503774 psi", "101"]
    assert "oil_pressure_difference" not in text(column(one_bare), point).roles()
    zeros = ["20 psig", "130 kPaa", "21 psig"]
    assert (
        "suction_pressure"
        not in text(column(zeros), [("suction_pressure", "OilT")], machine={"altitude_m": 0.0}).roles()
    )


def test_a_mark_on_most_readings_leaves_the_point_to_the_answer(text):
    read = text(column(["118 x", "119 x", "117"]), [("motor_amps", "OilT", {"unit": "A"})])
    assert not read.roles()
    assert "the point waits for the answer" in read.said(Severity.POINT)


def test_a_long_log_keeps_the_marks_of_each_point_apart(text):
    lines = ["Time,Point,Value"]
    for m in range(20):
        lines += [
            f"2031-06-15 08:{m:02}:00,T1,{50 + m}.0",
            f"2031-06-15 08:{m:02}:00,A1,{'0.0*' if m == 7 else 100 + m}",
        ]
    points = [("oil_temperature", "T1", {"unit": "degC"}), ("motor_amps", "A1", {"unit": "A"})]
    read = text("\n".join(lines) + "\n", points)
    assert np.isfinite(read.samples("oil_temperature").v).all()
    assert np.flatnonzero(~np.isfinite(read.samples("motor_amps").v)).tolist() == [7]
