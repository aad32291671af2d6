"""Small multiples: one panel a quantity over a common axis, words at the ends of the lines, a few notes, no legend."""

from __future__ import annotations

from collections.abc import Sequence

from forensics.report.svg import elements as svg
from forensics.report.svg.panel import Across, Frame, Multiple, Series
from forensics.report.svg.placing_words import WORDS_PX, ends, limits, note_words
from forensics.report.svg.scale import Scale, tick_words, value_ticks

TITLE_PX, FOOT_PX, GAP_PX, LEFT_PX, TOP_PX = 17.0, 32.0, 6.0, 44.0, 2.0
_LINE_PX = 13.0
_ROOM_SHARE, _BOLD = 0.06, 1.1
# a quantity that hardly moves is drawn as one that hardly moves: its axis spans at least this share of its level
_LEAST_SPAN = 0.2


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


def _frame(panel: Multiple, across: Across, *, top: float, bottom: float, right: float) -> Frame:
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
    return Frame(x, y, LEFT_PX, right, up, bottom)


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


def _panel(panel: Multiple, across: Across, frame: Frame, *, first: bool) -> list[str]:
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
    parts += limits(panel, frame) + ends(panel, frame)
    for note in panel.notes:
        parts += note_words(note, panel, frame)
    return parts


def _beside(frame: Frame, x: float, words: str) -> str:
    """Words at the upper end of an upright line, on the side with room."""
    wide = svg.text_width(words, WORDS_PX)
    left = x - wide - 4 if x + wide + 4 > frame.right else x + 4
    frame.taken.append((left, frame.top, left + wide, frame.top + _LINE_PX))
    return svg.text((left, frame.top + WORDS_PX - 1), words)


def _hatched(frame: Frame, span: tuple[float, float]) -> str:
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


def _series(one: Series, frame: Frame) -> list[str]:
    parts = [
        svg.line((frame.x(x), frame.y(low)), (frame.x(x), frame.y(high)), colour=one.colour)
        for x, low, high in one.spread
    ]
    runs = [[(frame.x(x), frame.y(y)) for x, y in run] for run in one.runs if run]
    if one.marks:
        return parts + [svg.dot(p, colour=one.colour, diamond=one.diamond) for run in runs for p in run]
    return [*parts, svg.path(runs, colour=one.colour, width=one.width)] if runs else parts


def _foot(across: Across, frame: Frame, height: float) -> list[str]:
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
