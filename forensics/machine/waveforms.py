"""Which waveform records of a case may bear on the failure."""

from __future__ import annotations

import numpy as np

from forensics.machine.subject import Subject
from forensics.model.points import NS
from forensics.model.record import Waveform


def in_window(subject: Subject) -> tuple[Waveform, ...]:
    """Records that may lie in the window, their clock's uncertainty granted."""
    found = []
    for waveform in subject.record.waveforms:
        widen_s = subject.record.uncertainty_s(waveform.clock)
        widen_ns = round(widen_s * NS) if np.isfinite(widen_s) else 2**61
        span = waveform.span
        if span.end_ns + widen_ns >= subject.record.window.start_ns and (
            span.start_ns - widen_ns < subject.record.window.end_ns
        ):
            found.append(waveform)
    return tuple(found)
