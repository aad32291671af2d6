"""Drafting a case file: what is suggested, what is asked, and that the draft is read as a case file is.

Names of points in four languages: common practice, no published source. The twelve shared incidents give, for each
bound column, the role that the column really has.
"""

from __future__ import annotations

import tomllib
from collections import Counter, defaultdict
from pathlib import Path

import pytest

from forensics.case.read import check_case
from forensics.errors import InputError, Problems
from forensics.intake.draft.draft import draft_case
from forensics.intake.draft.suggest import is_clear, read_aliases, shared_words, suggest
from forensics.intake.read import read_sources
from forensics.model.units import fits, read_unit
from forensics.model.vocabulary import Role, is_switch

MESSY = Path(__file__).parent / "messy"
SWITCHES = frozenset(role for role in Role if is_switch(role))
MEASURED = frozenset(role for role in Role if not is_switch(role))

TREND = """Time,C2 Suction Pressure (psig),C2 Oil Press [kPa],C2 Unloader Sol,C2 Motor Amps,Lobby CO2
2031-03-14 05:10:00,31.5,410,Off,118.0,600
2031-03-14 05:10:10,31.4,409,Off,118.5,601
2031-03-14 05:10:20,31.3,408,On,119.0,600
"""


def one(name: str, allowed: frozenset[Role] = MEASURED) -> str:
    found = suggest(name, allowed)
    return found[0].role.value if is_clear(found) else ""


@pytest.mark.parametrize(
    ("name", "role"),
    [
        ("Saugdruck", "suction_pressure"),
        ("Öldruck nach Filter", "oil_pressure"),
        ("Druckgastemperatur", "discharge_temperature"),
        ("Pression de refoulement", "discharge_pressure"),
        ("Température huile", "oil_temperature"),
        ("Corriente del motor", "motor_amps"),
        ("Presión de aceite", "oil_pressure"),
        ("Dsch Temp", "discharge_temperature"),
        ("EvapPress", "suction_pressure"),
        ("Oil DP", "oil_pressure_difference"),
        ("Phase B Current", "amps_b"),
        ("VLT.L2-L3", "volts_bc"),
        ("CHWST", "chilled_water_leaving"),
        ("Total Run Hours", "run_hours"),
    ],
)
def test_names_suggest_their_role(name: str, role: str):
    assert one(name) == role


@pytest.mark.parametrize(
    ("name", "role"),
    [
        ("Électrovanne de charge", "load_solenoid"),
        ("Magnetventil Entlasten", "unload_solenoid"),
        ("Comp Run Status", "run_status"),
        ("Sammelstörung", "trip"),
    ],
)
def test_names_of_switches_suggest_their_role(name: str, role: str):
    assert one(name, SWITCHES) == role


@pytest.mark.parametrize(
    "name", ["Lobby CO2", "Supply Air Temp", "Oil Filter DP", "Condenser Approach", "Discharge", "Room Temperature", ""]
)
def test_names_of_other_points_suggest_nothing(name: str):
    assert one(name) == ""


def test_an_alarm_is_not_a_trip():
    assert one("Common Alarm", SWITCHES) == ""


def test_alias_table_names_every_role_and_no_role_twice_alike():
    by_phrase = defaultdict(set)
    for role, phrase in read_aliases().phrases:
        by_phrase[phrase].add(role)
    assert {role for role, _ in read_aliases().phrases} == set(Role)
    assert [phrase for phrase, roles in by_phrase.items() if len(roles) > 1] == []


def test_suggestions_on_the_shared_incidents(shared: Path):
    outcome: Counter[str] = Counter()
    for file in sorted((shared / "incidents" / "cases").glob("*/case.toml")):
        by_source = defaultdict(list)
        for point in tomllib.loads(file.read_text(encoding="utf-8"))["point"]:
            by_source[point.get("source", "")].append(point)
        for points in by_source.values():
            tags = shared_words([point["column"] for point in points])
            for point in points:
                unit = read_unit(point.get("unit", ""))
                allowed = SWITCHES if unit is None else frozenset(role for role in MEASURED if fits(unit, role))
                found = suggest(point["column"], allowed, *tags)
                right = is_clear(found) and found[0].role.value == point["role"]
                outcome["right" if right else "wrong" if is_clear(found) else "none"] += 1
    assert outcome["wrong"] == 0
    assert outcome["right"] >= 0.95 * outcome.total()


# --- the draft ----------------------------------------------------------------------------------------------------


def draft(folder: Path, **files: str) -> tuple[str, dict]:
    paths = []
    for name, text in files.items():
        path = folder / name.replace("_", ".")
        path.write_text(text, encoding="utf-8")
        paths.append(path)
    text = draft_case(paths, folder / "case.toml")
    return text, tomllib.loads(text)


