"""Exports whose cells, headers and ends go quietly wrong: the right values, or the right question.

The inputs and right values were invented for this project.
"""

from __future__ import annotations

import datetime

import numpy as np
import pytest
from intake_reading import utc, values

from forensics.errors import Severity
from forensics.model.points import OFF, ON, UNKNOWN
from forensics.model.vocabulary import Quality

AMPS = ("motor_amps", "CH2 Comp Amps", {"unit": "A"})
OIL = ("oil_pressure_difference", "CH2 OilP kPa")
LOAD = ("load_solenoid", "CH2 LoadSol")


def test_decimal_comma_and_dot_thousands_are_decided_for_the_whole_file(messy):
    read = messy(
        "21", "ch2_eu.csv",
        [
            ("motor_amps", "CH2 Strom (A)"),
            ("oil_pressure_difference", "CH2 Öldruck (kPa)"),
            ("run_hours", "CH2 Laufzeit (h)"),
        ],
    )  # fmt: skip
    assert values(read.samples("motor_amps")) == [118.5, 119.0, 0.0]
    assert values(read.samples("oil_pressure_difference")) == [1234.0, 987.0, 1012.0]
    assert values(read.samples("run_hours")) == [12345.50, 12345.52, 12345.53]
    assert utc(read.samples("motor_amps")) == [f"2024-06-15T08:3{i}:00" for i in range(3)]
    assert "comma; decided by line 2 (118,5)" in read.detected("decimal mark")


def test_a_mark_that_may_be_either_is_asked_for(messy):
    read = messy("22", "ch2_marks.csv", [("oil_pressure_difference", "CH2 OilP")])
    said = read.said(Severity.POINT)
    assert "column 'CH2 OilP'" in said
    assert "'1,234' (line 2) may be 1234 or 1.234" in said
    assert "exactly three digits after the comma and no unit is given" in said
    assert "Give decimal=',' or thousands=','" in said
    assert not read.roles()
    assert read.one.accounting.rows_kept == 3


@pytest.mark.parametrize(
    ("hint", "wanted"), [({"thousands": ","}, [1234.0, 1240.0, 1251.0]), ({"decimal": ","}, [1.234, 1.240, 1.251])]
)
def test_the_answer_to_the_mark_is_followed(messy, hint, wanted):
    read = messy("22", "ch2_marks.csv", [("oil_pressure_difference", "CH2 OilP", {"unit": "kPa"})], source=hint)
    assert values(read.samples("oil_pressure_difference")) == wanted


def test_a_units_row_gives_the_units_and_no_data(messy):
    points = [
        ("oil_pressure_difference", "CH2 DischP"),
        ("oil_pressure_difference", "CH2 OilP"),
        ("discharge_temperature", "CH2 DischT"),
    ]
    read = messy("23", "ch2_units.csv", points)
    assert read.one.accounting.rows_kept == 3
    differences = [s for s in read.one.samples if s.role.value == "oil_pressure_difference"]
    assert values(differences[0]) == [1250.0, 1248.0, 1260.0]
    assert values(differences[1]) == [510.0, 505.0, 120.0]
    assert values(read.samples("discharge_temperature")) == [82.5, 84.0, 100.0]
    assert differences[0].row.tolist() == [3, 4, 5]


def test_units_row_pressures_of_unstated_datum_are_asked_for(messy):
    read = messy("23", "ch2_units.csv", [("discharge_pressure", "CH2 DischP"), ("discharge_temperature", "CH2 DischT")])
    assert read.roles() == {"discharge_temperature"}
    assert "column 'CH2 DischP': 'kPa' (units row): gauge or absolute?" in read.said(Severity.POINT)


def test_state_words_and_numbers_of_one_point(messy):
    asked = messy("25", "ch2_states.csv", [LOAD])
    assert "line 11 column 'CH2 LoadSol': what does 'Hand' mean (on, off, unknown)?" in asked.said(Severity.POINT)
    assert not asked.roles()
    switch = messy("25", "ch2_states.csv", [(*LOAD, {"unknown": ["Hand"]})]).switch("load_solenoid")
    assert switch.state.tolist() == [1, 0, 1, 0, 1, 0, 1, 1, 0, -1]
    stamps = [str(np.datetime64(edge.latest_ns, "ns"))[11:19] for edge in switch.edges if edge.to == ON]
    assert stamps == ["08:30:20", "08:30:40", "08:31:00"]
    stamps = [str(np.datetime64(edge.latest_ns, "ns"))[11:19] for edge in switch.edges if edge.to == OFF]
    assert stamps == ["08:30:10", "08:30:30", "08:30:50", "08:31:20"]


