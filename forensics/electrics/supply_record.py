"""What a waveform record shows of the supply: its phase sequence, its dips, its unbalance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from forensics.electrics.current_record import phase_loss
from forensics.electrics.phasors import (
    AMPS,
    VOLTS,
    Complexes,
    Floats,
    current_vector,
    cycle_rms,
    sliding_mean,
    space_vector,
    unbalance_percent,
)
from forensics.electrics.record_helpers import Bools, RecordAnswer, cycle_width, longest_stretch, unknown
from forensics.electrics.residual_voltage import disconnection_s, frequency_track
from forensics.model.record import Waveform
from forensics.model.vocabulary import Outcome
from forensics.rules import Limits


def supply_sequence(waveform: Waveform, limits: Limits) -> RecordAnswer:
    """Decide whether the supply had the reversed phase sequence (ACB) by the record's own labels.

    *Present* is reversed. Voltages decide while they stand above half of their largest cycle and turn at the
    frequency of the supply; without voltages the currents do. Where the two disagree the labels are in doubt.
    ``value`` is negative over the sum of both sequences: above a half for ACB. (Clarke transform;
    sequence components of Fortescue.)
    """
    width = cycle_width(waveform, limits)
    if width is None:
        return unknown("sampled too slowly to follow the phases")
    volts, why = space_vector(waveform.analog)
    amps, _ = current_vector(waveform.analog)
    by_volts = None if volts is None else _sense(waveform, volts, limits)
    by_amps = None if amps is None else _sense(waveform, amps, limits)
    chosen = by_volts or by_amps
    if chosen is None:
        return unknown(why or "the record holds no steady voltage at the frequency of the supply")
    share, first, last = chosen
    if (
        by_volts
        and by_amps
        and (by_volts[0] > limits["waveform.sequence_share"]) != (by_amps[0] > limits["waveform.sequence_share"])
    ):
        return unknown(
            "voltages and currents of the record turn opposite ways: the labels of its channels are in doubt"
        )
    reversed_ = share > limits["waveform.sequence_share"]
    roles = tuple(r for r in (VOLTS if by_volts else AMPS) if r in waveform.analog)
    both = ", currents alike" if by_volts and by_amps else ""
    order = "ACB (reversed)" if reversed_ else "ABC"
    text = f"as labelled the supply turns {order}: the negative sequence is {100 * share:.1f} % of both{both}"
    outcome = Outcome.PRESENT if reversed_ else Outcome.ABSENT
    return RecordAnswer(
        outcome, text, first, last, share, unit="1", limit_name="waveform.sequence_share", above=True, roles=roles
    )


def _sense(waveform: Waveform, vector: Complexes, limits: Limits) -> tuple[float, int, int] | None:
    """Share of the negative sequence while the vector is steady, and its samples; None where it is not plain."""
    track = frequency_track(np.nan_to_num(vector), waveform.time_s, limits, 2 * waveform.line_hertz)
    if not len(track.time_s) or track.volts.max() <= 0:
        return None
    off = np.abs(np.abs(track.hertz) / waveform.line_hertz - 1)
    steady = (track.volts >= track.volts.max() / 2) & (off <= limits["waveform.supply_hertz_share"])
    if not steady.any():
        return None
    index = np.flatnonzero(steady)
    half_s = limits["waveform.track_window_s"] / 2
    first, last = np.searchsorted(waveform.time_s, [track.time_s[index[0]] - half_s, track.time_s[index[-1]] + half_s])
    hertz = float(np.median(np.abs(track.hertz[index])))
    chosen, time_s = np.nan_to_num(vector[first:last]), waveform.time_s[first:last]
    width = max(round(1 / hertz / waveform.interval_s), 2)
    turned = np.exp(-2j * np.pi * hertz * time_s)
    positive = np.abs(sliding_mean(chosen * turned, width))
    negative = np.abs(sliding_mean(chosen * turned.conj(), width))
    weak, strong = sorted((float(np.median(positive)), float(np.median(negative))))
    if strong <= 0 or weak > limits["waveform.sequence_doubt_share"] * strong:
        return None
    return float(np.median(negative)) / (weak + strong), int(first), int(last) - 1


def dip(waveform: Waveform, limits: Limits, volts: float | None) -> RecordAnswer:
    """Decide whether the supply dipped: the smallest line voltage of a cycle below the share of its reference.

    Method of IEC 61000-4-30 (RMS over a cycle, threshold 90 %); reference is the declared voltage, else the record's
    own median. What comes before the connection or follows a disconnection on the motor's side is not a dip; nor is a
    sag under the motor's own inrush, unless it is deeper than such starts draw, nor the uneven voltage of a motor that
    lost a phase.
    """
    width = cycle_width(waveform, limits)
    present = [role for role in VOLTS if role in waveform.analog]
    vector, why = space_vector(waveform.analog)
    if width is None or vector is None:
        return unknown(why or "sampled too slowly to follow the phases")
    rms = np.array([cycle_rms(np.nan_to_num(waveform.analog[role]), width) for role in present])
    smallest = rms.min(axis=0)
    own = float(np.median(rms.max(axis=0)[rms.max(axis=0) >= 0.5 * rms.max()]))
    reference = volts if volts and abs(own / volts - 1) < limits["waveform.declared_band"] else own
    off_s, _ = disconnection_s(waveform, vector, limits)
    end = len(smallest) if off_s is None else int(np.searchsorted(waveform.time_s, off_s)) - width
    begin = _connected_from(waveform, smallest, reference, width, limits)
    shares = smallest[begin : max(end, begin)] / reference if reference > 0 else smallest[:0]
    if len(shares) < width:
        return unknown("the supply's voltage is in the record for less than a cycle")
    limit = limits["waveform.dip_share"]
    low = shares < limit
    inrush = _inrush(waveform, width, begin + len(shares), limits)[begin:]
    low &= ~(inrush & (shares >= limits["waveform.start_dip_share"]))
    spell = longest_stretch(low, waveform, 0.5 / waveform.line_hertz)
    lowest = float(shares.min())
    base = RecordAnswer(
        Outcome.ABSENT, value=lowest, unit="1", limit_name="waveform.dip_share", above=False, roles=tuple(present)
    )
    if spell is None:
        text = f"the smallest line voltage of a cycle was {100 * lowest:.1f} % of {reference:.0f} V"
        held = bool(low.any()) or lowest < limit
        note = ", under the motor's own inrush" if held else ""
        value = lowest if not held else float(shares[~inrush].min()) if (~inrush).any() else None
        first, last = begin + width - 1, begin + len(shares) + width - 2
        return replace(base, text=text + note, first=first, last=last, value=value)
    if phase_loss(waveform, limits).outcome is Outcome.PRESENT:
        return unknown("a phase was lost: its voltages fall with the motor")
    a, b = spell
    seconds = float(waveform.time_s[b] - waveform.time_s[a])
    text = f"the smallest line voltage fell to {100 * lowest:.1f} % of {reference:.0f} V for {seconds:.3g} s"
    first, last = begin + a + width - 1, begin + b + width - 1
    return replace(base, outcome=Outcome.PRESENT, text=text, first=first, last=last, seconds=seconds)


def _connected_from(waveform: Waveform, smallest: Floats, reference: float, width: int, limits: Limits) -> int:
    """First cycle with the contactor closed: 0 unless the record begins without voltage and without current.

    A record of the line's side shows the supply whatever the contactor does, and is left whole.
    """
    if waveform.measured_at == "line" or not len(smallest) or reference <= 0:
        return 0
    current, _ = current_vector(waveform.analog)
    if current is not None:
        size = sliding_mean(np.abs(np.nan_to_num(current)), width).real
        if size.max() > 0 and size[0] >= limits["waveform.current_share_off"] * size.max():
            return 0
    if smallest[0] >= limits["waveform.open_share"] * reference:
        return 0
    closed = np.flatnonzero(smallest >= limits["waveform.closed_share"] * reference)
    return int(closed[0]) + width if len(closed) else len(smallest)


def _inrush(waveform: Waveform, width: int, length: int, limits: Limits) -> Bools:
    """Where the motor draws inrush: its current above a share of the record's largest cycle."""
    vector, _ = current_vector(waveform.analog)
    if vector is None:
        return np.zeros(length, bool)
    size = sliding_mean(np.abs(np.nan_to_num(vector)), width).real[:length]
    settled = float(np.median(size[size >= limits["waveform.current_share_off"] * max(size.max(), 1e-12)]))
    if size.max() <= limits["waveform.inrush_over_settled"] * settled:
        return np.zeros(length, bool)
    return np.asarray(size >= limits["waveform.inrush_share"] * size.max(), np.bool_)


