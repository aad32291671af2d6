"""The first seconds after the run-up of a start: what bounds its settled amps, and whether it began loaded.

A mean over a minute hides a slide that stood loaded and was unloaded within seconds; the first samples after the
run-up, held against those of the machine's own starts, do not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from forensics.machine.starts.settled_current import settle_s
from forensics.machine.starts.unloaded import BY_SLIDE, LIMIT
from forensics.machine.states import Run
from forensics.machine.subject import Subject
from forensics.model.findings import Start
from forensics.model.points import NS, Samples, middle
from forensics.model.vocabulary import Answer, Recorded, Starter
from forensics.rules import Limits

BY_FIRST = "first seconds against own starts"
_FEWEST = 2


def _after_run_up(subject: Subject, run: Run, amps: Samples, seconds: float) -> NDArray[np.float64]:
    """Readings (A) that surely lie after the run-up and before the end of the run, ``seconds`` long at most."""
    if run.begin is None or amps.origin.recorded is Recorded.CHANGE:
        return np.empty(0)
    begin = run.begin.latest_ns + round((settle_s(subject.limits, subject.machine.starter) + 1.0) * NS)
    end = run.begin.earliest_ns + round((settle_s(subject.limits, subject.machine.starter) + 1.0 + seconds) * NS)
    if run.end is not None:
        # the last samples of a run may hold part of its end
        end = min(end, run.end.earliest_ns - round(amps.interval_s * NS))
    return amps.usable.between(begin, max(begin, end)).v


def ramp_bound(subject: Subject, run: Run, amps: Samples | None) -> float | None:
    """Amps above which a start can't have settled, where its settled window holds no sample; None: not known.

    After the run-up the current of a screw only rises with its load, and before the end of the run-up it only falls:
    the lowest readings bound what it settled at, or would have, from above. A single low reading is not believed.
    """
    if amps is None or subject.machine.starter is Starter.VARIABLE_SPEED:
        return None
    values = _after_run_up(subject, run, amps, subject.limits["starts.settled_longest_s"])
    if len(values) < _FEWEST:
        return None
    return float(np.sort(values)[1]) + amps.resolution / 2


def first_seconds(subject: Subject, run: Run, amps: Samples | None) -> tuple[float, float] | None:
    """Lowest and highest ratio in the first seconds after the run-up; None where they hold too few samples."""
    rated = subject.machine.rated_load_amps
    if amps is None or rated is None or subject.machine.starter is Starter.VARIABLE_SPEED:
        return None
    values = _after_run_up(subject, run, amps, subject.limits["starts.first_seconds_s"])
    if len(values) < _FEWEST:
        return None
    return float(np.min(values)) / rated, float(np.max(values)) / rated


def against_own_first_seconds(
    starts: Sequence[Start], firsts: Sequence[tuple[float, float] | None], limits: Limits
) -> tuple[Start, ...]:
    """The starts, judged by their first seconds too: a mean that looks unloaded may hide a start that began loaded.

    It began loaded where the lowest of the first readings lies above the limit of the ratio and above what the
    machine's own unloaded starts reached, by the margin that a settled mean must pass. It counts as loaded where the
    mean, too, stands off its own; else it was unloaded in its course, which is neither.
    """
    own = [
        first[1] for start, first in zip(starts, firsts, strict=True) if first and start.unloaded is Answer.YES
    ]  # fmt: skip
    if len(own) <= limits["starts.own_least"]:
        return tuple(starts)
    usual = middle(np.array(own))
    settled = [s.ratio for s in starts if s.unloaded is Answer.YES and s.ratio is not None]
    usual_mean = middle(np.array(settled)) if settled else float("inf")
    out = []
    for start, first in zip(starts, firsts, strict=True):
        open_ = start.unloaded is not Answer.NO and start.judged_by != BY_SLIDE
        if open_ and first is not None and first[0] > max(limits["starts.own_above"] * usual, limits[LIMIT]):
            why = f"in its first seconds {first[0]:.2f} of rated at least, {usual:.2f} at most is usual of its own"
            if start.ratio is not None and start.ratio > limits["starts.own_alike"] * usual_mean:
                out.append(replace(start, unloaded=Answer.NO, judged_by=BY_FIRST, judged_why=why, why_not=""))
            else:
                why = f"it began loaded and was unloaded in its course: {why}"
                out.append(replace(start, unloaded=Answer.CANNOT_TELL, judged_by="", judged_why="", why_not=why))
        else:
            out.append(start)
    return tuple(out)
