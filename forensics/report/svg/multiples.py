"""Small multiples: one panel a quantity over a common axis, words at the ends of the lines, a few notes, no legend."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from forensics.report.svg import elements as svg
from forensics.report.svg.scale import Scale, tick_words, value_ticks

TITLE_PX, FOOT_PX, GAP_PX, LEFT_PX, TOP_PX = 17.0, 32.0, 6.0, 44.0, 2.0
WORDS_PX = 11.0
_LINE_PX, _CLOSE_PX, _PAD = 13.0, 12.0, 3.0
_LIMIT_DASH = "5 3"
_ROOM_SHARE, _BOLD = 0.06, 1.1
# a quantity that hardly moves is drawn as one that hardly moves: its axis spans at least this share of its level
_LEAST_SPAN = 0.2
_WALK_PX, _ON_LINE, _ON_MARKED = 4.0, 12.0, 40.0


@dataclass(frozen=True)
class Series:
    """One line or one set of marks of a panel.

    Attributes
    ----------
    x, y
        Runs of points in the units of the axes; a break lies between two runs.
    marks
        Dots instead of a line.
    colour, width, diamond
        How it is drawn.
    end
        Words at its right end.
    spread
        Lowest and highest value of each point, drawn as a bar behind its mark.
    """

    runs: Sequence[Sequence[svg.Point]]
    marks: bool = False
    colour: str = svg.GREY
    width: float = 1.2
    diamond: bool = False
    end: str = ""
    spread: Sequence[tuple[float, float, float]] = ()

    @property
    def values(self) -> list[float]:
        """Every value that the panel must have room for."""
        found = [y for run in self.runs for _, y in run]
        return found + [v for _, low, high in self.spread for v in (low, high)]


@dataclass(frozen=True)
class Note:
    """A few words at a point of a panel, with a leader to it."""

    x: float
    y: float
    words: str


@dataclass(frozen=True)
class Multiple:
    """One panel.

    Attributes
    ----------
    title
        Quantity and unit.
    limits
        Values that get a dashed line with words.
    spans
        Spans of the common axis that are hatched: an event lies somewhere in each.
    from_zero
        Whether the value axis begins at 0.
    least_span
        The least that the value axis spans, in its unit, so that noise does not fill a panel.
    """

    title: str
    series: Sequence[Series]
    limits: Sequence[tuple[float, str]] = ()
    notes: Sequence[Note] = ()
    spans: Sequence[tuple[float, float]] = ()
    from_zero: bool = False
    least_span: float = 0.0


@dataclass(frozen=True)
class Across:
    """The common axis: its range, its ticks with their words, and what it is."""

    low: float
    high: float
    ticks: Sequence[tuple[float, str]]
    title: str
    marked: Sequence[tuple[float, str]] = ()


@dataclass
class _Frame:
    """A panel's place on the sheet, and the boxes in which words stand already."""

    x: Scale
    y: Scale
    left: float
    right: float
    top: float
    bottom: float
    taken: list[tuple[float, float, float, float]] = field(default_factory=list)
    upright: list[float] = field(default_factory=list)

    def free(self, box: tuple[float, float, float, float]) -> bool:
        """Whether a box (left, top, right, bottom) lies inside the panel and on no other words."""
        inside = box[0] >= self.left and box[2] <= self.right and box[1] >= self.top and box[3] <= self.bottom
        return inside and not any(
            box[0] < t[2] and box[2] > t[0] and box[1] < t[3] and box[3] > t[1] for t in self.taken
        )


def small_multiples(
    panels: Sequence[Multiple],
    across: Across,
    *,
    size: svg.Point,
    title: str,
    about: str,
    key: str,
    ends_px: float = 118,
) -> str:
    """Draw the panels under each other.

    Parameters
    ----------
    size
        Width and height of the picture.
    ends_px
        Room on the right for the words at the ends of the lines.
    key
        Begins the ids of the picture: no other on the page may have it.
    """
    width, height = size
    each = (height - FOOT_PX - TOP_PX - GAP_PX * (len(panels) - 1)) / max(len(panels), 1)
    parts: list[str] = []
    top = TOP_PX
    for n, panel in enumerate(panels):
        frame = _frame(panel, across, top=top, bottom=top + each, right=width - ends_px)
        parts += _panel(panel, across, frame, first=n == 0)
        top += each + GAP_PX
    parts += _foot(across, frame, height) if panels else []
    return svg.picture(size, parts, title=title, about=about, key=key)


