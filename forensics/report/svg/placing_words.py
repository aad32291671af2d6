"""Where words stand in a panel: limits, ends of lines and notes, off the curves and off each other."""

from __future__ import annotations

import itertools
import math

from forensics.report.svg import elements as svg
from forensics.report.svg.panel import Frame, Multiple, Note

WORDS_PX = 11.0
_CLOSE_PX, _PAD = 12.0, 3.0
_LIMIT_DASH = "5 3"
_WALK_PX, _ON_LINE, _ON_MARKED = 4.0, 12.0, 40.0


def limits(panel: Multiple, frame: Frame) -> list[str]:
    """The dashed lines of a panel's limits with their words."""
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
    panel: Multiple, frame: Frame, at: float, wide: float
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


def ends(panel: Multiple, frame: Frame) -> list[str]:
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


def note_words(note: Note, panel: Multiple, frame: Frame) -> list[str]:
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


def _inked(panel: Multiple, frame: Frame) -> list[svg.Point]:
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