def test_unavailable_is_unknown_never_off(messy):
    read = messy("26", "ch2_unavail.csv", [AMPS, LOAD])
    switch = read.switch("load_solenoid")
    assert [edge.to for edge in switch.edges] == [OFF]
    assert utc(switch)[-1] == "2024-06-15T10:30:00"
    assert sum(span.seconds for span in switch.on_spans) == 29 * 60
    start = int(switch.t[0])
    assert switch.at(start + 5 * 60 * 10**9 + 1) == UNKNOWN
    amps = read.samples("motor_amps")
    assert np.isnan(amps.v[1])
    assert values(amps.usable) == [118.0, 117.0]
    assert read.one.accounting.rows_kept == 7
    assert read.one.accounting.cells_missing == {"#FAULT": 1, "Unavailable": 1}
    # a lost reading ends what a change log holds
    assert amps.before(int(amps.t[1]) + 10**9) is None


def test_every_sort_of_no_reading_is_missing_with_its_reason(messy):
    read = messy("27", "ch2_sentinel.csv", [(*OIL, {"range": [0, 2000]})])
    oil = read.samples("oil_pressure_difference")
    assert values(oil.usable) == [410.0, 412.0, 409.0]
    assert round(float(oil.usable.v.mean()), 3) == 410.333
    missing = read.one.accounting.cells_missing
    assert missing == {"#N/A": 1, "---": 1, "Bad": 1, "NaN": 1, "Null": 1, "empty": 1, "outside range": 2}
    flagged = oil.row[(oil.q & int(Quality.MISSING | Quality.OUT_OF_RANGE)) != 0]
    assert flagged.tolist() == [3, 5, 6, 7, 8, 9, 10, 11]
    assert "outside range = [0, 2000]" in read.notes()
    assert read.one.accounting.rows_kept == 11


def test_a_number_for_no_reading_is_known_without_a_range_by_standing_apart(messy):
    oil = messy("27", "ch2_sentinel.csv", [OIL]).samples("oil_pressure_difference")
    assert values(oil.usable) == [410.0, 412.0, 409.0]


def test_a_listed_number_among_its_like_is_a_reading(text):
    rows = "\n".join(f"2024-06-15 08:{i:02d},{9990 + i}" for i in range(20))
    read = text(f"Time,Starts\n{rows}\n", [("start_count", "Starts")])
    assert values(read.samples("start_count"))[9] == 9999.0


def test_notes_above_and_a_footer_below_the_table(messy):
    read = messy("31", "ch2_report.csv", [AMPS, OIL, LOAD])
    accounting = read.one.accounting
    assert accounting.rows_kept == 6
    assert accounting.set_aside == {"blank line": 1, "footer": 2}
    assert [(row.row, row.text) for row in accounting.listed if row.reason == "footer"] == [
        (15, "End of report,,,"),
        (16, "Records: 10"),
    ]
    assert read.samples("motor_amps").row.tolist() == [8, 9, 10, 11, 12, 13]
    said = read.said(Severity.NOTE)
    assert "the footer says 10 records, 6 were read" in said
    assert "the notes say the range ends 08:39, the last stamp is 08:35" in said
    assert "The export may be incomplete." in said


@pytest.mark.parametrize(("file", "lines"), [("ch2_trail.csv", "lines 2-4"), ("ch2_trail_first_only.csv", "lines 2 ")])
def test_an_extra_empty_field_shifts_nothing(messy, file, lines):
    read = messy("32", file, [AMPS, OIL])
    assert values(read.samples("motor_amps")) == [118.0, 119.0, 0.0]
    assert values(read.samples("oil_pressure_difference")) == [410.0, 412.0, 15.0]
    assert f"an extra empty field at the end of {lines}" in read.notes()


def test_an_extra_field_that_is_not_empty_sets_its_row_aside(text):
    read = text(
        "Time,Amps\n2024-06-15 08:30,1,\n2024-06-15 08:31,2,9\n2024-06-15 08:32,3,\n",
        [("motor_amps", "Amps", {"unit": "A"})],
    )
    assert values(read.samples("motor_amps")) == [1.0, 3.0]
    assert read.one.accounting.set_aside == {"wrong number of fields": 1}


