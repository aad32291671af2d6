"""A bench to look around in a case: windows, starts, stops, and the limits that decided as sliders. It writes nothing.

The widgets are ipywidgets; what they show is made by the plain calls that stand beside them, so that it can be had
without a browser, too.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from forensics.errors import InputError, Problem
from forensics.model.vocabulary import Grade
from forensics.workbook.opened import Workbook
from forensics.workbook.reweigh import Reweighed, tunable

if TYPE_CHECKING:
    from ipywidgets import VBox

SPREAD = 0.5
STEPS = 50
WINDOWS_S = (30, 60, 120, 300, 600, 1800, 3600)


def deciding(work: Workbook) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Limits that the verdict's findings were held against: those that can be tried at once, and those that can't.

    Where there is no verdict the findings of every live mode count.
    """
    verdict = work.verdict.mode
    live = [h for h in work.results.hypotheses if (h.mode is verdict if verdict else h.grade is Grade.POSSIBLE)]
    ids = {name for h in live for name in (*h.for_, *h.against)}
    inner = work.sheet.investigation
    names = sorted({f.limit_name for f in inner.findings if f.id in ids and f.limit_name})
    can = set(tunable(inner))
    return tuple(n for n in names if n in can), tuple(n for n in names if n not in can)


def limits(work: Workbook) -> VBox:
    """Sliders of the limits that decided; the verdict under them is weighed again as they are moved.

    Raises
    ------
    InputError
        ipywidgets is not installed.
    """
    widgets = _widgets()
    can, can_not = deciding(work)
    sliders = {name: _slider(widgets, work, name) for name in can}
    said = widgets.HTML()

    def moved(_: Any = None) -> None:
        tried = {name: slider.value for name, slider in sliders.items()}
        said.value = _said(work.weigh(tried))

    for slider in sliders.values():
        slider.observe(moved, names="value")
    moved()
    note = f"needs a new reading, no verdict here: {', '.join(can_not)}" if can_not else ""
    return widgets.VBox([*sliders.values(), said, widgets.HTML(_text(note))])


def cycles(work: Workbook, what: str = "start") -> VBox:
    """A start or a stop by its number, close up.

    Raises
    ------
    InputError
        ``what`` is neither, the case has none, or ipywidgets is not installed.
    """
    makers = {"start": work.figure.start, "stop": work.figure.stop}
    if what not in makers:
        raise InputError([Problem(f"'{what}' is neither 'start' nor 'stop'")])
    count = len(work.starts if what == "start" else work.stops)
    if not count:
        raise InputError([Problem(f"this case has no {what}")])
    widgets = _widgets()
    number = widgets.IntSlider(value=count, min=1, max=count, description=what, continuous_update=False)
    return _redrawn(widgets, [number], lambda: makers[what](number.value))


def window(work: Workbook) -> VBox:
    """The timeline near the failure: how far from it, and how wide."""
    widgets = _widgets()
    record = work.sheet.investigation.record
    before_s = max(1, int((record.failure_ns - record.window.start_ns) / 1e9))
    after_s = max(1, int((record.window.end_ns - record.failure_ns) / 1e9))
    middle = widgets.IntSlider(
        value=0, min=-before_s, max=after_s, step=10, description="s from failure", continuous_update=False
    )
    width = widgets.SelectionSlider(options=WINDOWS_S, value=600, description="width, s", continuous_update=False)
    return _redrawn(
        widgets,
        [middle, width],
        lambda: work.figure.timeline(before=width.value / 2 - middle.value, after=width.value / 2 + middle.value),
    )


def _redrawn(widgets: Any, controls: list[Any], make: Any) -> VBox:
    shown = widgets.Output()

    def draw(_: Any = None) -> None:
        # set, not captured: captured, a figure is sent back to the kernel by whoever runs the notebook without a
        # browser, and a large one then waits for a reply that is never read
        shown.outputs = ({"output_type": "display_data", "data": make().bundle(), "metadata": {}},)

    for control in controls:
        control.observe(draw, names="value")
    draw()
    return widgets.VBox([*controls, shown])


def _slider(widgets: Any, work: Workbook, name: str) -> Any:
    limit = work.sheet.limits.limit(name)
    reach = abs(limit.value) * SPREAD or 1.0
    return widgets.FloatSlider(
        value=limit.value,
        min=limit.value - reach,
        max=limit.value + reach,
        step=2.0 * reach / STEPS,
        description=f"{name}, {limit.unit}",
        readout_format=".4g",
        style={"description_width": "22em"},
        layout={"width": "44em"},
    )


def _said(weighed: Reweighed) -> str:
    return _text(str(weighed))


def _text(text: str) -> str:
    import html

    return "".join(f"<p>{html.escape(line)}</p>" for line in text.splitlines())


def _widgets() -> Any:
    try:
        import ipywidgets
    except ImportError:
        remedy = "Install it with: pip install 'screw-forensics[lab]'"
        raise InputError([Problem("the sliders need ipywidgets, which is not installed", remedy=remedy)]) from None
    return ipywidgets
