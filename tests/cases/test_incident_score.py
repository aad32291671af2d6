"""The verdicts on the shared incidents, marked by the script that ships with them, and guards on what passing means."""

from __future__ import annotations

import csv
import gzip
import json
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from forensics.investigation import Investigation, investigate
from forensics.model.points import Samples
from forensics.model.units import read_unit, to_canonical
from forensics.model.vocabulary import Mode, VerdictStatus, is_switch
from forensics.results.findings_json import dump_findings
from forensics.results.publish import to_findings_file

LEAD_MAX = 3


@pytest.fixture(scope="module", params=["incidents", "incidents_second"])
def incidents(shared: Path, request: pytest.FixtureRequest) -> Path:
    """Whole cases with known truth, of two simulations that know nothing of each other."""
    folder: Path = shared / request.param
    if not (folder / "cases").is_dir():
        pytest.skip(f"../shared/{request.param} is not here")
    return folder


@pytest.fixture(scope="module")
def investigated(incidents: Path) -> dict[str, Investigation]:
    return {path.parent.name: investigate(path) for path in sorted((incidents / "cases").glob("*/case.toml"))}


@pytest.fixture(scope="module")
def written(investigated: dict[str, Investigation], tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("findings")
    for name, found in investigated.items():
        (out / name).mkdir()
        (out / name / "findings.json").write_text(dump_findings(to_findings_file(found)), encoding="utf-8")
    return out


def marked(incidents: Path, findings: Path, tmp_path: Path) -> dict[str, Any]:
    """Run the marker on a folder of findings; its table goes to the test's output."""
    out = tmp_path / "marks.json"
    command = [
        sys.executable,
        str(incidents.parent / "incidents" / "score.py"),
        str(incidents / "cases"),
        str(incidents / "truth"),
    ]
    ran = subprocess.run([*command, str(findings), "--json", str(out)], capture_output=True, text=True, check=True)
    print(ran.stdout)
    told: dict[str, Any] = json.loads(out.read_text(encoding="utf-8"))
    return told


def truth_of(incidents: Path, name: str) -> dict[str, Any]:
    told: dict[str, Any] = json.loads((incidents / "truth" / f"{name}.json").read_text(encoding="utf-8"))
    return told


def test_none_is_confidently_wrong_and_no_fewer_are_right_than_before(
    incidents: Path, written: Path, tmp_path: Path
) -> None:
    """The zeros, and floors that only rise (floors.toml)."""
    marks = marked(incidents, written, tmp_path)
    floors = tomllib.loads((Path(__file__).parent / "floors.toml").read_text(encoding="utf-8"))[incidents.name]
    assert marks["missing"] == []
    assert marks["wrong_confident"] == []
    assert marks["cleared"] == []
    assert len(marks["excluded_truth"]) <= floors["excluded_at_most"]
    assert marks["right"] >= floors["right"]


def test_a_file_with_all_modes_possible_and_nothing_determined_fails(
    incidents: Path, written: Path, tmp_path: Path
) -> None:
    """The marker itself must not be passed by saying nothing."""
    for path in written.glob("*/findings.json"):
        told = json.loads(path.read_text(encoding="utf-8"))
        told["verdict"] |= {"status": "undetermined", "mode": None, "grade": None}
        for row in told["hypotheses"]:
            row["grade"] = "possible"
        (tmp_path / path.parent.name).mkdir()
        (tmp_path / path.parent.name / "findings.json").write_text(json.dumps(told), encoding="utf-8")
    marks = marked(incidents, tmp_path, tmp_path)
    determined = [n for n in marks["per_case"] if truth_of(incidents, n)["status"] == "determined"]
    assert determined
    assert all(marks["per_case"][name]["outcome"] in ("cautious-off", "cautious") for name in determined)
    assert marks["right"] < len(marks["per_case"]) / 2


def test_few_modes_share_the_lead_where_the_truth_is_determined(
    incidents: Path, investigated: dict[str, Investigation]
) -> None:
    order = ["confirmed", "probable", "possible"]
    for name, found in investigated.items():
        if truth_of(incidents, name)["status"] != "determined":
            continue
        grades = {row.mode: row.grade.value for row in found.weighing.hypotheses}
        best = next((grade for grade in order if grade in grades.values()), None)
        leading = [mode for mode, grade in grades.items() if grade == best]
        # where nothing is even possible, nothing leads: that is cautious, and counted by the floors
        assert best is None or len(leading) <= LEAD_MAX, (name, leading)


def test_citations_of_the_verdict_lead_to_the_bytes(incidents: Path, investigated: dict[str, Investigation]) -> None:
    """Each row cited on page one, read again from the raw file by plain csv, gives the number that was judged."""
    if incidents.name != "incidents":
        pytest.skip("the case files of the second simulation do not tell the layout that plain csv would need")
    followed = 0
    for name, found in investigated.items():
        by_id = {finding.id: finding for finding in found.findings}
        ids = (*found.weighing.verdict.because, *found.weighing.verdict.against)
        if found.weighing.verdict.status is not VerdictStatus.DETERMINED:
            continue
        for finding in (by_id[one] for one in ids):
            for cite in finding.cites:
                followed += _follow(incidents / "cases" / name, found, cite.source, cite.column, cite.rows)
    assert followed > 0


def _follow(folder: Path, found: Investigation, source: str, column: str, rows: tuple[int, int]) -> int:
    """Compare the cited rows of a delimited, wide source with the record; the number of readings compared."""
    entry = next(s for s in found.casefile.source if s.path == source)
    if entry.kind != "trend" or entry.layout != "wide" or source.endswith(".xlsx") or not entry.delimiter:
        return 0
    point = next(p for p in found.casefile.point if p.column == column and p.source in ("", source))
    if is_switch(point.role):
        return 0
    chosen: Samples = next(s for s in found.case.record.samples[point.role] if s.origin.source == source)
    raw = (folder / source).read_bytes()
    text = (gzip.decompress(raw) if source.endswith(".gz") else raw).decode(entry.encoding or "utf-8-sig")
    lines = text.splitlines()
    header = next(csv.reader([next(line for line in lines if column in line)], delimiter=entry.delimiter))
    place = [cell.strip() for cell in header].index(column)
    compared = 0
    for index in np.flatnonzero((chosen.row >= rows[0]) & (chosen.row <= rows[1]))[:50]:
        cells = next(csv.reader([lines[int(chosen.row[index]) - 1]], delimiter=entry.delimiter))
        cell = cells[place].strip().replace(",", ".") if entry.decimal == "," else cells[place].strip()
        try:
            value = float(cell)
        except ValueError:
            assert not np.isfinite(chosen.v[index]) or chosen.q[index] != 0
            continue
        unit = read_unit(point.unit)
        assert unit is not None
        machine = found.casefile.machine
        want = to_canonical(
            np.array([value]), unit, point.role, air_pressure_kpa=machine.air_kpa, rated_amps=machine.rated_load_amps
        )[0]
        assert chosen.v[index] == pytest.approx(want, rel=1e-9), (source, column, int(chosen.row[index]))
        compared += 1
    return compared


def test_the_marker_knows_the_modes_of_the_vocabulary(incidents: Path) -> None:
    named = {
        mode
        for path in (incidents / "truth").glob("case-*.json")
        for mode in truth_of(incidents, path.stem)["right_modes"]
    }
    assert named <= {mode.value for mode in Mode}
