"""The page: one copy of the drawing library, nothing from outside, every text as text, faults refused."""

from __future__ import annotations

import hashlib
import html
import json
import re

import nbformat
import pytest
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output

from forensics.errors import RunError
from forensics.report.binding.drawing_library import SHA256, VERSION, drawing_library
from forensics.report.binding.markup import MARK, PLOTLY_MIME, table_markup
from forensics.report.binding.page import bind, check_page, script_json

NASTY = [
    "CH2 LoadSol</script><script>document.title='X'</script>",
    "CH2 <b>OilP</b>",
    'CH2 <a href="https://example.invalid/">Trip</a>',
    "<img src=x onerror=document.title='X'>",
    "CH2 {{ 7*7 }} %(name)s ${x}",
    "$a_1$ `code` **bold** _it_ <!-- x",
]


def figure_output(name: str, key: str) -> nbformat.NotebookNode:
    figure = {"data": [{"type": "scatter", "x": [0, 1], "y": [1, 2], "name": name}], "layout": {"height": 200}}
    return new_output(
        "display_data",
        data={PLOTLY_MIME: figure, "text/plain": name},
        metadata={MARK: {"role": "figure", "key": key, "alt": name}},
    )


def block(markup: str) -> nbformat.NotebookNode:
    return new_output("display_data", data={"text/html": markup}, metadata={MARK: {"role": "block"}})


def book(*outputs: nbformat.NotebookNode) -> nbformat.NotebookNode:
    return new_notebook(
        cells=[new_markdown_cell("## Starts\n\nCost is $5 and $6."), new_code_cell("", outputs=list(outputs))]
    )


def test_one_library_one_call_a_figure_and_nothing_from_outside() -> None:
    page = bind(book(*(figure_output("x", f"f-{n}") for n in range(10))), title="T", made="")
    assert page.count('class="plate"') == 10
    assert len(re.findall(r"<script>", page)) == 1
    assert page.count('<script type="text/plain" id="library">') == 1
    body = re.sub(r"<script\b.*?</script>", "", page, flags=re.DOTALL)
    assert not re.search(r"https?://", body)
    assert "default-src 'none'" in html.unescape(page)
    assert "'unsafe-eval'" not in page
    assert len(page.encode()) < 1_400_000


def test_a_bare_figure_of_another_cell_is_drawn_too() -> None:
    """Right value: EXPECT.md of folder 58 of the shared messy exports."""
    bare = new_output(
        "display_data", data={PLOTLY_MIME: {"data": [], "layout": {}}, "text/html": '<script src="https://x"></script>'}
    )
    page = bind(book(bare), title="T", made="")
    assert page.count('class="plate"') == 1
    assert 'src="https://x"' not in page


@pytest.mark.parametrize("text", NASTY)
def test_text_from_files_stays_text(text: str) -> None:
    import pandas as pd

    table = table_markup(pd.DataFrame({text: [text]}), caption=text)
    page = bind(book(block(table), figure_output(text, "f")), title=text, made=text)
    spec = re.search(r'<script type="application/json"[^>]*>(.*?)</script>', page, re.DOTALL)
    assert spec is not None
    assert json.loads(spec[1])["data"][0]["name"] == text
    rest = re.sub(r"<script\b.*?</script>", "", page, flags=re.DOTALL)
    assert "<b>OilP" not in rest
    assert "onerror=document" not in rest.replace("&lt;img src=x onerror=document", "")
    assert '<a href="https' not in rest
    if "{{" in text:
        assert "{{ 7*7 }}" in rest


def test_markup_of_a_cell_that_is_not_ours_is_shown_as_text() -> None:
    alien = new_output("display_data", data={"text/html": "<img src=x>", "text/plain": "<img alien>"})
    page = bind(book(alien), title="T", made="")
    assert "<pre>&lt;img alien&gt;</pre>" in page
    assert "<img src=x>" not in page


def test_progress_bars_and_warnings_do_not_reach_the_page() -> None:
    bar = new_output("stream", name="stderr", text="10%|##   |\r20%|###  |")
    told = new_output("stream", name="stdout", text="a 10%\ra 100%\nplain\n")
    page = bind(book(bar, told), title="T", made="")
    assert "20%" not in page
    assert "a 10%" not in page
    assert "a 100%\nplain" in page


def test_dollars_are_no_mathematics_and_headings_make_the_contents() -> None:
    page = bind(book(), title="T", made="")
    assert "<p>Cost is $5 and $6.</p>" in page
    assert '<h2 id="starts">Starts</h2>' in page
    assert '<a href="#starts">Starts</a>' in page


def test_script_json_can_not_leave_its_element() -> None:
    text = script_json({"a": "</script><!--\u2028"})
    assert "<" not in text
    assert "\u2028" not in text
    assert json.loads(text) == {"a": "</script><!--\u2028"}


@pytest.mark.parametrize(
    ("markup", "said"),
    [
        ('<img src="https://x/y.png">', "address outside"),
        ('<p id="a">1</p><p id="a">2</p>', "id 'a' is there twice"),
        ('<a href="#nowhere">x</a>', "link to #nowhere leads nowhere"),
        ("<script>1</script>", "1 scripts and 0 libraries instead"),
    ],
)
def test_a_page_that_is_not_sound_is_refused(markup: str, said: str) -> None:
    with pytest.raises(RunError, match=said):
        check_page(f"<html><body>{markup}</body></html>", [])


def test_a_figure_that_got_lost_is_noticed() -> None:
    with pytest.raises(RunError, match="1 figures were made, 0 are in the page"):
        check_page("<html><body><script></script><script></script></body></html>", ["f"])


def test_two_figures_of_one_key_are_refused() -> None:
    with pytest.raises(RunError, match="there twice"):
        bind(book(figure_output("a", "f"), figure_output("b", "f")), title="T", made="")


def test_the_running_foot_of_a_printed_page_can_not_leave_its_string() -> None:
    page = bind(book(), title='case-1"}</style><script>document.title="x"</script>', made="")
    style = page.split("<style>")[1].split("</style>")[0]
    foot = style.split("@bottom-left{content:")[1].split(";font")[0]
    assert foot.startswith('"')
    assert foot.count('"') == 2
    assert "<" not in foot
    assert "case-1" in foot


def test_the_drawing_library_is_the_file_that_its_version_and_hash_say() -> None:
    text = drawing_library()
    assert hashlib.sha256(text.encode("utf-8")).hexdigest() == SHA256
    assert f"v{VERSION}" in text[:200]
    assert "</script" not in text.lower()


def test_the_notebook_and_the_page_draw_with_one_version_of_the_library() -> None:
    """Reference: the version that the Python package itself carries."""
    from plotly.offline import get_plotlyjs_version

    assert get_plotlyjs_version() == VERSION
