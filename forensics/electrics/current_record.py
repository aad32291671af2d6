"""What a waveform record shows of the motor's currents: a lost phase, breaks of contact, a stalled rotor."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from forensics.electrics.phasors import (
    AMPS,
    Floats,
    current_vector,
    cycle_rms,
    sliding_mean,
    unbalance_percent,
)
from forensics.electrics.record_helpers import RecordAnswer, cycle_width, longest_stretch, unknown
from forensics.model.record import Waveform
from forensics.model.role_words import in_words
from forensics.model.vocabulary import Outcome, Starter
from forensics.rules import Limits

_NO_CURRENTS = "needs the three line currents of one record"


def phase_loss(waveform: Waveform, limits: Limits) -> RecordAnswer:
    """Decide whether the motor ran on two phases: negative and positive sequence of the currents equal.

    With one line open the remaining two currents are opposite (1 : 1 : 0); with a line open ahead of a delta-wye
    transformer they stand 1 : 1 : 2; in both the sequences are equal in size and the three currents add up to
    nothing. A current sensor that reads nothing leaves the other two a third of a turn apart and a sum.
    """
    width = cycle_width(waveform, limits)
    if width is None or any(role not in waveform.analog for role in AMPS):
        return unknown(_NO_CURRENTS if width else "sampled too slowly to follow the phases")
    vector, _ = current_vector(waveform.analog)
    assert vector is not None
    phases = np.array([np.nan_to_num(waveform.analog[role]) for role in AMPS])
    turned = np.exp(-2j * np.pi * waveform.line_hertz * waveform.time_s)
    vector = np.nan_to_num(vector)
    positive = np.abs(sliding_mean(vector * turned, width))
    negative = np.abs(sliding_mean(vector * turned.conj(), width))
    zero = 2 * np.abs(sliding_mean(phases.sum(axis=0) / 3 * turned, width))
    strong, weak = np.maximum(positive, negative), np.minimum(positive, negative)
    flowing = strong >= limits["waveform.current_share_off"] * strong.max()
    if strong.max() <= 0 or not flowing.any():
        return unknown("no current flows in the record")
    ratio = np.where(flowing, weak / np.maximum(strong, 1e-12), 0.0)
    lost = (ratio >= limits["waveform.phase_lost_ratio"]) & (zero < limits["waveform.zero_share_max"] * strong)
    spell = longest_stretch(lost, waveform, limits["waveform.phase_lost_min_s"])
    rms = np.array([cycle_rms(phase, width) for phase in phases])
    value = _held(np.where(zero < limits["waveform.zero_share_max"] * strong, ratio, 0.0), waveform, limits)
    base = RecordAnswer(
        Outcome.ABSENT, value=value, unit="1", limit_name="waveform.phase_lost_ratio", above=True, roles=AMPS
    )
    if spell is not None:
        a, b = spell
        level = np.median(rms[:, a : b + 1], axis=1)
        before = np.median(rms[:, : max(a - width, 1)], axis=1) if a > 2 * width else None
        text = "two line currents opposite and equal: " + ", ".join(
            f"{in_words(role)} {now:.4g} A" for role, now in zip(AMPS, level, strict=True)
        )
        if before is not None and before.min() > 0:
            grown = level.max() / before.mean()
            text += f", the larger {grown:.2f} times the current before"
        seconds = float(waveform.time_s[b] - waveform.time_s[a])
        first, last = a + width - 1, b + width - 1
        return replace(base, outcome=Outcome.PRESENT, text=text, first=first, last=last, seconds=seconds)
    quiet = rms < limits["waveform.current_share_off"] * rms.max(axis=0)
    alone = longest_stretch((quiet.sum(axis=0) == 1) & flowing, waveform, limits["waveform.phase_lost_min_s"])
    if alone is not None:
        a, b = alone
        text = "one current sensor reads nothing while the other two keep a third of a turn between them: the sensor"
        return replace(base, text=text, first=a + width - 1, last=b + width - 1)
    text = f"all three currents flow; smaller over larger sequence {value:.2g} at most where it lasted"
    return replace(base, text=text, first=width - 1, last=len(vector) - 1)


def _held(ratio: Floats, waveform: Waveform, limits: Limits) -> float:
    """Largest ratio that was held for the shortest time that counts."""
    from scipy.ndimage import minimum_filter1d

    length = max(round(limits["waveform.phase_lost_min_s"] / waveform.interval_s), 1)
    if length >= len(ratio):
        return float(ratio.min())
    return float(np.asarray(minimum_filter1d(ratio, length)).max())


def interruptions(waveform: Waveform, limits: Limits) -> RecordAnswer:
    """Count the short breaks of all three currents: contacts that bounce or chatter.

    A break is a current vector that falls to the sensors' rest for longer than a zero crossing and shorter than half
    a second, with current before and after. One break belongs to a star-delta or part-winding transition.
    """
    width = cycle_width(waveform, limits)
    vector, why = current_vector(waveform.analog)
    if width is None or vector is None:
        return unknown(why or "sampled too slowly to follow the phases")
    size = np.abs(np.nan_to_num(vector))
    level = float(sliding_mean(size, width).real.max())
    if level <= 0:
        return unknown("no current flows in the record")
    off = size < limits["waveform.current_share_off"] * level
    edges = np.diff(np.concatenate(([0], off.astype(np.int8), [0])))
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    long_s = (ends - starts) * waveform.interval_s
    real = (long_s >= limits["waveform.break_min_s"]) & (long_s <= limits["waveform.break_max_s"])
    real &= (starts > 0) & (ends < len(size))
    count = int(real.sum())
    name = "waveform.breaks_allowed"
    return RecordAnswer(
        Outcome.PRESENT if count > limits[name] else Outcome.ABSENT,
        f"{count} short breaks of all three currents" if count else "no short break of all three currents",
        int(starts[real][0]) if count else 0,
        int(ends[real][-1]) - 1 if count else len(size) - 1,
        float(count),
        unit="1",
        limit_name=name,
        above=True,
        roles=AMPS,
    )


def locked_rotor(waveform: Waveform, limits: Limits, rated: float | None, starter: Starter | None) -> RecordAnswer:
    """Decide whether the rotor stood still under voltage: balanced inrush that never falls until it is cut off.

    A motor that runs up draws its inrush with little change and then falls to its load; a locked one keeps it.
    ``value`` is how long the inrush lasted, s.
    """
    width = cycle_width(waveform, limits)
    vector, why = current_vector(waveform.analog)
    if width is None or vector is None:
        return unknown(why or "sampled too slowly to follow the phases")
    if rated is None:
        return unknown("needs the rated-load amps of the nameplate")
    size = np.asarray(sliding_mean(np.abs(np.nan_to_num(vector)), width).real / np.sqrt(2), np.float64)
    if float(size.max()) <= 0:
        return unknown("no current flows in the record")
    over = limits["waveform.stall_over_rated"]
    spell = longest_stretch(size >= over * rated, waveform, limits["waveform.stall_min_s"])
    base = RecordAnswer(Outcome.ABSENT, unit="s", limit_name="waveform.run_up_max_s", above=True, roles=AMPS)
    if spell is None:
        text = f"the current passes {over:g} times rated for no longer than {limits['waveform.stall_min_s']:g} s"
        return replace(base, text=text, first=width - 1, last=len(size) - 1, value=0.0)
    a, b = spell
    seconds = float(waveform.time_s[b] - waveform.time_s[a])
    base = replace(base, value=seconds, seconds=seconds, first=a + width - 1, last=b + width - 1)
    level = float(np.median(size[max(a, b - 2 * width) : b + 1]))
    text = f"{level:.0f} A ({level / rated:.1f} times rated) for {seconds:.2g} s"
    after = size[b + 1 : b + 1 + 6 * width]
    if len(after) and float(after[-1]) >= limits["waveform.current_share_off"] * float(size.max()):
        return replace(base, text=text + ", then it fell to the load: the motor ran up")
    rms = np.array([cycle_rms(np.nan_to_num(waveform.analog[r]), width)[a : b + 1].mean() for r in AMPS])
    if float(unbalance_percent(rms)) > limits["waveform.stall_unbalance_max"]:
        return unknown(f"{text}, but the currents are uneven: a lost phase stalls a motor too")
    if starter in (Starter.SOFT_START, Starter.VARIABLE_SPEED):
        return unknown(f"{text}; with this starter the current is held by the starter")
    flat = level >= limits["waveform.stall_flat_share"] * float(np.median(size[a : a + 2 * width]))
    if flat and seconds >= limits["waveform.run_up_max_s"]:
        return replace(base, outcome=Outcome.PRESENT, text=text + ", flat to the end: the rotor did not gain speed")
    return unknown(f"{text} at the end of the record, not enough to tell a stall from a run-up")
