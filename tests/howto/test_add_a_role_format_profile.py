"""The guide's "Add a role", "Add a format" and "Add a sequence profile", each followed from scratch."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from howto.conftest import House

CASE = """\
schema = 1
[case]
id = "made"
time_zone = "UTC"
failure = 2031-03-07T00:50:00
[machine]
refrigerant = "R134a"
{machine}
[[source]]
path = "{path}"
time_column = "Time"
date_order = "YMD"
{points}
"""
POINT = '[[point]]\nrole = "{role}"\ncolumn = "{column}"\n{more}'
AMPS = POINT.format(role="motor_amps", column="Amps", more='unit = "A"')
READ = """
import sys
from pathlib import Path
from forensics.intake.load_case import load_case
case = load_case(Path(sys.argv[1]))
for role, points in case.record.samples.items():
    print(role.value, len(points[0]), float(points[0].v[0]))
print(case.profile.id)
"""


def write_case(folder: Path, path: str, *points: str, machine: str = "") -> Path:
    folder.mkdir(exist_ok=True)
    case = folder / "case.toml"
    case.write_text(CASE.format(path=path, points="\n".join(points), machine=machine), encoding="utf-8")
    return case


def write_log(folder: Path, name: str = "log.csv") -> None:
    folder.mkdir(exist_ok=True)
    rows = [f"2031-03-07 00:{m:02d}:00,{50 + m % 7},{31.5 + m / 10:.1f}" for m in range(60)]
    (folder / name).write_text("\n".join(["Time,Amps,Sump temp", *rows]) + "\n", encoding="utf-8")


def test_a_role_is_a_name_a_line_of_facts_and_its_aliases(house: House) -> None:
    words = "forensics/model/vocabulary.py"
    house.change(
        words,
        '    OIL_TEMPERATURE = "oil_temperature"\n',
        '    OIL_TEMPERATURE = "oil_temperature"\n    SUMP = "sump_temperature"\n',
    )
    house.change(
        words,
        "suction_temperature discharge_temperature oil_temperature ",
        "suction_temperature discharge_temperature oil_temperature sump_temperature ",
    )
    house.change(
        "forensics/rules/aliases.toml",
        "[roles.winding_temperature]",
        '[roles.sump_temperature]\nen = ["sump temperature"]\n\n[roles.winding_temperature]',
    )
    folder = house.root / "case"
    write_log(folder)
    sump = POINT.format(role="sump_temperature", column="Sump temp", more='unit = "degC"')
    said = house.run("-c", READ, write_case(folder, "log.csv", AMPS, sump)).splitlines()
    assert "sump_temperature 60 31.5" in said
    drafted = house.forensics("draft", folder / "log.csv", "--out", house.root / "drafted.toml")
    assert "sump_temperature" in drafted + (house.root / "drafted.toml").read_text(encoding="utf-8")


JSON_LINES = '''"""Tables of one JSON object a line: names are those of the first line, a cell is a number or a text."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

from forensics.errors import SheetQuestion
from forensics.intake.typed.cells import Cells, CellTable, unique_columns
from forensics.model.paths import read_regular

SUFFIXES = frozenset({".jsonl"})
_MOST_BYTES = 1 << 30


def read_json_lines(file: Path) -> CellTable:
    """Read a table of one object a line."""
    try:
        rows = [json.loads(line) for line in read_regular(file, _MOST_BYTES).decode("utf-8").splitlines() if line]
    except ValueError as fault:
        raise SheetQuestion(f"the file can't be read ({fault})", "Export it again.") from None
    if not rows:
        raise SheetQuestion("the file holds no rows", "Export it again.")
    columns = []
    for name in rows[0]:
        cells = [row.get(name) for row in rows]
        number = np.array([c if isinstance(c, int | float) else np.nan for c in cells], dtype=np.float64)
        columns.append(Cells(number=number, text={k: c for k, c in enumerate(cells) if isinstance(c, str)}))
    return CellTable(
        names=unique_columns([" ".join(name.split()) for name in rows[0]]),
        columns=tuple(columns),
        row=np.arange(1, len(rows) + 1, dtype=np.int64),
    )
'''


def test_a_format_of_one_table_is_a_module_and_a_line(house: House) -> None:
    house.add("forensics/intake/typed/json_lines.py", JSON_LINES)
    house.change(
        "forensics/intake/typed/reader.py",
        "dict.fromkeys(columnar.SUFFIXES, columnar.read_columns)",
        "{\n    **dict.fromkeys(columnar.SUFFIXES, columnar.read_columns),\n"
        "    **dict.fromkeys(json_lines.SUFFIXES, json_lines.read_json_lines),\n}",
    )
    house.change(
        "forensics/intake/typed/reader.py",
        "from forensics.intake.typed import columnar\n",
        "from forensics.intake.typed import columnar, json_lines\n",
    )
    folder = house.root / "case"
    folder.mkdir()
    rows = [{"Time": f"2031-03-07 00:{m:02d}:00", "Amps": 50 + m % 7} for m in range(60)]
    (folder / "log.jsonl").write_text("\n".join(map(json.dumps, rows)), encoding="utf-8")
    said = house.run("-c", READ, write_case(folder, "log.jsonl", AMPS)).splitlines()
    assert "motor_amps 60 50.0" in said
    (folder / "log.jsonl").write_text("{not JSON", encoding="utf-8")
    told = house.forensics("check", folder / "case.toml")
    assert "log.jsonl" in told
    assert "can't be read" in told


@pytest.mark.parametrize("misspelled", [False, True])
def test_a_profile_is_a_copy_of_the_template_beside_the_case(house: House, *, misspelled: bool) -> None:
    folder = house.root / "case"
    write_log(folder)
    text = (house.rules / "sequence_template.toml").read_text(encoding="utf-8")
    assert text.count('id = "my-machine"') == 1
    text = text.replace('id = "my-machine"', 'id = "made-for-a-test"')
    if misspelled:
        text = text.replace('unload_solenoid = "pulses or on"', 'unload_solenoid = "plses"', 1)
    (folder / "sequence.toml").write_text(text, encoding="utf-8")
    case = write_case(folder, "log.csv", AMPS, machine='sequence = "sequence.toml"')
    if not misspelled:
        assert house.run("-c", READ, case).splitlines()[-1] == "made-for-a-test"
        return
    said = house.run(
        "-c",
        "import sys\nfrom pathlib import Path\nfrom forensics.errors import InputError\n"
        "from forensics.intake.load_case import load_case\n"
        "try:\n    load_case(Path(sys.argv[1]))\nexcept InputError as fault:\n    print(fault)",
        case,
    )
    assert "sequence.toml" in said
    assert "plses" in said
