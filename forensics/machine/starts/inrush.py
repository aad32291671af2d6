"""The inrush of a start from the fastest record that covers it: a waveform, else the trend."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from forensics.electrics.phasors import AMPS, cycle_rms
from forensics.electrics.record_helpers import cycle_width
from forensics.machine.states import Run
from forensics.machine.subject import Subject
from forensics.machine.waveforms import in_window
from forensics.model.findings import Cite
from forensics.model.points import NS
from forensics.model.record import Waveform

Floats = NDArray[np.float64]
# clocks of recorders that nobody set are minutes off; a start of another hour is not taken for this one
_UNPLACED_S = 300.0
_TIMES_FARTHER = 3


def start_waveform(subject: Subject, run: Run) -> tuple[Waveform, Floats, Floats] | None:
    """The waveform record that holds the begin of a run's current, with its times (s) and its RMS current (A).

    The largest phase counts. Where clocks leave several, the one that begins nearest; None where none begins without
    current and then shows some.
    """
    if run.begin is None:
        return None
    found: list[tuple[float, Waveform, Floats, Floats]] = []
    for waveform in in_window(subject):
        width = cycle_width(waveform, subject.limits)
        roles = [role for role in AMPS if role in waveform.analog]
        unsure_s = subject.record.uncertainty_s(waveform.clock)
        if width is None or not roles:
            continue
        if not np.isfinite(unsure_s) and not _nearest_by_far(subject, waveform, run):
            continue
        room = round((min(unsure_s, _UNPLACED_S) + 2.0) * NS)
        if waveform.span.start_ns - room > run.begin.latest_ns or waveform.span.end_ns + room < run.begin.earliest_ns:
            continue
        rms = np.max([cycle_rms(np.nan_to_num(waveform.analog[role]), width) for role in roles], axis=0)
        time_s = np.asarray(waveform.time_s[width - 1 :], np.float64)
        off = subject.limits["waveform.current_share_off"] * float(rms.max())
        if not len(rms) or rms[0] > off or rms.max() <= 0:
            continue
        begin_ns = waveform.start_ns + round(float(time_s[int(np.argmax(rms > off))]) * NS)
        found.append((abs(begin_ns - run.first_ns) / NS, waveform, time_s, rms))
    if not found:
        return None
    _, waveform, time_s, rms = min(found, key=lambda item: item[0])
    return waveform, time_s, rms


def _nearest_by_far(subject: Subject, waveform: Waveform, run: Run) -> bool:
    """Whether a record whose clock could not be placed belongs to a run all the same: no other is nearly so near."""
    apart = sorted((abs(other.first_ns - waveform.start_ns), other.first_ns) for other in subject.runs)
    if apart[0][1] != run.first_ns or apart[0][0] > _UNPLACED_S * NS:
        return False
    return len(apart) == 1 or apart[1][0] > _TIMES_FARTHER * apart[0][0]


def waveform_inrush(subject: Subject, run: Run, level: float) -> tuple[float, float, tuple[Cite, ...]] | None:
    """How long the current of a start stood above a level by its waveform: seconds, its error, rows.

    None without such a record, and where it ends before the current had fallen below the level for good.
    """
    found = start_waveform(subject, run)
    if found is None:
        return None
    waveform, time_s, rms = found
    high = np.flatnonzero(rms > level)
    if not len(high):
        return None
    after_s = float(time_s[-1] - time_s[high[-1]])
    cycle_s = 1.0 / waveform.line_hertz
    if after_s < subject.limits["starts.inrush_over_s"]:
        return None
    rows = (int(high[0]) + 1, int(high[-1]) + 1)
    cites = tuple(
        Cite(waveform.source, waveform.columns.get(role, role.value), rows) for role in AMPS if role in waveform.analog
    )
    return float(time_s[high[-1]] - time_s[high[0]]), cycle_s, cites
