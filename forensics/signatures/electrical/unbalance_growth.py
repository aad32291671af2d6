"""Whether the currents grew uneven against the machine's own earlier running, half-hour by half-hour."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.points import NS
from forensics.model.vocabulary import Outcome
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import Seen, Value, cannot_tell, make_finding, three_way
from forensics.signatures.electrical.phases import PhaseView, three_currents
from forensics.signatures.electrical.unbalance import current_percent, half_hours, own_half_hours


@detector("electrical.unbalance_growing", three_currents)
def unbalance_growing(subject: Subject, check: str, view: PhaseView) -> Finding:
    """Decide whether the currents grew uneven over the window, in per cent of rated amps.

    In per cent of rated amps what the supply makes does not depend on the load, so that a lighter load is no growth.
    The last half-hours are held against the first third of them; the constant errors of the sensors fall out.
    """
    limits, rated = subject.limits, subject.machine.rated_load_amps
    percent, usable = current_percent(subject, view)
    mean = view.phases.v.mean(axis=0)
    scale = rated if rated is not None else float(np.median(mean[usable])) if usable.any() else 1.0
    index = np.flatnonzero(usable)
    halves = half_hours(subject, view.phases.t[index], (percent * mean / scale)[index])
    own = own_half_hours(halves)
    if own is None:
        return cannot_tell(check, f"{len(halves)} half-hours of running at load; six are needed")
    last = halves[-2:]
    before, spread = own
    level = float(np.mean(last))
    half = limits["electrical.unbalance_spread"] * spread * float(np.sqrt(1.0 / len(last)))
    growth = level - before
    name = "electrical.unbalance_growth"
    outcome = three_way(growth - half, growth + half, limits[name], above=True)
    span = (int(view.phases.t[index[0]]), int(view.phases.t[index[-1]]))
    text = f"from {before:.1f} % of rated amps in its own first half-hours to {level:.1f} % in the last hour of running"
    found = make_finding(
        subject,
        check,
        outcome,
        text,
        Value(growth, growth - half, growth + half, "%", name, above=True),
        seen=Seen(span, view.phases.cites(span[1] - 3600 * NS, span[1]), view.phases.interval_s, len(halves)),
        why_not="its half-hours scatter too much",
    )
    return replace(found, detectable=limits[name] + half) if outcome is Outcome.ABSENT else found
