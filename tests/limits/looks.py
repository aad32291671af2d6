"""The looks that detectors make on a sound machine: which reading of which check is held against which limit."""

from __future__ import annotations

import sys
from functools import cache
from types import FrameType
from typing import Any

from signatures.running_machine import made

from forensics.machine.duty.baseline import AlignedSamples, frame_of
from forensics.machine.subject import Subject
from forensics.signatures.core.catalogue import all_detectors
from forensics.signatures.core.like_duty import against_own
from forensics.signatures.core.limits_and_baseline import ThresholdTest, against_limit

INTERVAL_S = 5.0  # fast enough for the looks at events of seconds


@cache
def sound() -> tuple[Subject, AlignedSamples]:
    subject = made(interval_s=INTERVAL_S)
    return subject, frame_of(subject)


@cache
def looks() -> dict[str, dict[tuple[str, str], ThresholdTest]]:
    """Looks that are held against a limit and against the own usual, by check and limit."""
    kinds = {against_limit.__code__: "limit", against_own.__code__: "own"}
    found: dict[str, dict[tuple[str, str], ThresholdTest]] = {"limit": {}, "own": {}}

    def seen(frame: FrameType, event: str, _: Any) -> None:
        if event == "call" and frame.f_code in kinds:
            look = frame.f_locals["look"]
            found[kinds[frame.f_code]].setdefault((look.check, look.limit_name), look)

    subject, _ = sound()
    before = sys.getprofile()
    sys.setprofile(seen)
    try:
        for detector in all_detectors().values():
            detector(subject)
    finally:
        sys.setprofile(before)
    return found
