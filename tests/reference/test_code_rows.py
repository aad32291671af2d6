"""Codes of ISO 14224:2016 for comparison across sites, and SHA-256: rows of areas FE and ST.

The codes are as read in secondary sources, several from memory, as each row says; FIPS 180-4 vectors by hashlib.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from check_values import Row, spread

from forensics.intake.exhibits import hash_of
from forensics.rules import FOLDER, read_toml
from forensics.sites.iso14224 import read_coding

Rows = dict[str, Row]
LISTS = read_toml(FOLDER / "iso14224.toml")


def words(text: str) -> set[str]:
    return set(re.findall(r"[a-z]+", text.lower())) - {"or"}


@pytest.mark.parametrize("row_id", spread("FE-038 to FE-057"))
def test_code_of_a_failure_mode(rows: Rows, row_id: str) -> None:
    row = rows[row_id]
    code = row.quantity.split()[-1]
    assert words(LISTS["codes"][code]) == words(row.expected)


def test_no_code_is_of_our_own(rows: Rows) -> None:
    assert set(LISTS["codes"]) == {rows[row_id].quantity.split()[-1] for row_id in spread("FE-038 to FE-057")}
    codings, source = read_coding()
    assert {one.code for one in codings.values()} <= set(LISTS["codes"])
    assert "ISO 14224" in source


def test_mechanisms_are_those_of_the_list(rows: Rows) -> None:
    """FE-058: families 1 to 6; a part of them is used."""
    listed = rows["FE-058"].expected
    for number, text in LISTS["mechanisms"].items():
        if number == "not told":
            continue
        name = text.split(":")[-1].strip()
        assert re.search(rf"\b{re.escape(number)} {re.escape(name)}", listed), number


def test_causes_are_the_families_of_the_list(rows: Rows) -> None:
    """FE-059."""
    listed = words(rows["FE-059"].expected)
    for key, text in LISTS["causes"].items():
        assert key == "not told" or words(text) <= listed, key
    assert len(LISTS["causes"]) == 1 + len(rows["FE-059"].expected.split(";"))


def test_mechanism_and_cause_are_two_fields(rows: Rows) -> None:
    """FE-060: what is seen is never merged with why."""
    assert (rows["FE-060"].inputs, rows["FE-060"].expected) == ("two fields", "never merged")
    codings, _ = read_coding()
    for mode, coding in codings.items():
        assert coding.mechanism, mode
        assert coding.cause, mode
        assert coding.cause not in coding.mechanism.split(), mode


@pytest.mark.parametrize(("row_id", "content"), [("ST-079", b""), ("ST-080", b"abc")])
def test_hash_of_a_file(rows: Rows, tmp_path: Path, row_id: str, content: bytes) -> None:
    (tmp_path / "file").write_bytes(content)
    assert hash_of(tmp_path / "file") == rows[row_id].expected


def test_bytes_are_hashed_as_received(rows: Rows, tmp_path: Path) -> None:
    """ST-082: other line ends are another file."""
    unix, dos = re.findall(r"[0-9a-f]{16}", rows["ST-082"].expected)
    for name, content, begin in (("u", b"a,b\n1,2\n", unix), ("d", b"a,b\r\n1,2\r\n", dos)):
        (tmp_path / name).write_bytes(content)
        assert hash_of(tmp_path / name).startswith(begin)
