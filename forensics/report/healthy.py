"""Which starts and stops may teach what is usual: a band of earlier ones must not hold the fault itself."""

from __future__ import annotations

from forensics.model.findings import Start, Stop
from forensics.model.vocabulary import Answer, Outcome, StopKind


def healthy_start(start: Start) -> bool:
    """Whether a start may teach what is usual: judged unloaded, and not seen to turn backwards."""
    return start.unloaded is Answer.YES and start.reverse_rotation is not Outcome.PRESENT


def healthy_stop(stop: Stop) -> bool:
    """Whether a stop may teach what is usual: normal, its unloading valve not held, its rotors not backwards."""
    return (
        stop.kind is StopKind.NORMAL
        and stop.bypass_released is not Answer.NO
        and stop.reverse_rotation is not Outcome.PRESENT
    )