def test_draft_is_a_case_file_that_reads_its_sources(tmp_path: Path):
    text, data = draft(tmp_path, trend_csv=TREND)
    case = check_case(data)
    bound = {point.column: point.role.value for point in case.point}
    assert bound == {
        "C2 Suction Pressure (psig)": "suction_pressure",
        "C2 Oil Press [kPa]": "oil_pressure",
        "C2 Unloader Sol": "unload_solenoid",
        "C2 Motor Amps": "motor_amps",
    }
    assert data["source"][0]["time_column"] == "Time"
    assert next(p for p in data["point"] if p["role"] == "suction_pressure")["unit"] == "psig"
    problems = Problems()
    (reading,) = read_sources(case, tmp_path, None, problems)
    assert reading.accounting.rows_kept == 3
    assert {switch.role.value for switch in reading.switches} == {"unload_solenoid"}
    assert 'column = "Lobby CO2"; cells: 600, 601' in text


def test_draft_asks_what_the_case_would_be_stopped_with(tmp_path: Path):
    text, _ = draft(tmp_path, trend_csv=TREND)
    questions = [line for line in text.splitlines() if line.startswith("# QUESTION: ")]
    assert any("IANA" in line for line in questions)
    assert any("gauge or absolute" in line and "kPag" in line for line in questions)
    assert any("refrigerant" in line for line in questions)
    assert any("height of the site" in line for line in questions)


def test_draft_of_an_export_whose_dates_are_open_says_both_readings(tmp_path: Path):
    rows = TREND.replace("2031-03-14", "03/04/2031")
    text, data = draft(tmp_path, trend_csv=rows)
    (question,) = [line for line in text.splitlines() if "day/month/year and month/day/year" in line]
    assert question.startswith("# QUESTION: ")
    assert "date_order" not in data["source"][0]
    assert len(data["point"]) == 4


def test_failure_placeholder_is_the_last_stamp_unless_a_trip_is_bound(tmp_path: Path):
    _, data = draft(tmp_path, trend_csv=TREND)
    assert data["case"]["failure"].isoformat() == "2031-03-14T05:10:20+00:00"
    trips = "Time,Point,State,Text\n2031-03-14 05:10:00,C2 TRIP,NORMAL,\n2031-03-14 05:10:20,C2 TRIP,ALARM,High head\n"
    _, data = draft(tmp_path, trend_csv=TREND, alarms_csv=trips)
    assert "failure" not in data["case"]
    assert [p["role"] for p in data["point"] if p["source"] == "alarms.csv"] == ["trip"]
    assert data["source"][1]["kind"] == "events"


def test_hostile_names_and_paths_stay_text(tmp_path: Path):
    nasty = TREND.replace("C2 Motor Amps", 'C2 Motor Amps " \\ ]] = \u2028').replace(
        "Lobby CO2", "Oops\x07\x7f [[point]]"
    )
    text, data = draft(tmp_path, trend_csv=nasty)
    assert check_case(data)
    assert any(point["role"] == "motor_amps" for point in data["point"])
    assert not any("Oops" in point["column"] for point in data["point"])
    assert "\x07" not in text


def test_unreadable_and_missing_exports(tmp_path: Path):
    text, data = draft(tmp_path, trend_csv=TREND, empty_csv="", broken_xlsx="no workbook")
    assert len(data["source"]) == 3
    assert text.count("this export can't be read") == 2
    with pytest.raises(InputError, match="not there"):
        draft_case([tmp_path / "gone.csv"])


def test_export_outside_the_folder_of_the_case_file_is_asked_for(tmp_path: Path):
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    (tmp_path / "a" / "t.csv").write_text(TREND)
    text = draft_case([tmp_path / "a" / "t.csv"], tmp_path / "b" / "case.toml")
    assert "outside the folder of the case file" in text
    assert tomllib.loads(text)["source"][0]["path"] == "t.csv"


def test_waveform_workbook_and_long_layouts(tmp_path: Path):
    files = [
        MESSY / "67-two-sample-rates" / "ch2_rates.cfg",
        MESSY / "40-merged-header-cells" / "ch2_merged.xlsx",
    ]
    data = tomllib.loads(draft_case(files))
    by_path = {source["path"].rpartition("/")[2]: source for source in data["source"]}
    assert by_path["ch2_rates.cfg"]["kind"] == "waveform"
    assert by_path["ch2_merged.xlsx"]["sheet"] == "Trend"
    roles = {(point["source"].rpartition("/")[2], point["column"]): point["role"] for point in data["point"]}
    assert roles["ch2_rates.cfg", "IA"] == "amps_a"
    assert roles["ch2_rates.cfg", "IB"] == "amps_b"
    long = "Time,Name,Value,Unit\n" + "".join(
        f"2031-03-14 05:10:0{k},C2 Suction Pressure,{30 + k},psig\n2031-03-14 05:10:0{k},C2 Load Solenoid,Off,\n"
        for k in range(4)
    )
    _, data = draft(tmp_path, long_csv=long)
    assert data["source"][0]["layout"] == "long"
    assert {point["role"] for point in data["point"]} == {"suction_pressure", "load_solenoid"}


