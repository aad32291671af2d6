"""Makes the results of a sealed case again from its originals, and holds each against the sealed one.

The installed program and the rules that ship with it are used, whatever lies in the bag. Nothing that the bag says
loosens the comparison: a result is the same when its bytes are, and anything else is told.
"""

from __future__ import annotations

import ast
import json
import math
import re
import shutil
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from html.parser import HTMLParser
from itertools import zip_longest
from pathlib import Path
from typing import Any, Literal

from forensics.case.schema import CaseFile
from forensics.report.running.own_cells import OWN, OwnCells, own_cells
from forensics.report.written.result_set import (
    FINDINGS_NAME,
    NOTEBOOK_NAME,
    REPORT_NAME,
    SET_ASIDE_NAME,
    TABLES_NAME,
)
from forensics.results.diff import SIX_DIGITS, differences

State = Literal["same", "close", "differs", "not re-made"]
_MADE = re.compile(r"Made (\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ)\.")
_LONGEST = 80
_MOST_QUOTED = 200


@dataclass(frozen=True)
class Remade:
    """One result as it was made again.

    Attributes
    ----------
    state
        ``same`` byte for byte; ``close``: not, but every number agrees to 6 significant digits; ``differs``;
        ``not re-made``.
    lines
        Where it differs, or why it was not made again.
    """

    name: str
    state: State
    lines: tuple[str, ...] = ()


@dataclass(frozen=True)
class Again:
    """What a case is run again with: limits of the sealed run, tables or none, the time that the page tells.

    Cells of an engineer are never run: the page is bound with what they showed in the sealed notebook.
    """

    limits: Mapping[str, float]
    tables: bool
    made: datetime
    own: OwnCells = field(default_factory=OwnCells)


Rerun = Callable[[Path, Path, Again], None]


def run_again(case: Path, out: Path, again: Again) -> None:
    """Run the installed program on a case."""
    from forensics.report import run_report

    run_report(case, out, limits=again.limits, tables=again.tables, own=again.own, now=lambda: again.made)


def limits_of_run(findings: Any, casefile: CaseFile) -> dict[str, float]:
    """Limits that were tried in the sealed run, as its findings file lists them.

    A file of the first version does not tell who gave a limit: what the case file does not give was tried in the run.

    Raises
    ------
    ValueError
        The list can't be read.
    """
    given = {limit.name: limit.value for limit in casefile.limit}
    found: dict[str, float] = {}
    try:
        for row in findings["overrides"]:
            name, value = row["limit"], row["value"]
            if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
                raise ValueError(f"limit '{name}' has no number")
            by_run = row["given_by"] == "run" if "given_by" in row else given.get(name) != value
            if by_run:
                found[str(name)] = float(value)
    except (KeyError, TypeError) as fault:
        raise ValueError(f"the list of limits can't be read ({fault})") from None
    return found


def own_of(notebook: Path) -> OwnCells:
    """Cells of an engineer in a sealed notebook, as they were executed; none where no notebook was kept.

    Raises
    ------
    ValueError
        The notebook can't be read.
    """
    if not notebook.is_file():
        return OwnCells()
    try:
        return own_cells(json.loads(notebook.read_text(encoding="utf-8")))
    except (KeyError, TypeError, AttributeError, RecursionError) as fault:
        raise ValueError(f"the notebook can't be read ({type(fault).__name__})") from None


def made_at(page: bytes) -> datetime:
    """The time that a page tells of itself, in its one line that says so.

    Raises
    ------
    ValueError
        There is no such line, or more than one.
    """
    found = _MADE.findall(page.decode("utf-8", errors="replace"))
    if len(found) != 1:
        raise ValueError(f"the page tells {len(found)} times when it was made, not once")
    return datetime.strptime(found[0], "%Y-%m-%dT%H:%M:%SZ").replace(tzinfo=UTC)


def remake(sealed: Path, case: Path, scratch: Path, again: Again, *, superseded: Path | None, rerun: Rerun) -> Path:
    """Run a case again in a scratch folder; returns the folder of the new results.

    Parameters
    ----------
    sealed
        Folder of the sealed case; it is only read, and copied first, so that nothing beside it is reached.
    case
        The case file in it.
    superseded
        Findings that the case supersedes, where the bag holds them.
    """
    copy, out = scratch / "case", scratch / "results"
    shutil.copytree(sealed, copy)
    out.mkdir()
    if superseded is not None:
        kept = out / "earlier" / "superseded"
        kept.mkdir(parents=True)
        shutil.copyfile(superseded, kept / FINDINGS_NAME)
    rerun(copy / case.relative_to(sealed), out, again)
    return out


