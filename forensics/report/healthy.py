"""Which starts and stops may teach what is usual: a band of earlier ones must not hold the fault itself."""

from __future__ import annotations

from typing import Final

from forensics.model.findings import Start, Stop
from forensics.model.vocabulary import Answer, Outcome, StopKind

LOADED_STOP: Final = "starts.slide_loaded_min"
"""Limit from which the slide of a stop counts as loaded."""


def healthy_start(start: Start) -> bool:
    """Whether a start may teach what is usual: judged unloaded, and not seen to turn backwards."""
    return start.unloaded is Answer.YES and start.reverse_rotation is not Outcome.PRESENT


def healthy_stop(stop: Stop, loaded_from: float) -> bool:
    """Whether a stop may teach what is usual: normal and unloaded, its unloading valve not held, not backwards.

    Parameters
    ----------
    loaded_from
        Slide position from which a stop counts as loaded, %.
    """
    return (
        stop.kind is StopKind.NORMAL
        and not (stop.slide_percent is not None and stop.slide_percent >= loaded_from)
        and stop.bypass_released is not Answer.NO
        and stop.reverse_rotation is not Outcome.PRESENT
    )
