"""A finished report: everything there, every statement tied to its finding, offline, the same bytes twice."""

from __future__ import annotations

import html
import json
import re
import shutil
from datetime import UTC, datetime
from pathlib import Path

import html5lib
import nbformat
import pytest

from forensics.errors import InputError
from forensics.report import RunResult, run_report
from forensics.report.words.cautions import cautions
from forensics.report.written.revision import EARLIER
from forensics.results.findings_json import read_findings

FIGURES = (
    "timeline-failure",
    "timeline-window",
    "starts-overlay",
    "starts-ratio",
    "stops-overlay",
    "stop-equalisation",
    "stops-history",
    "saturation",
    "slide-response",
    "oil-trends",
)
NEVER = re.compile(
    r"\b(liable|liability|is covered|not covered|claim denied|denial|party at fault|who pays|negligen\w+)\b",
    re.IGNORECASE,
)


def without_scripts(page: str) -> str:
    return re.sub(r"<script\b.*?</script>", "", page, flags=re.DOTALL)


def test_all_files_are_there(finished: RunResult) -> None:
    assert {p.name for p in finished.out.iterdir() if not p.name.startswith(".")} == {
        "report.html",
        "results.json",
        "findings.json",
        "set_aside.csv",
        "incident.ipynb",
        "tables",
    }
    assert read_findings(finished.findings).case.revision == 1
    assert finished.report.stat().st_size <= 2_500_000
    assert (finished.out / "tables" / "findings.csv").stat().st_size > 100


@pytest.mark.parametrize("key", FIGURES)
def test_every_figure_has_caption_alternative_and_data(page: str, key: str) -> None:
    figure = re.search(rf'<figure id="figure-{key}">(.*?)</figure>', page, re.DOTALL)
    assert figure is not None
    assert re.search(r'role="group" aria-label="[^"]{20,}"', figure[1])
    assert re.search(r'<p class="caption">[^<]{20,}', figure[1])
    assert f'id="table-{key}"' in figure[1] or "Not drawn:" in figure[1]


def test_time_axes_say_zone_and_offset_and_no_figure_needs_a_graphics_card(page: str) -> None:
    specs = [json.loads(s) for s in re.findall(r'class="plate"[^>]*>(.*?)</script>', page, re.DOTALL)]
    dated = [a for s in specs for n, a in s["layout"].items() if n.startswith("xaxis") and a.get("type") == "date"]
    assert dated
    assert {"UTC" in a["title"]["text"] for a in dated} == {True}
    assert not [t for s in specs for t in s["data"] if "gl" in t["type"]]
    assert len({a["title"]["text"] for a in dated}) == 1


def test_no_drawn_line_has_more_than_four_thousand_points(page: str) -> None:
    import base64

    for text in re.findall(r'class="plate"[^>]*>(.*?)</script>', page, re.DOTALL):
        for trace in json.loads(text)["data"]:
            x = trace["x"]
            if isinstance(x, dict):
                size = len(base64.b64decode(x["bdata"])) // int(x["dtype"][1])
                assert size <= 4000 * 1.25, trace["name"]


def test_figures_are_valid_for_the_drawing_library(page: str) -> None:
    """Reference: the schema of the plotly package itself."""
    import plotly.graph_objects as go

    for text in re.findall(r'class="plate"[^>]*>(.*?)</script>', page, re.DOTALL):
        go.Figure(json.loads(text))


def test_every_finding_and_every_reason_of_the_verdict_has_its_anchor(page: str, finished: RunResult) -> None:
    findings = read_findings(finished.findings)
    for finding in findings.findings:
        assert f'id="f-{finding.id.lower().replace("@", "-")}"' in page, finding.id
        for cite in finding.cites[:1]:
            assert cite.source in page
    for name in findings.verdict.because[:3]:
        assert f'href="#f-{name.lower().replace("@", "-")}"' in page