def _frame(panel: Multiple, across: Across, *, top: float, bottom: float, right: float) -> _Frame:
    values = [v for s in panel.series for v in s.values] + [v for v, _ in panel.limits]
    low, high = (min(values), max(values)) if values else (0.0, 1.0)
    low = min(low, 0.0) if panel.from_zero else low
    short = max(panel.least_span, _LEAST_SPAN * max(abs(low), abs(high))) - (high - low)
    if short > 0 and values:
        low, high = (low, high + short) if low == 0.0 else (low - short / 2.0, high + short / 2.0)
    room = _ROOM_SHARE * (high - low) or 1.0
    up = top + TITLE_PX + _LINE_PX * (len(_title_lines(panel.title, right)) - 1)
    x = Scale(across.low, across.high, LEFT_PX + 4, right)
    y = Scale(low if panel.from_zero and low == 0.0 else low - room, high + room, bottom - 3, up + 4)
    return _Frame(x, y, LEFT_PX, right, up, bottom)


def _title_lines(title: str, wide: float) -> list[str]:
    """A title in as many lines as it needs."""
    lines = [""]
    for word in title.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and svg.text_width(longer, WORDS_PX) * _BOLD > wide:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines


def _panel(panel: Multiple, across: Across, frame: _Frame, *, first: bool) -> list[str]:
    lines = _title_lines(panel.title, frame.right)
    parts = [svg.text((2, frame.top - 5 - _LINE_PX * n), words, bold=True) for n, words in enumerate(reversed(lines))]
    for value in value_ticks(frame.y.low, frame.y.high, most=4):
        if not frame.y.low <= value <= frame.y.high:
            continue
        at = frame.y(value)
        parts.append(svg.line((frame.left, at), (frame.right, at), colour=svg.PALE))
        parts.append(svg.text((frame.left - 5, at + 4), tick_words(value), size=10, colour=svg.GREY, anchor="end"))
    parts += [_hatched(frame, span) for span in panel.spans]
    for at, words in across.marked:
        x = frame.x(at)
        parts.append(svg.line((x, frame.top), (x, frame.bottom), colour=svg.INK, dash="2 2"))
        frame.upright.append(x)
        if first and words:
            parts.append(_beside(frame, x, words))
    for one in panel.series:
        parts += _series(one, frame)
    parts += _limits(panel, frame) + _ends(panel, frame)
    for note in panel.notes:
        parts += _note(note, panel, frame)
    return parts


def _beside(frame: _Frame, x: float, words: str) -> str:
    """Words at the upper end of an upright line, on the side with room."""
    wide = svg.text_width(words, WORDS_PX)
    left = x - wide - 4 if x + wide + 4 > frame.right else x + 4
    frame.taken.append((left, frame.top, left + wide, frame.top + _LINE_PX))
    return svg.text((left, frame.top + WORDS_PX - 1), words)