def test_nul_bytes_at_the_end_are_a_cut_record(messy):
    read = messy("35", "ch2_nul.csv", [AMPS])
    assert values(read.samples("motor_amps")) == [118.0, 119.0]
    aside = read.one.accounting.listed
    assert [(row.row, row.reason) for row in aside] == [(4, "NUL bytes")]
    assert aside[0].text.startswith("2024-06-15 08:3")
    said = read.said(Severity.NOTE)
    assert "4096 NUL bytes" in said
    assert "Last whole record 2024-06-15T08:31:00Z" in said


def test_utf16_with_tabs(messy):
    read = messy("36", "ch2_unicode.csv", [("oil_pressure_difference", "CH2 Öldruck kPa"), LOAD])
    assert values(read.samples("oil_pressure_difference")) == [410.0, 411.0]
    assert read.switch("load_solenoid").state.tolist() == [1, 0]
    assert "tab" in read.detected("delimiter")
    assert "UTF-16 LE" in read.detected("encoding")


@pytest.mark.parametrize("file", ["ch2_1252.csv", "ch2_mojibake.csv"])
def test_a_degree_sign_that_went_wrong_keeps_its_unit(messy, file):
    read = messy("37", file, [("discharge_temperature", "CH2 DischT (°F)"), ("suction_temperature", "CH2 SuctT (°C)")])
    assert values(read.samples("discharge_temperature")) == [100.0]
    assert values(read.samples("suction_temperature")) == [7.0]
    stated = read.detected("encoding") + read.detected("text repaired")
    assert ("cp1252" in stated) or ("encoded twice" in stated)


def test_a_header_unit_that_is_not_known_is_named_never_dropped(text):
    read = text("Time,DischT (°Q)\n2024-06-15 08:30,212\n", [("discharge_temperature", "DischT (°Q)")])
    assert "the unit '°Q'" in read.said(Severity.POINT)
    assert not read.roles()


def test_two_columns_of_one_name_are_asked_for_and_named_by_place(messy):
    read = messy("39", "ch2_dup.csv", [("motor_amps", "Comp Amps", {"unit": "A"}), LOAD])
    assert read.roles() == {"load_solenoid"}
    said = read.said(Severity.POINT)
    assert "columns 3 and 5 have the same name 'Comp Amps' and different values. Which machine is each?" in said
    both = [("motor_amps", "Comp Amps [col 3]", {"unit": "A"}), ("amps_a", "Comp Amps [col 5]", {"unit": "A"})]
    read = messy("39", "ch2_dup.csv", both)
    assert values(read.samples("motor_amps")) == [118.0, 131.0, 0.0]
    assert values(read.samples("amps_a")) == [96.0, 95.0, 97.0]


def test_a_file_cut_at_the_row_limit_of_a_sheet_says_so(messy):
    failure = datetime.datetime(2024, 6, 15, 8, 35)
    read = messy("42", "ch2_long.csv.gz", [AMPS], case={"failure": failure})
    amps = read.samples("motor_amps")
    assert len(amps) == 65_535
    assert utc(amps)[0] == "2024-06-01T00:00:00"
    assert utc(amps)[-1] == "2024-06-08T14:02:20"
    assert (np.diff(amps.t) == 10 * 10**9).all()
    said = read.said(Severity.NOTE)
    assert "exactly 65,536 lines, the row limit" in said
    assert "2024-06-15T08:35:00Z is after the last record" in said


def test_empty_exports_are_named_and_do_not_stop_the_others(messy, text):
    read = messy("44", ["ch2_zero.csv", "ch2_blank.csv", "ch2_header_only.csv"], [AMPS])
    said = read.said()
    assert "ch2_zero.csv: the file is empty (0 bytes)." in said
    assert "ch2_blank.csv: only blank lines (2)." in said
    assert "ch2_header_only.csv: header at line 1 (Time, CH2 Comp Amps), no data rows." in said
    assert not read.problems.of(Severity.STOP)
    assert len(read.readings) == 3


GRID = [f"2024-06-15T10:{minute:02d}" for minute in (0, 10, 20, 30, 40, 50)]


def grid_ns() -> np.ndarray:
    return np.array(GRID, "datetime64[ns]").astype(np.int64)


HOLD = {"recorded": "change", "hold": "15min"}


def test_a_change_log_with_its_communication_record(messy):
    points = [(*OIL, HOLD), (*LOAD, HOLD), ("communication", "CH2 Comm", {"recorded": "change"})]
    read = messy("45", "ch2_cov_comm.csv", points)
    switch, oil = read.switch("load_solenoid"), read.samples("oil_pressure_difference")
    assert [switch.at(int(t)) for t in grid_ns()] == [ON, OFF, UNKNOWN, UNKNOWN, UNKNOWN, ON]
    assert [None if np.isnan(v) else float(v) for v in oil.at(grid_ns())] == [None, 410.0, None, None, None, 350.0]
    assert oil.before(int(grid_ns()[1])).age_s == 480.0
    assert oil.before(int(grid_ns()[5])).age_s == 534.0
    off = [s.seconds for s in switch.covered]
    on = [s.seconds for s in switch.on_spans]
    assert sum(off) - sum(on) == 270.0