@pytest.mark.parametrize("case", ["case-02", "case-12", "case-22", "case-26", "case-27"])
def test_drafts_of_the_shared_incidents_bind_the_right_columns(shared: Path, case: str):
    folder = shared / "incidents" / "cases" / case
    exports = [path for path in sorted(folder.rglob("*")) if path.suffix in (".csv", ".gz", ".xlsx", ".cfg", ".tsv")]
    truth = tomllib.loads((folder / "case.toml").read_text(encoding="utf-8"))["point"]
    right = {point["column"]: point["role"] for point in truth}
    drafted = tomllib.loads(draft_case(exports, folder / "case.toml"))["point"]
    bound = {point["column"]: point["role"] for point in drafted}
    wrong = {column: role for column, role in bound.items() if right.get(column, role) != role}
    assert wrong == {}
    assert len([column for column in right if column in bound]) >= 0.8 * len(right)


def test_event_list_of_whole_texts_shows_its_texts(tmp_path: Path):
    rows = "".join(f"2031-03-14 05:1{k}:00,{text}\n" for k, text in enumerate(["C2 started", "C2 high head trip"] * 3))
    text, data = draft(tmp_path, log_csv="Time,Message\n" + rows)
    assert data["source"][0]["kind"] == "events"
    assert data["source"][0]["text_column"] == "Message"
    assert 'text: "C2 high head trip"' in text


def days(folder: Path, machine: str, *, offset: float = 0.0, count: int = 3) -> list[Path]:
    """Day files of one logger with two pressures and a solenoid, invented."""
    files = []
    for day in range(1, count + 1):
        rows = [
            f"2031-03-{day:02} {h:02}:00:00,{300 + h + offset},{900 + h},{120 + h},{'On' if day == count else 'Off'}"
            for h in range(24)
        ]
        head = "Time,Suction pressure,Discharge pressure,Motor amps,Load solenoid"
        files.append(folder / f"{machine}_{day}.csv")
        files[-1].write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    return files


def test_the_files_of_one_logger_are_proposed_as_a_pattern(tmp_path: Path) -> None:
    text = draft_case(days(tmp_path, "c1"))
    assert text.count("[[source]]") == 1
    assert 'path = "c1_*.csv"' in text
    assert "3 files with the same columns" in text
    assert "72 rows read, 72 kept" in text
    assert "failure = 2031-03-03T23:00:00Z" in text
    assert "states seen: Off × 48, On × 24" in text, "the states of the last file too"


def test_files_of_two_machines_are_two_sources(tmp_path: Path) -> None:
    one, two = days(tmp_path, "c1"), days(tmp_path, "c2", offset=3.5)
    text = draft_case([*one, *two])
    assert [line for line in text.splitlines() if line.startswith("path")] == ['path = "c1_*.csv"', 'path = "c2_*.csv"']
    for file in (*one, *two):
        file.rename(file.with_name(f"log_{file.stem[1]}{file.stem[3]}.csv"))  # nothing in the names tells them apart
    mixed = draft_case(sorted(tmp_path.glob("log_*.csv")))
    assert mixed.count("[[source]]") == 6


def test_one_question_for_all_units_of_a_kind(tmp_path: Path) -> None:
    text = draft_case(days(tmp_path, "c1", count=1))
    asked = [line for line in text.splitlines() if "in which unit" in line]
    assert len(asked) == 1
    assert "Suction pressure, Discharge pressure" in asked[0]
    assert text.count('# unit = ""') == 2


def test_guarded_cells_keep_their_role(tmp_path: Path) -> None:
    rows = [f"2031-03-01 {h:02}:00:00,{'>600' if h % 2 else 120 + h},{'-1/0' if h % 3 else 50 + h}" for h in range(24)]
    file = tmp_path / "log.csv"
    file.write_text("\n".join(["Time,Motor amps (A),Oil temperature (degC)", *rows]) + "\n", encoding="utf-8")
    text = draft_case([file])
    assert 'role = "motor_amps"' in text
    assert 'role = "oil_temperature"' in text
    assert "cells such as '>600' on line 3 are no numbers and count as missing" in text


def test_the_letter_of_a_phase_is_no_unit(tmp_path: Path) -> None:
    file = tmp_path / "log.csv"
    rows = [f"2031-03-01 {h:02}:00:00,{120 + h},{121 + h},{119 + h}" for h in range(24)]
    head = "Time,c1_current_phase_a,c1_current_phase_b,c1_current_phase_c"
    file.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    text = draft_case([file])
    assert 'unit = "a"' not in text
    assert text.count("in which unit") == 1
