"""How much of its way the slide went while no command was seen: commands that the samples missed, or a gross leak."""

from __future__ import annotations

import numpy as np

from forensics.machine.slide.quiet import without_pulse
from forensics.machine.slide.windows import Course, cut

_LENGTH_S = 60.0


def share_unseen(course: Course) -> float:
    """Share of all movement that lies in windows without a seen command, 0 to 1; 0 where nothing moved far.

    Samples that are in step with the controller miss every pulse of a run. A slide that stands then may be held against
    a leak by pulses that nobody saw.
    """
    windows = cut(course, max(_LENGTH_S, 4.0 * course.interval_s), (0.0, 0.0))
    step = np.abs(np.diff(course.v))
    scatter = float(np.median(step)) if len(step) else 0.0
    far = np.abs(windows.moved) > max(2.0 * course.margin, 6.0 * scatter)
    total = float(np.sum(np.abs(windows.moved)[far]))
    if total <= 0.0:
        return 0.0
    return float(np.sum(np.abs(windows.moved)[far & without_pulse(course, windows)])) / total
