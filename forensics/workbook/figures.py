"""The figures of a case as plotly figures: each is one call, and can be changed as any other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING, Any, TypeVar

from forensics.errors import InputError, Problem
from forensics.model.points import NS, Span
from forensics.report.binding.markup import PLOTLY_MIME, SVG_MIME
from forensics.report.context import ReportContext
from forensics.report.figures.cycles import start_overlay, start_ratios, stop_history, stop_overlay
from forensics.report.figures.equalisation import equalisation
from forensics.report.figures.figure import Figure
from forensics.report.figures.timeline import timeline
from forensics.report.figures.trends import oil_trends, saturation_picture, slide_response
from forensics.report.figures.waveforms import waveform_plate
from forensics.report.healthy import LOADED_STOP
from forensics.report.sections import UNLOADED_LIMIT
from forensics.report.stories.story import close_picture, cycle_picture
from forensics.workbook import samples

if TYPE_CHECKING:
    import plotly.graph_objects as go

CLOSE_BEFORE_S, CLOSE_AFTER_S = 600.0, 300.0
T = TypeVar("T")


@cache
def _kind() -> type[go.Figure]:
    import plotly.graph_objects as go

    class Drawn(go.Figure):  # type: ignore[misc]
        """A plotly figure that shows itself by the same bytes every time, and by words where nothing can be drawn."""

        _alt = ""
        _still = ""
        _as_drawn = ""

        def bundle(self) -> dict[str, Any]:
            """What is shown of it, by media type."""
            spec = {PLOTLY_MIME: self.to_plotly_json(), "text/plain": self._alt}
            if self._still and self.to_json() == self._as_drawn:  # the picture tells nothing of what was changed since
                spec[SVG_MIME] = self._still
            return spec

        def _ipython_display_(self) -> None:
            from IPython.display import display

            display(self.bundle(), raw=True)  # type: ignore[no-untyped-call]

    return Drawn


def drawn(plate: Figure) -> go.Figure:
    """A plate of the report as a plotly figure; its caption is ``layout.meta["caption"]``.

    Where the plate has a still, it is shown beside the figure to viewers that draw no plotly, until it is changed.
    """
    figure = _kind()(dict(plate.figure))
    figure._alt = plate.alt
    figure.layout.meta = {"key": plate.key, "caption": plate.caption}
    if plate.still and plate.figure["data"]:
        figure._still, figure._as_drawn = plate.still, figure.to_json()
    return figure


def numbered(items: Sequence[T], number: int, what: str) -> T:
    """The item of a number from 1.

    Raises
    ------
    InputError
        There is no such number; the range is named.
    """
    if not items:
        raise InputError([Problem(f"this case has no {what}")])
    if not 1 <= number <= len(items):
        text = f"there is no {what} {number}"
        raise InputError([Problem(text, remedy=f"The case has {what}s 1 to {len(items)}, in time order.")])
    return items[number - 1]


@dataclass(frozen=True)
class Figures:
    """The figures of one case.

    Examples
    --------
    >>> from forensics import open_case
    >>> from forensics.demo import DEMO_CASES
    >>> figure = open_case(DEMO_CASES["cannot-tell"]).figure.timeline()
    >>> figure.layout.meta["key"]
    'timeline'
    """

    sheet: ReportContext

    def timeline(
        self, around: Any = "failure", *, before: float = CLOSE_BEFORE_S, after: float = CLOSE_AFTER_S
    ) -> go.Figure:
        """States and switches over the readings, near a time (``"failure"``, a stamp, a pair of stamps)."""
        work = self.sheet.investigation
        span = samples.span_of(self.sheet, around, (before, after))
        about = f"{span.seconds:g} s, chosen by hand."
        plate = timeline(
            work.record, work.spans, self.sheet.clock, self.sheet.display, span=span, key="timeline", about=about
        )
        if isinstance(around, str) and around == "failure":
            plate = replace(plate, still=close_picture(work, self.sheet.display, self.sheet.clock))
        return drawn(plate)

    def window(self) -> go.Figure:
        """The timeline of the whole window that is judged."""
        window = self.sheet.investigation.record.window
        return self.timeline(window)

    def starts(self) -> go.Figure:
        """The start at the failure over those before it."""
        work = self.sheet.investigation
        plate = start_overlay(work.record, work.starts, self.sheet.display, self.sheet.clock)
        return drawn(replace(plate, still=cycle_picture(work, "start", self.sheet.display)))

    def start(self, number: int) -> go.Figure:
        """One start close up, counted from 1 in time order."""
        start = numbered(self.sheet.investigation.starts, number, "start")
        return self._close_up(start.time_ns, f"Start {number} of {len(self.sheet.investigation.starts)}")

    def ratios(self) -> go.Figure:
        """Ratio of every start to rated current, with its interval."""
        work = self.sheet.investigation
        return drawn(start_ratios(work.starts, self.sheet.limits[UNLOADED_LIMIT], self.sheet.clock))

    def stops(self) -> go.Figure:
        """The stop at the failure over those before it."""
        work = self.sheet.investigation
        loaded_from = self.sheet.limits[LOADED_STOP]
        plate = stop_overlay(work.record, work.stops, self.sheet.display, self.sheet.clock, loaded_from=loaded_from)
        return drawn(replace(plate, still=cycle_picture(work, "stop", self.sheet.display)))

    def stop(self, number: int) -> go.Figure:
        """One stop close up, counted from 1 in time order."""
        stop = numbered(self.sheet.investigation.stops, number, "stop")
        return self._close_up(stop.time_ns, f"Stop {number} of {len(self.sheet.investigation.stops)}")

    def equalisation(self) -> go.Figure:
        """How the pressures came together after the last stop."""
        work = self.sheet.investigation
        return drawn(equalisation(work.record, work.stops, self.sheet.display, self.sheet.clock))

    def coast_downs(self) -> go.Figure:
        """The measures of every stop over time."""
        return drawn(stop_history(self.sheet.investigation.stops, self.sheet.clock, self.sheet.display))

    def oil(self) -> go.Figure:
        """Oil and filter over the whole record."""
        return drawn(oil_trends(self.sheet.investigation.record, self.sheet.display, self.sheet.clock))

    def slide(self) -> go.Figure:
        """Response of the slide to its pulses."""
        return drawn(slide_response(self.sheet.investigation.record, self.sheet.display))

    def saturation(self) -> go.Figure:
        """Suction and discharge against the saturation curve."""
        subject = self.sheet.investigation.subject
        return drawn(
            saturation_picture(subject.record, subject.saturation, subject.saturation_missing, self.sheet.display)
        )

    def waveform(self, number: int) -> go.Figure:
        """One waveform record, counted from 1."""
        wave = numbered(self.sheet.investigation.record.waveforms, number, "waveform record")
        return drawn(waveform_plate(wave, number, self.sheet.clock))

    def _close_up(self, at_ns: int, about: str) -> go.Figure:
        work = self.sheet.investigation
        span = Span(at_ns - 60 * NS, at_ns + 300 * NS)
        about = f"{about}, close up."
        return drawn(
            timeline(
                work.record, work.spans, self.sheet.clock, self.sheet.display, span=span, key="close-up", about=about
            )
        )


__all__ = ["Figures", "drawn", "numbered"]
