"""The sites notebook from findings files to one offline page."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from finished_cases import findings, start

from forensics.errors import InputError
from forensics.results.findings_json import dump_findings
from forensics.sites import compare_sites

pytestmark = pytest.mark.slow
AT = datetime(2031, 3, 14, 5, 12, 30, tzinfo=UTC)
RUDE = '<img src=x onerror="alert(1)">$a$'


@pytest.fixture(scope="module")
def cases(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("cases")
    lines = ["machine,from,to,hours,starts,still running"]
    for n in range(8):
        at = AT + timedelta(days=n)
        begun = [start(at - timedelta(hours=20 - k), 0.4 + 0.01 * (k % 3)) for k in range(20)]
        found = findings(
            f"case-{n}", site=RUDE if n == 0 else f"Mill {n}", tag="C1", failure=at, starts=begun,
            grade="confirmed" if n % 2 else "probable",
        )  # fmt: skip
        (root / f"case-{n}").mkdir()
        (root / f"case-{n}" / "findings.json").write_text(dump_findings(found), encoding="utf-8")
        if n:
            lines.append(f"Mill {n}/C1,2031-01-01,{at:%Y-%m-%d},{300 + 70 * n},40,{'no' if n % 2 else 'yes'}")
    (root / "fleet.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return root


@pytest.fixture(scope="module")
def page(cases: Path, tmp_path_factory: pytest.TempPathFactory) -> str:
    out = tmp_path_factory.mktemp("out")
    said = compare_sites([cases], out, fleet=cases / "fleet.csv")
    assert "8 cases of 8 machines, 8 counted" in said
    assert (out / "tables" / "rates.csv").is_file()
    return (out / "sites.html").read_text(encoding="utf-8")


def test_every_figure_and_section_is_in_the_page(page: str) -> None:
    figures = re.findall(r'class="plate" data-for="plot-([a-z-]+)"', page)
    assert figures == ["modes-by-grade", "start-ratios", "coast-down-times", "share-running"]
    for words in ("Failures by mode and grade", "Rates with exact 95 % intervals", "Weibull life", "Old cases on new"):
        assert words in page


def test_names_from_files_are_text_and_nothing_points_outside(page: str) -> None:
    assert "<img src=x" not in page
    assert "&lt;img src=x" in page
    body = page[: page.index("<script>")]
    assert not re.findall(r'(?:src|href)="(?!#|data:image/)[^"]+"', body)


def test_without_exposure_rates_and_lives_are_refused(cases: Path, tmp_path: Path) -> None:
    compare_sites([cases], tmp_path)
    text = (tmp_path / "sites.html").read_text(encoding="utf-8")
    assert "No rate is given" in text
    assert "No life is given" in text
    assert "per 1,000 h" not in text


def test_a_bad_fleet_file_leaves_no_page_but_one_named_for_the_failure(cases: Path, tmp_path: Path) -> None:
    fleet = tmp_path / "fleet.csv"
    fleet.write_text("machine,from,to,hours,starts,still running\nMill 1/C1,yesterday,2031-02-02,x,1,yes\n")
    with pytest.raises(InputError) as caught:
        compare_sites([cases], tmp_path / "out", fleet=fleet)
    assert len(caught.value.problems) == 2
    assert {p.name for p in (tmp_path / "out").glob("*.html")} == {"sites.FAILED.html"}
