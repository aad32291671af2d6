"""One unit system in the whole page: sentences, tables, captions and figures; the findings file knows nothing of it."""

from __future__ import annotations

import html
import json
import re
import shutil
from pathlib import Path
from typing import Any

import pytest

from forensics.demo import DEMO_CASES
from forensics.report import RunResult
from forensics.report.context import open_sheet
from forensics.results.findings_json import dump_findings, read_findings

CANONICAL = re.compile(r"\bkPa\b|\bdegC\b|°C|\d\s?K\b|\bmm/s\b|\bmm2\b|\bmm²|\d\s?bar\b")
FOREIGN = re.compile(r"\bpsi[adg]?\b|°F|\bin/s\b|\bin²|\bdegC\b")


def words_of(page: str) -> str:
    """What a reader sees, and the words inside the figures."""
    figures = re.findall(r'class="plate"[^>]*>(.*?)</script>', page, re.DOTALL)
    plain = re.sub(r"<(script|style)\b.*?</\1>", "", page, flags=re.DOTALL)
    said = html.unescape(re.sub(r"<[^>]+>", "\n", plain))
    return "\n".join([said, *(text for spec in figures for text in texts_in(json.loads(spec)))])


def texts_in(value: Any) -> list[str]:
    """Every text in a figure; packed numbers are none."""
    if isinstance(value, dict):
        return [text for key, inner in value.items() if key != "bdata" for text in texts_in(inner)]
    if isinstance(value, list):
        return [text for inner in value for text in texts_in(inner)]
    return [value] if isinstance(value, str) else []


def in_units(name: str, display: str, folder: Path) -> Path:
    case = folder / f"{name}-{display}"
    shutil.copytree(DEMO_CASES[name].parent, case)
    path = case / "case.toml"
    text, count = re.subn(r'^display = ".*"$', f'display = "{display}"', path.read_text("utf-8"), flags=re.MULTILINE)
    assert count == 1
    path.write_text(text, encoding="utf-8")
    return path


def test_an_inch_pound_page_holds_no_canonical_pressure_or_temperature(page: str) -> None:
    lines = words_of(page).splitlines()
    assert [line for line in lines if CANONICAL.search(line)] == []
    assert sum("°F" in line for line in lines) > 50
    assert sum("psi" in line for line in lines) > 50


def test_statements_of_the_page_and_of_the_findings_file_are_the_same_quantities(
    page: str, finished: RunResult
) -> None:
    """Right value: 1 K is 1.8 degF, so both numbers of this statement are 1.8 times those of the file."""
    said = {f.id: f.statement for f in read_findings(finished.findings).findings}
    canonical = re.search(r"rest the oil was \+([\d.]+) K from saturation", said["oil.diluted_before_start"])
    shown = re.search(r"rest the oil was \+([\d.]+) °F from saturation", words_of(page))
    assert canonical is not None
    assert shown is not None
    assert float(shown[1]) == pytest.approx(1.8 * float(canonical[1]), abs=0.06)


@pytest.mark.parametrize("name", sorted(DEMO_CASES))
def test_the_findings_file_does_not_depend_on_the_units_of_the_report(name: str, tmp_path: Path) -> None:
    """Only the hash of the inputs differs, since the case file is one of them."""
    si, inch_pound = (open_sheet(case=in_units(name, display, tmp_path)) for display in ("si", "inch-pound"))
    one, two = (
        dump_findings(
            s.findings.model_copy(
                update={"reproduce": s.findings.reproduce.model_copy(update={"inputs_sha256": "0" * 64})}
            )
        )
        for s in (si, inch_pound)
    )
    assert one == two
    told = "\n".join(f.statement + f.basis for f in inch_pound.told.findings)
    assert not CANONICAL.search(told)
    assert not FOREIGN.search("\n".join(f.statement + f.basis for f in si.told.findings))
    assert [f.statement for f in inch_pound.findings.findings] == [f.statement for f in si.findings.findings]


def test_what_the_case_and_its_exports_say_stays_as_it_was_written(tmp_path: Path) -> None:
    path = in_units("cannot-tell", "inch-pound", tmp_path)
    with path.open("a", encoding="utf-8") as case:
        case.write(
            '\n[[observation]]\nkind = "inspection"\nby = "fitter"\ntext = "oil line 12 K colder, gauge 350 kPa"\n'
            'bears_on = "oil-supply-lost"\n[[fact]]\nwhat = "operated_in_limits"\nvalue = "no, 7 K over"\n'
            'source = "log of 12 degC water"\n[[limit]]\nname = "oil.difference_low"\nvalue = 120.0\n'
            'source = "plate says 120 kPa"\n'
        )
    sheet = open_sheet(case=path)
    assert sheet.say("oil line 12 K colder, gauge 350 kPa: by 12 K") == (
        "oil line 12 K colder, gauge 350 kPa: by 21.6 °F"
    )
    assert sheet.say("site: plate says 120 kPa") == "site: plate says 120 kPa"
    assert [f.value for f in sheet.told.facts if f.what == "operated_in_limits"] == ["no, 7 K over"]
    assert [o.source for o in sheet.told.overrides] == ["plate says 120 kPa"]