def _hatched(frame: _Frame, span: tuple[float, float]) -> str:
    """An interval in which an event lies, hatched with strokes so that it reads in grey."""
    begin, end = (min(max(frame.x(v), frame.left), frame.right) for v in span)
    wide = max(end - begin, 2.0)
    strokes = [svg.box((begin, frame.top), (wide, frame.bottom - frame.top), fill="#f1efe8")]
    step, tall = 5.0, frame.bottom - frame.top
    count = int((wide + tall) // step)
    for n in range(1, count + 1):
        along = n * step
        start = (begin + max(along - tall, 0.0), frame.top + min(along, tall))
        stop = (begin + min(along, wide), frame.top + max(along - wide, 0.0))
        strokes.append(svg.line(start, stop, colour="#b9b5a8", width=0.7))
    return "".join(strokes)


def _series(one: Series, frame: _Frame) -> list[str]:
    parts = [
        svg.line((frame.x(x), frame.y(low)), (frame.x(x), frame.y(high)), colour=one.colour)
        for x, low, high in one.spread
    ]
    runs = [[(frame.x(x), frame.y(y)) for x, y in run] for run in one.runs if run]
    if one.marks:
        return parts + [svg.dot(p, colour=one.colour, diamond=one.diamond) for run in runs for p in run]
    return [*parts, svg.path(runs, colour=one.colour, width=one.width)] if runs else parts


def _limits(panel: Multiple, frame: _Frame) -> list[str]:
    parts = []
    for value, words in panel.limits:
        at = frame.y(value)
        parts.append(svg.line((frame.left, at), (frame.right, at), colour=svg.BLUE, width=1.1, dash=_LIMIT_DASH))
        wide = svg.text_width(words, WORDS_PX)
        box, up = _beside_limit(panel, frame, at, wide)
        frame.taken.append(box)
        parts.append(svg.text((box[0], up), words, colour=svg.BLUE, halo=True))
    return parts


def _beside_limit(
    panel: Multiple, frame: _Frame, at: float, wide: float
) -> tuple[tuple[float, float, float, float], float]:
    """The place of a limit's words: above or below its line, where the curves leave most room."""
    lines = Multiple(panel.title, panel.series)
    inked = _inked(lines, frame)
    found = []
    for n, left in enumerate((frame.left + 6, (frame.left + frame.right - wide) / 2, frame.right - wide - 6)):
        for m, up in enumerate((at - 4, at + WORDS_PX + 2)):
            box = (left, up - WORDS_PX, left + wide, up + 2)
            covered = sum(box[0] < a < box[2] and box[1] < b < box[3] for a, b in inked)
            covered += sum(box[0] < x < box[2] for x in frame.upright)
            found.append((not frame.free(box), covered, n, m, box, up))
    _, _, _, _, box, up = min(found)
    return box, up


def _ends(panel: Multiple, frame: _Frame) -> list[str]:
    """Words at the right ends of the series, moved apart where they would touch."""
    wanted = []
    for one in panel.series:
        points = [run[-1] for run in one.runs if run]
        if one.end and points:
            wanted.append((frame.y(points[-1][1]), one))
    wanted.sort(key=lambda pair: pair[0])
    places: list[float] = []
    for at, _ in wanted:
        places.append(max(at + 4, places[-1] + _CLOSE_PX if places else frame.top + 6))
    over = places[-1] - (frame.bottom + 2) if places else 0.0
    if over > 0:
        places = [p - over for p in places]
    return [
        svg.text((frame.right + 6, at), one.end, colour=one.colour) for at, (_, one) in zip(places, wanted, strict=True)
    ]


def _note(note: Note, panel: Multiple, frame: _Frame) -> list[str]:
    """Words near their point, where they cover neither other words nor, if it can be helped, marks."""
    x, y = frame.x(note.x), frame.y(note.y)
    wide = svg.text_width(note.words, WORDS_PX)
    points = _inked(panel, frame)
    best: tuple[float, tuple[float, float, float, float]] | None = None
    for dy in (-16.0, 18.0, -32.0, 34.0, -48.0, 50.0, 2.0):
        for left in (x + 8, x - wide - 8, x - wide / 2, frame.left + 4, frame.right - wide - 2):
            box = (left, y + dy - WORDS_PX, left + wide, y + dy + 3)
            if not frame.free(box):
                continue
            covered = sum(box[0] - _PAD < a < box[2] + _PAD and box[1] - _PAD < b < box[3] + _PAD for a, b in points)
            crossed = sum(box[0] - _PAD < at < box[2] + _PAD for at in frame.upright)
            far = max(box[0] - x, x - box[2], 0.0)
            cost = _ON_LINE * covered + _ON_MARKED * crossed + abs(dy) + 0.3 * abs(left + wide / 2 - x) + far
            if best is None or cost < best[0]:
                best = (cost, box)
    if best is None:
        return []
    box = best[1]
    frame.taken.append(box)
    tip = (min(max(x, box[0] + 2), box[2] - 2), box[3] if box[3] < y else box[1])
    return [svg.line(tip, (x, y), colour=svg.INK, width=0.7), svg.text((box[0], box[3] - 3), note.words, halo=True)]


def _inked(panel: Multiple, frame: _Frame) -> list[svg.Point]:
    """Points on everything that is drawn in a panel: marks, lines walked in small steps, and its limits."""
    found: list[svg.Point] = []
    for one in panel.series:
        for run in one.runs:
            places = [(frame.x(a), frame.y(b)) for a, b in run]
            found += places
            if not one.marks:
                found += [p for begin, end in itertools.pairwise(places) for p in _walked(begin, end)]
    steps = int((frame.right - frame.left) // _WALK_PX)
    found += [(frame.left + n * _WALK_PX, frame.y(value)) for value, _ in panel.limits for n in range(steps)]
    return found


def _walked(begin: svg.Point, end: svg.Point) -> list[svg.Point]:
    """Points between two, a few pixels apart."""
    steps = int(math.dist(begin, end) // _WALK_PX)
    return [
        (begin[0] + (end[0] - begin[0]) * n / (steps + 1), begin[1] + (end[1] - begin[1]) * n / (steps + 1))
        for n in range(1, steps + 1)
    ]


def _foot(across: Across, frame: _Frame, height: float) -> list[str]:
    at = height - FOOT_PX
    parts = [svg.line((frame.left, at), (frame.right, at), colour=svg.GREY)]
    last = -1e9
    for value, words in across.ticks:
        x = frame.x(value)
        wide = svg.text_width(words, 10)
        if x - wide / 2 < last + 6 or x + wide / 2 > frame.right + 30:
            continue
        last = x + wide / 2
        parts.append(svg.line((x, at), (x, at + 4), colour=svg.GREY))
        parts.append(svg.text((x, at + 14), words, size=10, colour=svg.GREY, anchor="middle"))
    parts.append(svg.text((frame.right, height - 3), across.title, size=10, colour=svg.GREY, anchor="end"))
    return parts
