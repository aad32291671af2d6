"""A draft that a person answers gives the findings of the case file that was written by hand.

Every answer is written where the draft offers its key: a key that changes findings and is not offered fails here.
"""

from __future__ import annotations

import re
import shutil
import tomllib
from pathlib import Path
from typing import Any

import pytest

from forensics.case.reference import case_keys
from forensics.case.schema import check_case
from forensics.cli import DONE, main
from forensics.demo import DEMO_CASES
from forensics.intake.draft.answers import Answers, answered
from forensics.intake.draft.offered import example, offered_at_end, offered_inside
from forensics.investigation import investigate
from forensics.results.publish import to_findings_file

CASE = DEMO_CASES["loaded-starts"]
GIVEN = ["--zone", "America/Chicago", "--refrigerant", "R134a", "--units", "inch-pound", "-q"]
COMPARED = ("findings", "hypotheses", "verdict", "starts", "stops", "events", "order", "clocks", "states", "facts")
FROM_NAMEPLATE = (
    "rated_load_amps", "no_load_amps", "locked_rotor_amps", "supply_volts", "supply_hertz", "starter", "altitude_m",
    "sequence_confirmed", "serial",
)  # fmt: skip
OF_SOURCES = {
    "controller_trend.csv.gz": {"clock": "controller", "date_order": "MDY"},
    "fast_log.csv.gz": {"clock": "logger"},
    "alarm_list.csv": {"clock": "panel", "date_order": "MDY"},
    "trip_on_start.cfg": {"clock": "recorder"},
}

HEAD = """schema = 1
[case]
id = "a"
time_zone = "UTC"
[machine]
refrigerant = "R134a"
[[source]]
path = "a.csv"
"""


def toml(value: object) -> str:
    return str(value).lower() if isinstance(value, bool) else f'"{value}"' if isinstance(value, str) else str(value)


def written_in(block: str, keys: dict[str, object]) -> str:
    """A table with keys answered on the lines that hold or offer them."""
    for key, value in keys.items():
        block, times = re.subn(rf"(?m)^(?:# )?{key} = .*$", f"{key} = {toml(value)}", block, count=1)
        assert times == 1, f"the draft does not offer {key}"
    return block


def by_person(draft: str) -> str:
    """The draft as a person answers it with the nameplate and the notes of the site at hand."""
    twin = tomllib.loads(CASE.read_text(encoding="utf-8"))
    blocks = re.split(r"(?m)^(?=\[)", draft)
    made = []
    for block in blocks:
        if block.startswith("[case]"):
            stamp = twin["case"]["failure"].isoformat()
            keys = {"window_before": "48h", "window_after": "1h", "reference_clock": "controller"}
            block = re.sub(r"(?m)^# failure = .*$", f"failure = {stamp}", written_in(block, keys))
        elif block.startswith("[machine]"):
            block = written_in(block, {key: twin["machine"][key] for key in FROM_NAMEPLATE})
            block = re.sub(r"(?m)^# \[machine.current_sensor\]", "[machine.current_sensor]", block)
            block = written_in(block, {"ratio_error_percent": 2.0})
        elif block.startswith("[[source]]"):
            name = Path(tomllib.loads(block)["source"][0]["path"]).name
            block = written_in(block, OF_SOURCES[name])
            if name.endswith(".cfg"):
                assert "# measured_at = " in draft
                block = block.rstrip() + '\nmeasured_at = "motor"\n\n'
        made.append(block)
    by_hand = CASE.read_text(encoding="utf-8").partition("[[observation]]")
    return "".join(made) + "\n" + by_hand[1] + by_hand[2]


def told(path: Path) -> dict[str, Any]:
    file = to_findings_file(investigate(path)).model_dump(mode="json", by_alias=True)
    file["clocks"].sort(key=lambda row: str(row["clock"]))  # as the sources stand in the case file
    return {key: file[key] for key in COMPARED}


def test_a_draft_with_its_questions_answered_gives_the_findings_of_its_hand_written_twin(tmp_path: Path) -> None:
    shutil.copytree(CASE.parent, tmp_path, dirs_exist_ok=True)
    out = tmp_path / "case.toml"
    out.unlink()
    parts = [str(tmp_path / "exports"), str(tmp_path / "waveforms")]
    assert main(["draft", *parts, "--out", str(out), *GIVEN]) == DONE
    out.write_text(by_person(out.read_text(encoding="utf-8")), encoding="utf-8")
    mine, twin = told(out), told(CASE)
    for key in COMPARED:
        assert mine[key] == twin[key], key


def test_every_key_of_the_tables_that_change_findings_is_offered() -> None:
    text = "\n".join(line for table in ("case", "machine") for line in offered_inside(table, ()))
    text += "\n".join(offered_at_end())
    tables = ("case", "machine", "machine.current_sensor", "source", "source.row", "source.mark", "point")
    missing = [
        f"{key.table}.{key.name}"
        for key in case_keys()
        if key.table in (*tables, "source.clock_check", "observation", "measurement", "fact", "limit")
        and not re.search(rf"(?m)^# {key.name} = ", text)
    ]
    assert missing == []


@pytest.mark.parametrize("table", ["observation", "measurement", "fact", "limit"])
def test_what_is_offered_can_be_taken_as_it_stands(table: str) -> None:
    """An offered table without its '#' is one that the models take, its empty lists of files aside."""
    lines = [f"{key.name} = {example(key)}" for key in case_keys() if key.table == table]
    lines = [line.replace('[""]', "[]") for line in lines if not line.startswith("supports")]
    check_case(tomllib.loads("\n".join([HEAD, f"[[{table}]]", *lines]).replace('source = ""', 'source = "sheet"')))


def test_units_that_are_told_for_a_kind_are_no_question_any_more() -> None:
    question = "# QUESTION: in which unit is each pressure (P1, P2); say gauge or absolute: kPag, psia?"
    draft = f"{HEAD}\n{question}\n"
    assert question in answered(draft, Answers())
    assert question in answered(draft, Answers(units="si"))  # metric panels show gauge or absolute: it stays open
    said = answered(draft, Answers(units="inch-pound"))
    assert question not in said
    assert "# each pressure whose unit no export tells is taken as psig: P1, P2" in said