def unbalance(waveform: Waveform, limits: Limits) -> RecordAnswer:
    """Decide whether the line voltages were unbalanced (NEMA MG 1, clause 14.36) while the supply was on."""
    width = cycle_width(waveform, limits)
    if width is None or any(role not in waveform.analog for role in VOLTS):
        return unknown("needs the three line-to-line voltages of one record")
    vector, _ = space_vector(waveform.analog)
    assert vector is not None
    rms = np.array([cycle_rms(np.nan_to_num(waveform.analog[role]), width) for role in VOLTS])
    off_s, _ = disconnection_s(waveform, vector, limits)
    end = rms.shape[1] if off_s is None else max(int(np.searchsorted(waveform.time_s, off_s)) - width, 0)
    on = np.flatnonzero(rms[:, :end].max(axis=0) >= 0.5 * rms.max()) if end else np.zeros(0, int)
    if len(on) < 3 * width or rms.max() <= 0:
        return unknown("the supply's voltage is in the record for less than three cycles")
    percent = unbalance_percent(rms[:, on])
    value = float(np.median(percent))
    low, high = (float(x) for x in np.percentile(percent, [5, 95]))
    if phase_loss(waveform, limits).outcome is Outcome.PRESENT:
        return unknown("a phase was lost: the voltages are uneven for that reason")
    name = "electrical.voltage_unbalance_max"
    text = f"voltage unbalance {value:.2f} % of the mean, largest deviation"
    outcome = Outcome.PRESENT if value > limits[name] else Outcome.ABSENT
    first, last = int(on[0]) + width - 1, int(on[-1]) + width - 1
    return RecordAnswer(
        outcome=outcome,
        text=text,
        first=first,
        last=last,
        value=value,
        low=low,
        high=high,
        unit="%",
        limit_name=name,
        above=True,
        roles=VOLTS,
    )
