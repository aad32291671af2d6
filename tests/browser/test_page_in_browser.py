"""The page in a browser without a network: figures drawn, nothing in the console, narrow and printed layouts whole."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path
from typing import Any

import nbformat
import pytest
from nbformat.v4 import new_code_cell, new_notebook, new_output

from forensics.report.binding.markup import MARK, PLOTLY_MIME, render, table_markup
from forensics.report.binding.page import bind, page_file
from forensics.report.figures.figure import Figure, label, layout
from forensics.report.figures.panels import Panel, stack

pytestmark = pytest.mark.browser

NASTY = [
    "CH2 LoadSol</script><script>document.title='X'</script>",
    "CH2 <b>OilP</b>",
    'CH2 <a href="https://example.invalid/">Trip</a>',
    "<img src=x onerror=document.title='X'>",
    "CH2 {{ 7*7 }} %(name)s ${x} %{y}",
    "P < 20 & T > 90 &amp; $a_1$",
]


def outputs(plate: Figure) -> list[nbformat.NotebookNode]:
    caption = render("caption.html.j2", {"plate": plate, "table": table_markup(plate.table)})
    about = {"role": "figure", "key": plate.key, "alt": plate.alt}
    return [
        new_output("display_data", data={PLOTLY_MIME: plate.figure, "text/plain": plate.alt}, metadata={MARK: about}),
        new_output("display_data", data={"text/html": caption}, metadata={MARK: {"role": "caption"}}),
    ]


def nasty_page() -> str:
    import pandas as pd

    traces = [
        {"type": "scatter", "mode": "lines", "x": [0, 1, 2], "y": [n, n + 1, n], "name": label(text)}
        for n, text in enumerate(NASTY)
    ]
    figure = stack([Panel("current, A", traces, 300)], {"title": {"text": "s"}})
    figure["layout"]["showlegend"] = True
    figure["layout"]["annotations"] += [
        {"text": label(text), "x": 1, "y": n, "showarrow": False, "font": {"size": 9}} for n, text in enumerate(NASTY)
    ]
    wide = pd.DataFrame({f"column {n} {text}": [text] * 3 for n in range(3) for text in NASTY[:5]})
    plate = Figure("nasty", figure, NASTY[0], NASTY[1], wide)
    many = Figure("second", {"data": traces, "layout": layout(300)}, "c", "a", wide)
    cells = [new_code_cell("", outputs=[*outputs(plate), *outputs(many)])]
    return bind(new_notebook(cells=cells), title="the report's own title", made="")


@pytest.fixture(scope="module")
def nasty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_text(nasty_page(), encoding="utf-8")
    return path


def test_names_from_files_are_shown_letter_for_letter(browser: Any, nasty: Path) -> None:
    """Right value: EXPECT.md of folder 60 of the shared messy exports."""
    browser.open(nasty)
    assert browser.troubles() == []
    assert browser.value("document.title") == "the report's own title"
    assert browser.value("document.querySelectorAll('[data-drawn]').length") == 2
    assert browser.value("document.querySelectorAll('a[href*=invalid], img').length") == 0
    assert browser.value("document.querySelectorAll('svg a').length") == 0
    shown = browser.value("[...document.querySelectorAll('#plot-nasty .annotation-text')].map(e => e.textContent)")
    for text in NASTY:
        assert text in shown
    legend = browser.value("[...document.querySelectorAll('#plot-nasty .legendtext')].map(e => e.textContent)")
    assert legend == NASTY
    browser.value("window.dispatchEvent(new Event('open-all'))")
    assert NASTY[4] in browser.value("document.querySelector('table').textContent")


def test_no_script_but_the_pages_own_may_run(browser: Any, nasty: Path) -> None:
    browser.open(nasty)
    ran = browser.value(
        "(() => { const s = document.createElement('script'); s.textContent = 'window.ran = 1';"
        " document.body.appendChild(s); return window.ran === 1; })()"
    )
    assert ran is False


@pytest.mark.parametrize("width", [375, 1440])
def test_layout_does_not_overflow(browser: Any, nasty: Path, width: int) -> None:
    browser.open(nasty, width=width)
    assert browser.value("document.documentElement.scrollWidth") <= width


def test_print_keeps_figures_and_open_tables(browser: Any, tmp_path: Path) -> None:
    """Right value: EXPECT.md of folder 64 of the shared messy exports: both charts, every column, nothing hidden."""
    import pandas as pd

    wide = pd.DataFrame({f"column {n}": [NASTY[2]] * 3 for n in range(3)})
    plates = [outputs(Figure(key, line_figure(), "c", "a", wide)) for key in ("one", "two")]
    table = new_output("display_data", data={"text/html": table_markup(wide)}, metadata={MARK: {"role": "block"}})
    book = new_notebook(cells=[new_code_cell("", outputs=[*plates[0], *plates[1], table])])
    path = tmp_path / "report.html"
    path.write_text(bind(book, title="t", made=""), encoding="utf-8")
    browser.open(path)
    pdf = browser.pdf(tmp_path / "page.pdf")
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is not installed")
    text = subprocess.run(["pdftotext", "-layout", str(pdf), "-"], capture_output=True, text=True, check=True).stdout
    assert text.count("current, A") >= 2
    squeezed = "".join(text.split())
    for n in (0, 1, 2):
        assert f"column{n}" in squeezed
    assert "https://example.invalid/" in squeezed


def line_figure() -> dict[str, Any]:
    trace = {"type": "scatter", "mode": "lines", "x": [0, 1], "y": [1, 2], "name": "motor"}
    return stack([Panel("current, A", [trace], 200)], {"title": {"text": "s"}})


def printed_pages(pdf: Path) -> list[str]:
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is not installed")
    text = subprocess.run(["pdftotext", "-layout", str(pdf), "-"], capture_output=True, text=True, check=True).stdout
    return [page.strip() for page in text.split("\f")]


OVERLAPS = """
[...document.querySelectorAll('.plot')].flatMap(plot => {
  const note = n => (plot.layout.annotations[n] || {}).name === 'strip';
  const whole = plot.getBoundingClientRect();
  const frames = [...plot.querySelectorAll('.plot')].map(e => e.getBoundingClientRect());
  return [...plot.querySelectorAll('.annotation')].filter((e, n) => note(n)).flatMap(e => {
    const box = e.getBoundingClientRect(), wrong = [];
    if (box.right > whole.right + 2 || box.top < whole.top - 2) { wrong.push(plot.id + ' cuts: ' + e.textContent); }
    for (const f of frames) {
      if (box.top < f.bottom - 4 && box.bottom > f.top + 4) { wrong.push(plot.id + ' covers: ' + e.textContent); }
    }
    return wrong;
  });
})
"""


def stacked_page(letters: int) -> str:
    """A page with one figure of two panels, each with so many long names that they need several lines."""
    names = [f"reading {n} {'of a long name '[:letters]}" for n in range(7)]
    traces = [{"type": "scatter", "mode": "lines", "x": [0, 1], "y": [n, 1], "name": n_} for n, n_ in enumerate(names)]
    figure = stack(
        [Panel("pressure, kPa", traces, 150), Panel("current, A", traces[:2], 150)], {"title": {"text": "s"}}
    )
    plate = Figure("stacked", figure, "caption of it", "alternative of it")
    return bind(new_notebook(cells=[new_code_cell("", outputs=outputs(plate))]), title="t", made="")


@pytest.mark.parametrize("width", [375, 800, 1440])
def test_names_above_a_panel_are_wrapped_and_cover_no_data(browser: Any, tmp_path: Path, width: int) -> None:
    path = tmp_path / "report.html"
    path.write_text(stacked_page(14), encoding="utf-8")
    browser.open(path, width=width)
    assert browser.troubles() == []
    assert browser.value(OVERLAPS) == []
    lines = browser.value("document.querySelector('#plot-stacked').layout.annotations[0].text.split('<br>').length")
    assert lines >= (4 if width == 375 else 2)


def test_no_word_of_a_table_is_broken_but_a_long_one(browser: Any, tmp_path: Path) -> None:
    import pandas as pd

    table = pd.DataFrame([["not-observable", "x" * 70, "starts.loaded_at_failure_of_this_machine", "text " * 30]] * 3)
    markup = table_markup(table.set_axis(["grade", "hash", "finding", "why"], axis=1), anchors="", links=["finding"])
    page = f"<style>{page_file('report.css')}</style><body><main style='width:420px'>{markup}</main>"
    path = tmp_path / "table.html"
    path.write_text(page, encoding="utf-8")
    browser.open(path)
    for column, lines in ((1, 2), (3, 6)):
        height = browser.value(f"document.querySelector('td:nth-child({column})').getClientRects()[0].height")
        text = browser.value(
            f"(() => {{ const r = document.createRange(); r.selectNodeContents(document.querySelector("
            f"'td:nth-child({column})')); "
            "return new Set([...r.getClientRects()].map(box => Math.round(box.top))).size; })()"
        )
        assert text <= lines, (column, height)


@pytest.mark.slow
def test_the_finished_report_draws_in_three_seconds(browser: Any, tmp_path: Path) -> None:
    from forensics.demo import DEMO_CASES
    from forensics.report import run_report

    result = run_report(DEMO_CASES["loaded-starts"], tmp_path / "out")
    best_s = min(browser.open(result.report) for _ in range(3))
    assert browser.troubles() == []
    assert browser.value("document.querySelectorAll('[data-drawn]').length") == result.figures
    if os.getloadavg()[0] < (os.cpu_count() or 1):  # on a busy machine the time says nothing about the page
        assert best_s <= 3.0
    for width in (375, 1440):
        browser.open(result.report, width=width)
        assert browser.value("document.documentElement.scrollWidth") <= width
        assert browser.value(OVERLAPS) == []
    browser.open(result.report)
    assert "What happened" in printed_pages(browser.pdf(tmp_path / "report.pdf"))[1].splitlines()[0]
