"""Binds an executed notebook into one page that works offline, and checks the page after it is made."""

from __future__ import annotations

import base64
import hashlib
import html
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from html.parser import HTMLParser
from importlib import resources
from typing import TYPE_CHECKING, Any

from forensics.errors import RunError
from forensics.model.outside_text import for_page
from forensics.report.binding.drawing_library import drawing_library
from forensics.report.binding.markup import MARK, PLOTLY_MIME, environment, render, slug
from forensics.report.notebooks import ADDED

if TYPE_CHECKING:
    from nbformat import NotebookNode

PAGE_LIMIT_BYTES = 7_000_000
NOT_IN_PAGE = "not-in-page"


@dataclass
class _Body:
    """Parts of the page as they are collected."""

    parts: list[str] = field(default_factory=list)
    contents: list[tuple[str, str]] = field(default_factory=list)
    keys: list[str] = field(default_factory=list)
    open_figure: bool = False

    def add(self, part: str) -> None:
        self.parts.append(part)

    def close_figure(self) -> None:
        if self.open_figure:
            self.parts.append("</figure>")
            self.open_figure = False


def bind(notebook: NotebookNode, *, title: str, made: str) -> str:
    """One HTML page of the cells' outputs, in their order; input cells are left out.

    Parameters
    ----------
    notebook
        Executed.
    title
        Title of the document, as plain text.
    made
        When and by what the page was made: the only line in which two runs of one case differ.

    Raises
    ------
    RunError
        The page would not be sound: too large, a figure missing, an address outside.
    """
    body = _Body()
    for cell in notebook.cells:
        if NOT_IN_PAGE in cell.metadata.get("tags", []):
            continue
        if cell.cell_type == "markdown":
            body.close_figure()
            body.add(_markdown(cell.source, body.contents))
        elif cell.cell_type == "code":
            for output in cell.outputs:
                _add_output(output, body)
    body.close_figure()
    scripts = _scripts() if body.keys else ["", page_file("draw.js")]
    page = render(
        "page.html.j2",
        {
            "title": title,
            "running": css_string(title),
            "policy": _policy(scripts),
            "css": page_file("report.css"),
            "contents": body.contents,
            "body": "\n".join(body.parts),
            "made": made,
            "scripts": scripts,
        },
    )
    check_page(page, body.keys)
    return page


def css_string(text: str) -> str:
    """Text that may stand in a string of a style sheet: every sign but letters, digits, spaces and ``.,:-`` escaped."""
    clean = " ".join(for_page(text).split())
    return "".join(c if (c.isascii() and c.isalnum()) or c in " .,:-" else f"\\{ord(c):x} " for c in clean)


def _add_output(output: Mapping[str, Any], body: _Body) -> None:
    if output["output_type"] == "stream":
        if output["name"] == "stdout":
            body.close_figure()
            body.add(f"<pre>{html.escape(_last_lines(_joined(output['text'])))}</pre>")
        return
    if output["output_type"] == "error":
        raise RunError("a cell ended in an error: its outputs are no report")
    data, mark = output["data"], output.get("metadata", {}).get(MARK)
    if PLOTLY_MIME in data:
        _add_figure(data, mark or {}, body)
        return
    if mark is None:
        text = _joined(data.get("text/plain", ""))
        if text:
            body.close_figure()
            body.add(f"<pre>{html.escape(text)}</pre>")
    elif mark["role"] == "caption" and body.open_figure:
        body.add(f"<figcaption>{_joined(data['text/html'])}</figcaption>")
        body.close_figure()
    elif mark["role"] == "block":
        body.close_figure()
        body.add(_joined(data["text/html"]))


def _add_figure(data: Mapping[str, Any], mark: Mapping[str, Any], body: _Body) -> None:
    body.close_figure()
    key = slug(str(mark.get("key") or f"figure-{len(body.keys) + 1}"))
    if key in body.keys:
        raise RunError(f"figure '{key}' is there twice")
    body.keys.append(key)
    figure = data[PLOTLY_MIME]
    height = int(figure.get("layout", {}).get("height") or 450)
    alt = html.escape(str(mark.get("alt") or _joined(data.get("text/plain", "")) or key), quote=True)
    spec = {"data": figure.get("data", []), "layout": figure.get("layout", {})}
    body.add(
        f'<figure id="figure-{key}"><div class="plot" id="plot-{key}" role="group" aria-label="{alt}" '
        f'style="height:{height}px"></div>'
        f'<script type="application/json" class="plate" data-for="plot-{key}">{script_json(spec)}</script>'
    )
    body.open_figure = True


