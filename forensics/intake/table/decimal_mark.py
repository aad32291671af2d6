"""Which mark is the decimal one, decided for a whole file from its cells, or asked for."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import KW_ONLY, dataclass, field

from forensics.case.exports import Source
from forensics.intake.result import Detection
from forensics.intake.table.values import SUFFIXED, MarkCount, Marks
from forensics.model.row_numbers import said_row

_NAMES = {".": "point", ",": "comma", "'": "apostrophe", " ": "blank", "": "none"}


@dataclass(slots=True)
class MarkDecision:
    """Marks of a file.

    Attributes
    ----------
    settled
        False where only groups of three digits behind one mark were seen: it may be either.
    both
        Whether cells show point and comma as decimal marks.
    final
        Whether every cell that can tell was looked at: then an open mark is asked for.
    undecided
        Column number to (line, text, number of such cells): the columns that must be asked for.
    """

    marks: Marks
    _: KW_ONLY
    settled: bool
    both: bool = False
    final: bool = False
    detections: list[Detection] = field(default_factory=list)
    undecided: dict[int, tuple[int, str, int]] = field(default_factory=dict)


def decide_marks(source: Source, cells: Iterable[tuple[int, int, str]]) -> MarkDecision:
    """Decide the marks from cells given as (column, line, text).

    One cell such as ``118,5`` settles the decimal mark for the whole file; ``1.234`` alone may be 1234 or 1.234.
    """
    count = MarkCount()
    undecided: dict[int, tuple[int, str, int]] = {}
    mark_seen = ""
    for column, row, text in cells:
        if count.look(text, row):
            first = undecided.get(column, (row, _bare(text), 0))
            undecided[column] = (first[0], first[1], first[2] + 1)
            mark_seen = mark_seen or next(c for c in text if c in ".,")
    if source.decimal or source.thousands:
        return _told(source)
    found = dict(count.decimal)
    both = len(found) > 1
    if both:
        # two decimal marks: the one seen first is taken; columns with the other, or with either, are asked for
        earliest = min(found, key=lambda mark: found[mark][0])
        found = {earliest: found[earliest]}
    if found:
        decimal, (row, text) = next(iter(found.items()))
        other = "," if decimal == "." else "."
        used = next((m for m in count.thousands if m != decimal), "")
        thousands = used or (other if undecided and mark_seen == other else "")
        if not thousands:
            thousands = other
        evidence = f"decided by line {said_row(row)} ({text})"
        out = [Detection("decimal mark", _NAMES[decimal], evidence)]
        if used or (undecided and mark_seen == other):
            out.append(Detection("thousands mark", _NAMES[thousands], "the decimal mark is the other one"))
        return MarkDecision(
            Marks(decimal, thousands),
            settled=not (both and undecided),
            both=both,
            detections=out,
            undecided=undecided if both else {},
        )
    if count.thousands:
        mark, (row, text) = next(iter(count.thousands.items()))
        decimal = "," if mark == "." else "."
        seen = Detection("thousands mark", _NAMES[mark], f"decided by line {said_row(row)} ({text})")
        return MarkDecision(Marks(decimal, mark), settled=True, detections=[seen])
    if undecided:
        return MarkDecision(Marks(), settled=False, undecided=undecided)
    return MarkDecision(Marks(".", ","), settled=True)


def _bare(text: str) -> str:
    """A number without the unit behind it."""
    match = SUFFIXED.match(text.strip())
    return match["number"].strip() if match is not None else text.strip()


def _told(source: Source) -> MarkDecision:
    decimal = source.decimal or ("," if source.thousands == "." else ".")
    thousands = source.thousands if source.thousands is not None else ("," if decimal == "." else ".")
    if thousands == decimal:
        thousands = ""
    text = f"decimal {_NAMES[decimal]}, thousands {_NAMES.get(thousands, thousands)}"
    return MarkDecision(
        Marks(decimal, thousands), settled=True, detections=[Detection("marks", text, "given in the case file")]
    )
