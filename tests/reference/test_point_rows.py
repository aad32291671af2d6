"""Names of points and gaps of loggers: rows of area PN that the vocabulary, the alias table and intake fulfil.

Sources: open point vocabularies as each row cites them; ASHRAE 135 as quoted in secondary sources. The project writes
none of these vocabularies: what is checked is that the quantity has a role, and that its plain name leads to it.
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
from check_values import Row

from forensics.demo import DEMO_CASES
from forensics.intake.draft.suggest import is_clear, suggest
from forensics.investigation import investigate
from forensics.model.vocabulary import ROLE_FACTS, Dimension, Role

Rows = dict[str, Row]
ANY = frozenset(Role)

# row, name as the row or the trade writes it, role, dimension of the role
NAMES = [
    ("PN-001", "Suction pressure", "suction_pressure", Dimension.PRESSURE),
    ("PN-002", "Discharge pressure", "discharge_pressure", Dimension.PRESSURE),
    ("PN-003", "Suction temperature", "suction_temperature", Dimension.TEMPERATURE),
    ("PN-004", "Discharge temperature", "discharge_temperature", Dimension.TEMPERATURE),
    ("PN-005", "Oil pressure", "oil_pressure", Dimension.PRESSURE),
    ("PN-007", "Oil temperature", "oil_temperature", Dimension.TEMPERATURE),
    ("PN-008", "Current phase B", "amps_b", Dimension.CURRENT),
    ("PN-009", "% RLA", "motor_amps", Dimension.CURRENT),
    ("PN-011", "Voltage L1-L2", "volts_ab", Dimension.VOLTAGE),
    ("PN-014", "Compressor run status", "run_status", Dimension.STATE),
    ("PN-015", "Start command", "run_command", Dimension.STATE),
    ("PN-017", "Unload solenoid", "unload_solenoid", Dimension.STATE),
    ("PN-018", "Bypass solenoid", "bypass_solenoid", Dimension.STATE),
    ("PN-019", "Slide position", "slide_position", Dimension.FRACTION),
    ("PN-020", "Demand limit", "capacity_command", Dimension.FRACTION),
    ("PN-021", "Leaving chilled water temp", "chilled_water_leaving", Dimension.TEMPERATURE),
    ("PN-022", "Entering chilled water temp", "chilled_water_entering", Dimension.TEMPERATURE),
    ("PN-023", "Condenser water leaving temp", "condenser_water_leaving", Dimension.TEMPERATURE),
    ("PN-024", "Trip", "trip", Dimension.STATE),
]


def words(text: str) -> set[str]:
    return set(re.findall(r"[a-z]+", text.lower()))


@pytest.mark.parametrize(("row_id", "name", "role", "dimension"), NAMES)
def test_a_quantity_has_its_role(rows: Rows, row_id: str, name: str, role: str, dimension: Dimension) -> None:
    assert words(name) & words(rows[row_id].quantity)
    found = suggest(name, ANY)
    assert is_clear(found)
    assert found[0].role.value == role
    assert ROLE_FACTS[found[0].role].dimension is dimension


# quantities that no role stands for: unbalance and power factor are computed from others, a filter has two pressures,
# the sense of rotation is the sign of a speed
WITHOUT = [
    ("PN-006", "Oil filter differential"),
    ("PN-010", "Current unbalance"),
    ("PN-010", "Current imbalance"),
    ("PN-012", "Voltage unbalance"),
    ("PN-013", "Power factor"),
    ("PN-016", "Rotation direction"),
]


@pytest.mark.parametrize(("row_id", "name"), WITHOUT)
def test_a_quantity_without_a_role_is_taken_for_no_other(rows: Rows, row_id: str, name: str) -> None:
    assert words(name) & words(rows[row_id].quantity)
    assert not is_clear(suggest(name, ANY))


@pytest.mark.parametrize(("window", "flagged"), [("48h", False), ("400h", True)])
def test_a_log_that_begins_inside_the_window_is_flagged(rows: Rows, tmp_path: Path, window: str, flagged: bool) -> None:
    """PN-055: a full logger overwrites its oldest rows, unless it is told to stop."""
    assert rows["PN-055"].expected == "earliest stamp later than window start -> flag"
    shutil.copytree(DEMO_CASES["cannot-tell"].parent, tmp_path / "case")
    case = tmp_path / "case" / "case.toml"
    text = re.sub(r'window_before = "\w+"', f'window_before = "{window}"', case.read_text(encoding="utf-8"))
    case.write_text(text, encoding="utf-8")
    said = [one for one in investigate(case).assumptions if "after the window that is judged" in one]
    assert bool(said) is flagged
    if flagged:
        assert "history_5min.csv" in said[0]
        assert "overwritten" in said[0]