def script_json(value: object) -> str:
    """JSON that may stand inside a script element: ``<``, ``>``, ``&`` and the two line marks are escaped."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for char in "<>&\u2028\u2029":
        text = text.replace(char, f"\\u{ord(char):04x}")
    return for_page(text)


def _markdown(source: str, contents: list[tuple[str, str]]) -> str:
    """Markdown of the notebook itself as HTML: no raw HTML, no mathematics; second-level headings get anchors."""
    import mistune

    class Renderer(mistune.HTMLRenderer):
        def heading(self, text: str, level: int, **attrs: Any) -> str:
            anchor = slug(html.unescape(text))
            if level == 2:  # noqa: PLR2004 - the level of a section
                contents.append((anchor, html.unescape(text)))
            return f'<h{level} id="{anchor}">{text}</h{level}>\n'

    return str(mistune.create_markdown(renderer=Renderer(escape=True))(source))


def _joined(text: str | list[str]) -> str:
    return text if isinstance(text, str) else "".join(text)


def _last_lines(text: str) -> str:
    """Printed text without what carriage returns overwrote."""
    return "\n".join(line.rstrip("\r").rsplit("\r", 1)[-1] for line in text.split("\n"))


def page_file(name: str) -> str:
    """Text of a file that ships with the report."""
    return resources.files("forensics.report").joinpath(name).read_text(encoding="utf-8")


def _scripts() -> list[str]:
    """The library, which the page keeps as text until the first figure is drawn, and the page's own script."""
    return [drawing_library(), page_file("draw.js")]


def _policy(scripts: list[str]) -> str:
    """Content security policy: nothing from outside, and no script but the page's own."""
    digests = [base64.b64encode(hashlib.sha256(s.encode("utf-8")).digest()).decode() for s in scripts]
    allowed = " ".join(f"'sha256-{digest}'" for digest in digests) or "'none'"
    return (
        f"default-src 'none'; script-src {allowed}; style-src 'unsafe-inline'; img-src data: blob:; "
        "base-uri 'none'; form-action 'none'"
    )


_ADDRESS = frozenset({"src", "href", "action", "data", "poster", "srcset", "formaction", "background", "xlink:href"})


class _Inspector(HTMLParser):
    """Collects what the check of a page needs."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.ids: list[str] = []
        self.plates: list[str] = []
        self.running_scripts = self.libraries = 0
        self.outside: list[str] = []
        self.anchors: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note ids, scripts and addresses of one element."""
        found = {name: value or "" for name, value in attrs}
        if "id" in found:
            self.ids.append(found["id"])
        if tag == "script":
            if "plate" in found.get("class", "").split():
                self.plates.append(found.get("data-for", ""))
            elif found.get("type") == "text/plain":
                self.libraries += 1
            else:
                self.running_scripts += 1
        for name in _ADDRESS & found.keys():
            value = found[name].strip()
            if value.startswith("#"):
                self.anchors.append(value[1:])
            elif not value.startswith("data:image/"):
                self.outside.append(value)


def check_page(page: str, keys: list[str], *, scripts: int = 1) -> None:
    """Refuse a page that is not sound.

    Parameters
    ----------
    keys
        Keys of the figures that the page must hold.
    scripts
        Scripts, and drawing libraries, that the page must hold: one of each, or none on paper.

    Raises
    ------
    RunError
        A figure is missing or twice, an address points outside, ids repeat, an own link leads nowhere, or the
        page is larger than 7 MB.
    """
    seen = _Inspector()
    seen.feed(page)
    faults = [f"address outside: {value[:80]}" for value in seen.outside]
    if seen.plates != [f"plot-{key}" for key in keys]:
        faults.append(f"{len(keys)} figures were made, {len(seen.plates)} are in the page")
    if (seen.running_scripts, seen.libraries) != (scripts, scripts):
        found = f"{seen.running_scripts} scripts and {seen.libraries} libraries"
        faults.append(f"{found} instead of the page's own {scripts} each")
    doubled = (
        sorted({name for name in seen.ids if seen.ids.count(name) > 1}) if len(set(seen.ids)) < len(seen.ids) else []
    )
    faults += [f"id '{name}' is there twice" for name in doubled]
    faults += [f"link to #{name} leads nowhere" for name in sorted(set(seen.anchors) - set(seen.ids))]
    size = len(page.encode("utf-8"))
    if size > PAGE_LIMIT_BYTES:
        faults.append(f"the page has {size / 1e6:.1f} MB, more than {PAGE_LIMIT_BYTES / 1e6:.0f} MB")
    if faults:
        raise RunError("the page is not sound and was not written: " + "; ".join(faults))


def sections(notebook: NotebookNode) -> Iterator[tuple[int, str]]:
    """Cell number (from 1, injected cells not counted) and heading of every second-level heading."""
    number = 0
    for cell in notebook.cells:
        if ADDED & set(cell.metadata.get("tags", [])):
            continue
        number += 1
        if cell.cell_type == "markdown":
            for line in cell.source.splitlines():
                if line.startswith("## "):
                    yield number, line.removeprefix("## ").strip()


__all__ = ["bind", "check_page", "environment", "script_json", "sections"]
