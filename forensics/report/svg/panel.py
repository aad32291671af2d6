"""What a picture of small multiples is made of: panels, series, notes, the common axis, and a panel's place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from forensics.report.svg import elements as svg
from forensics.report.svg.scale import Scale


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
class Frame:
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