def compare(sealed: Path, new: Path) -> tuple[Remade, ...]:
    """Hold every sealed result against the one that was made again, each by its name."""
    names = [FINDINGS_NAME, REPORT_NAME, SET_ASIDE_NAME]
    names += [n for n in (NOTEBOOK_NAME,) if (sealed / n).is_file()]
    names += sorted({t.relative_to(f).as_posix() for f in (sealed, new) for t in (f / TABLES_NAME).glob("*.csv")})
    return tuple(_compare_one(name, sealed / name, new / name) for name in names)


def _compare_one(name: str, sealed: Path, new: Path) -> Remade:
    if not sealed.is_file() or not new.is_file():
        return Remade(name, "differs", ("it was not sealed" if new.is_file() else "it was not made again",))
    old, made = sealed.read_bytes(), new.read_bytes()
    if old == made:
        return Remade(name, "same")
    try:
        if name == FINDINGS_NAME:
            return _findings(name, json.loads(old), json.loads(made))
        if name == NOTEBOOK_NAME:
            lines = differences(_cells(json.loads(old)), _cells(json.loads(made)))
            return Remade(name, "differs" if lines else "same", tuple(lines))
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError, SyntaxError) as fault:
        return Remade(name, "differs", (f"can't be read: {type(fault).__name__}",))
    return Remade(name, "differs", tuple(_word_differences(_words(old), _words(made))))


def _findings(name: str, old: Any, made: Any) -> Remade:
    lines = differences(old, made) or ["the way it is written"]
    close = not differences(old, made, tolerance=SIX_DIGITS)
    return Remade(name, "close" if close else "differs", tuple(lines))


def _cells(notebook: Any) -> list[dict[str, Any]]:
    """What an executed notebook says, without its times, and without where case and results lay.

    What an engineer added is no result of the program; that the page holds it as it stands there is compared with it.
    """
    found = []
    for cell in notebook["cells"]:
        tags = cell.get("metadata", {}).get("tags", [])
        if OWN in tags:
            continue
        source = cell["source"] if isinstance(cell["source"], str) else "".join(cell["source"])
        injected = "injected-parameters" in tags
        found.append(
            {
                "type": cell["cell_type"],
                "tags": tags,
                "source": _parameters(source) if injected else source,
                "outputs": cell.get("outputs", []),
            }
        )
    return found


def _parameters(source: str) -> dict[str, Any]:
    """Values of the injected cell; anything but plain values in it is shown as it stands."""
    body = ast.parse(source).body
    plain: dict[str, Any] = {}
    for number, node in enumerate(body):
        if isinstance(node, ast.Assign) and len(node.targets) == 1 and isinstance(node.targets[0], ast.Name):
            plain[node.targets[0].id] = ast.literal_eval(node.value)
        else:
            plain[f"line {number}"] = ast.unparse(node)
    return {name: value for name, value in plain.items() if name not in {"case", "out"}}


class _Words(HTMLParser):
    """The words of a page, in order."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.found: list[str] = []
        self.inside = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note where a style begins: it says nothing."""
        self.inside = tag

    def handle_data(self, data: str) -> None:
        """Keep what is said."""
        if data.strip() and self.inside != "style":
            self.found.append(" ".join(data.split()))


def _words(content: bytes) -> list[str]:
    text = content.decode("utf-8", errors="replace")
    if not text.lstrip().startswith("<"):
        return text.splitlines()
    reader = _Words()
    reader.feed(text)
    return reader.found


def _word_differences(old: list[str], made: list[str]) -> list[str]:
    """The first place that differs; then all that only one of the two says: a new layout does not hide a new word."""
    lines = []
    for first, second in zip_longest(old, made, fillvalue=""):
        if first != second:
            place = next((n for n, (a, b) in enumerate(zip(first, second, strict=False)) if a != b), 0)
            begin = max(0, place - _LONGEST // 4)
            lines.append(f"sealed '{_short(first[begin:])}', made again '{_short(second[begin:])}'")
            break
    if not lines:
        return ["the words are the same, what stands behind them is not"]
    lines += [f"only sealed: '{_short(word)}'" for word in _beyond(old, made)]
    return lines + [f"only made again: '{_short(word)}'" for word in _beyond(made, old)]


def _beyond(these: list[str], others: list[str]) -> list[str]:
    """What stands in a list more often than in another, in order, the first of them."""
    more = Counter(these) - Counter(others)
    found = []
    for word in these:
        if more[word] > 0:
            more[word] -= 1
            found.append(word)
    return found[:_MOST_QUOTED]


def _short(text: str) -> str:
    return text if len(text) <= _LONGEST else text[: _LONGEST - 1] + "…"