def test_page_one_says_what_a_claims_reader_needs(page: str, finished: RunResult) -> None:
    findings = read_findings(finished.findings)
    one = html.unescape(re.split(r'<section class="page-one[^>]*>', page)[1].split("</section>")[0])
    for heading in (
        "What the panel said",
        "Found by hand",
        "What shows it",
        "How sure",
        "Where",
        "What else it could be, and why that is less likely",
        "What is not known",
        "Next, in this order",
        "Claim-relevant facts, as stated",
        "Cautions",
        "Draft, not reviewed",
        "Investigator:",
        "Reviewer:",
        "Signature:",
        "Purpose",
        "Asked by",
    ):
        assert heading in one
    assert findings.reproduce.inputs_sha256[:12] in one
    assert "“Motor overload on start”" in one
    assert "plunger seized by scale" in one
    for fact in ("within the period asked about", "Restarts after a trip", "supply within its tolerance", "settings"):
        assert fact in one
    for grade in ("Confirmed:", "Probable:", "Possible:", "Excluded:", "Not observable:"):
        assert grade in one


def test_cautions_are_shown_and_nothing_decides_who_pays(page: str) -> None:
    text = without_scripts(page)
    one, rest = text.split("</section>", 1)
    for short, full, source in cautions()[1]:
        assert html.escape(short).replace("&#x27;", "&#39;") in one
        assert full.split(";")[0][:40] in rest
        assert source
    assert "licensed practice" in text
    assert not NEVER.search(re.sub("<[^>]+>", " ", text))


def test_the_page_is_html_that_parses(page: str) -> None:
    """Reference: html5lib, an implementation of the HTML standard."""
    parser = html5lib.HTMLParser(strict=False)
    parser.parse(without_scripts(page))
    serious = [code for _, code, _ in parser.errors]
    assert serious == []


@pytest.mark.slow
def test_two_runs_give_the_same_bytes_but_for_one_line(finished: RunResult, demo_case: Path, tmp_path: Path) -> None:
    again = run_report(demo_case, tmp_path / "again", now=lambda: datetime(2032, 1, 1, tzinfo=UTC))
    assert again.findings.read_bytes() == finished.findings.read_bytes()
    assert again.set_aside.read_bytes() == finished.set_aside.read_bytes()
    old, new = (r.report.read_text(encoding="utf-8").splitlines() for r in (finished, again))
    differing = [(a, b) for a, b in zip(old, new, strict=True) if a != b]
    assert len(differing) == 1
    assert "Made 2031-06-01" in differing[0][0]


def test_the_executed_notebook_holds_the_values_that_were_passed(finished: RunResult, demo_case: Path) -> None:
    book = nbformat.read(str(finished.notebook), as_version=4)
    injected = [c for c in book.cells if "injected-parameters" in c.metadata.get("tags", [])]
    assert repr(str(demo_case.resolve()))[1:-1] in injected[0].source
    # only the last cell prints: what was written, and the verdict
    assert not [o for c in book.cells[:-1] for o in c.get("outputs", []) if o["output_type"] == "stream"]
    assert "report.html" in book.cells[-1].outputs[0]["text"]


@pytest.mark.slow
def test_a_revision_keeps_what_it_supersedes_and_says_what_changed(
    finished: RunResult, demo_case: Path, tmp_path: Path
) -> None:
    folder, out = tmp_path / "case", tmp_path / "out"
    shutil.copytree(demo_case.parent, folder)
    shutil.copytree(finished.out, out)
    case = folder / "case.toml"
    text = case.read_text(encoding="utf-8")
    case.write_text(text.replace("[machine]", "revision = 2\n[machine]", 1), encoding="utf-8")
    result = run_report(case, out, limits={"starts.unloaded_ratio_max": 0.45})
    kept = list((out / EARLIER).iterdir())
    assert len(kept) == 1
    assert (kept[0] / "report.html").read_bytes() == finished.report.read_bytes()
    assert (kept[0] / "findings.json").read_bytes() == finished.findings.read_bytes()
    page = result.report.read_text(encoding="utf-8")
    assert "Changes since revision 1" in page
    assert "starts.unloaded_ratio_max = 0.45" in page


@pytest.mark.slow
def test_a_limit_that_does_not_exist_is_refused_and_the_older_report_stays(
    finished: RunResult, demo_case: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    shutil.copytree(finished.out, out)
    before = {p.name: p.read_bytes() for p in out.iterdir() if p.is_file()}
    with pytest.raises(InputError, match=r"starts\.unloaded_ratio_max"):
        run_report(demo_case, out, limits={"starts.unloaded_ratio_maximum": 0.45})
    assert {n: (out / n).read_bytes() for n in before} == before
    failed = (out / "report.FAILED.html").read_text(encoding="utf-8")
    assert "NOT A REPORT: stopped at cell 3" in failed
    assert "Which causes stand?" in failed
