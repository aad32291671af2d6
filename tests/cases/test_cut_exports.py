"""A case whose trend was cut into files judges as the case with the whole trend: the same verdict on the same rows.

The cases are the demonstration's, which are invented.
"""

from __future__ import annotations

import gzip
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from forensics.demo import DEMO_CASES
from forensics.intake.case_files import case_inputs
from forensics.investigation import Investigation, investigate
from forensics.model.findings import Finding
from forensics.results.publish import to_findings_file

TREND = "exports/controller_trend.csv.gz"
PARTS = 4


@pytest.fixture(scope="module")
def whole() -> Investigation:
    return investigate(DEMO_CASES["loaded-starts"])


def cut(folder: Path, *, pattern: bool) -> Path:
    """The case with its trend in four files that overlap by some rows."""
    shutil.copytree(DEMO_CASES["loaded-starts"].parent, folder / "case")
    case = folder / "case" / "case.toml"
    with gzip.open(folder / "case" / TREND, "rt", encoding="utf-8", newline="") as file:
        lines = file.read().splitlines(keepends=True)
    (folder / "case" / TREND).unlink()
    at = next(n for n, line in enumerate(lines) if line.startswith("Time"))
    head, body = lines[: at + 1], lines[at + 1 :]
    size = len(body) // PARTS + 1
    for n in range(PARTS):
        part = body[n * size : (n + 1) * size + 20]
        (folder / "case" / "exports" / f"trend_{n + 1}.csv").write_text("".join([*head, *part]), encoding="utf-8")
    text = case.read_text(encoding="utf-8")
    if pattern:
        text = text.replace(TREND, "exports/trend_*.csv")
    else:
        begin = text.index("[[source]]")
        block = text[begin : text.index("[[", begin + 2)]
        named = [block.replace(TREND, f"exports/trend_{n + 1}.csv") for n in range(PARTS)]
        text = text.replace(block, "".join(named)).replace(TREND, "exports/trend_1.csv")
    case.write_text(text, encoding="utf-8")
    return case


def answer(finding: Finding) -> Finding:
    """A finding without the rows it cites and the sources that its words may name."""
    return replace(finding, cites=())


@pytest.mark.parametrize("pattern", [True, False])
def test_the_answers_are_those_of_the_whole_trend(tmp_path: Path, whole: Investigation, *, pattern: bool) -> None:
    case = cut(tmp_path, pattern=pattern)
    joined = investigate(case)
    assert [answer(f) for f in joined.findings] == [answer(f) for f in whole.findings]
    plain = {"would_change_it": ()}  # it names the source
    assert replace(joined.weighing.verdict, **plain) == replace(whole.weighing.verdict, **plain)
    assert len(joined.starts) == len(whole.starts) > 0
    published = to_findings_file(joined)
    names = {f"exports/trend_{n + 1}.csv" for n in range(PARTS)}
    sources = {row.path: row for row in published.sources}
    assert names <= set(sources)
    assert sum(sources[name].set_aside.get("duplicate", 0) for name in names) == 20 * (PARTS - 1)
    cited = {cite.source for finding in published.findings for cite in finding.cites}
    assert cited & names
    assert cited <= set(sources)
    last = {name: (case.parent / name).read_bytes().count(b"\n") for name in names}
    for finding in published.findings:
        for cite in finding.cites:
            if cite.source in names:
                assert 1 < cite.rows[0] <= cite.rows[1] <= last[cite.source]
    assert names <= {item.path for item in case_inputs(case)}