def test_a_change_log_with_its_hold_limit_only(messy):
    read = messy("45", "ch2_cov_nocomm.csv", [(*OIL, HOLD), (*LOAD, HOLD)])
    switch, oil = read.switch("load_solenoid"), read.samples("oil_pressure_difference")
    assert [switch.at(int(t)) for t in grid_ns()] == [ON, OFF, OFF, UNKNOWN, UNKNOWN, ON]
    assert [None if np.isnan(v) else float(v) for v in oil.at(grid_ns())] == [None, 410.0, None, None, None, 350.0]
    assert sum(s.seconds for s in switch.covered) - sum(s.seconds for s in switch.on_spans) == 900.0


def test_a_pressure_that_does_not_move_at_a_stop_is_stuck_kept_and_said(messy):
    read = messy("47", "ch2_stuck.csv", [AMPS, ("oil_pressure", "CH2 OilP psig")], machine={"altitude_m": 0.0})
    oil = read.samples("oil_pressure")
    assert ((oil.q & int(Quality.STUCK)) != 0).all()
    assert len(oil.usable) == 12
    assert (
        "constant for 12 readings (08:30Z-08:41Z) while the machine stopped at 08:39Z (amps 0 to 131)" in read.notes()
    )


def test_a_flat_change_log_is_not_stuck(messy):
    read = messy("47", "ch2_cov_flat.csv", [("oil_pressure", "CH2 OilP psig")], machine={"altitude_m": 0.0})
    oil = read.samples("oil_pressure")
    assert len(oil) == 3
    assert not (oil.q & int(Quality.STUCK)).any()


def test_whole_texts_of_an_event_list_name_point_and_state(messy):
    points = [
        ("load_solenoid", "Event", {"on": ["CH2 LoadSol On"], "off": ["CH2 LoadSol Off"]}),
        ("trip", "Event", {"on": ["CH2 Motor Trip"]}),
    ]
    read = messy("49", "ch2_events.csv", points, source={"text_column": "Event"})
    edges = read.switch("load_solenoid").edges
    assert [(str(np.datetime64(e.latest_ns, "ns"))[11:19], e.to, e.row) for e in edges] == [
        ("08:30:04", OFF, 2),
        ("08:40:00", ON, 4),
    ]
    assert [e.to for e in read.switch("trip").edges] == [ON]
    assert [line.text for line in read.one.log] == ["CH2 LoadSol Off", "CH2 Motor Trip", "CH2 LoadSol On"]


def test_markup_in_names_is_text(messy):
    read = messy("60", "ch2_names.csv")
    assert read.one.log[0].point == "CH2 LoadSol</script><script>document.title='X'</script>"
    assert read.one.log[2].point == 'CH2 <a href="https://example.invalid/">Trip</a>'


def test_a_plain_psi_is_asked_gauge_or_absolute(messy):
    points = [("suction_pressure", "CH2 SuctP psi"), ("suction_temperature", "CH2 SuctT C")]
    read = messy("71", "ch2_suct.csv", points)
    assert "column 'CH2 SuctP psi'" in read.said(Severity.POINT)
    assert "gauge or absolute?" in read.said(Severity.POINT)
    assert "101.325 kPa assumed only if you say so" in read.said(Severity.POINT)
    assert read.roles() == {"suction_temperature"}


@pytest.mark.parametrize(
    ("unit", "machine", "kpa"),
    [
        ("psia", {}, 206.843),
        ("psig", {"air_pressure_kpa": 101.325}, 308.168),
        ("psig", {"air_pressure_kpa": 83.5}, 290.343),
    ],
)
def test_the_answer_to_the_datum_is_followed(messy, unit, machine, kpa):
    read = messy("71", "ch2_suct.csv", [("suction_pressure", "CH2 SuctP psi", {"unit": unit})], machine=machine)
    assert values(read.samples("suction_pressure"))[0] == pytest.approx(kpa, abs=5e-4)


def test_an_absolute_unit_in_the_header_settles_the_datum(messy):
    read = messy("72", "ch2_r407c.csv", [("suction_pressure", "CH2 SuctP kPa abs")])
    assert values(read.samples("suction_pressure")) == [500.0, 500.0]
