"""Which way a disconnected motor turned: direction and frequency of the voltage its own rotor induces.

After the contactor opens, the flux of the rotor decays and goes on inducing a voltage while the rotor turns: its
phase sequence is the direction of rotation, its frequency the electrical speed. Only a sensor on the motor's side of
the contactor sees it. (Induction-machine textbook physics; an open-circuit decay as in NEMA MG 1, clause 20.33.)
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from forensics.electrics.phasors import Complexes, Floats, current_vector, sliding_mean, space_vector
from forensics.model.record import Waveform
from forensics.model.vocabulary import Outcome
from forensics.rules import Limits

Bools = NDArray[np.bool_]
_CYCLES_FOR_OFFSET = 4
_APPROACH = 5  # windows of the forward track that show how it came down
LINE_SIDE = "the voltage was taken on the line side, which shows the supply and not the motor"


@dataclass(frozen=True)
class Track:
    """Direction, frequency and amplitude of a turning voltage, window by window.

    Attributes
    ----------
    time_s
        Middle of each window, s from the first sample of the record, shape (n,).
    hertz
        Signed frequency, Hz: positive for ABC.
    volts
        Line-to-line RMS of the turning part, V.
    coherence
        Share of the window's energy that one turning vector explains, 0 to 1; noise alone explains a few percent.
    measured
        Where amplitude and coherence pass their gates.
    """

    time_s: Floats
    hertz: Floats
    volts: Floats
    coherence: Floats
    measured: Bools


@dataclass(frozen=True)
class ResidualDirection:
    """Whether the rotor turned backwards after the motor was disconnected.

    Attributes
    ----------
    outcome
        Present, absent (it was measured turning forward, and for how long), or cannot-tell with ``why_not``.
    disconnected_s
        Disconnection, s from the first sample; None where the record shows none.
    from_s, seconds
        Begin of the reverse rotation after the disconnection and how long it was measured, s.
    peak_hertz
        Fastest reverse electrical frequency measured, Hz (speed is this over the pairs of poles).
    forward_s
        How long after the disconnection the rotor was measured turning forward, s.
    forward_share
        Its last forward frequency over the frequency at disconnection.
    decay_s
        Time constant of the amplitude of the residual voltage, s; None where it can't be fitted.
    """

    outcome: Outcome
    disconnected_s: float | None = None
    from_s: float | None = None
    seconds: float | None = None
    peak_hertz: float | None = None
    peak_volts: float | None = None
    forward_s: float | None = None
    forward_share: float | None = None
    decay_s: float | None = None
    basis: str = ""
    why_not: str = ""
    track: Track | None = field(default=None, repr=False)


def _without_offset(vector: Complexes, time_s: Floats, hertz: float, until_s: float) -> Complexes:
    """Take off the sensors' constant part, had while the supply was on; a Hann taper keeps the supply out of it."""
    part = vector[time_s < until_s]
    if len(part) < _CYCLES_FOR_OFFSET / hertz / max(float(np.median(np.diff(time_s))), 1e-9):
        return vector
    taper = np.hanning(len(part) + 2)[1:-1]
    return np.asarray(vector - (part * taper).sum() / taper.sum())


def frequency_track(vector: Complexes, time_s: Floats, limits: Limits, max_hertz: float) -> Track:
    """Follow a turning vector through windows: the strongest signed frequency of each (discrete Fourier transform)."""
    step_s = float(np.median(np.diff(time_s)))
    length = max(round(limits["waveform.track_window_s"] / step_s), 8)
    hop = max(round(limits["waveform.track_step_s"] / step_s), 1)
    if len(vector) < length:
        empty = np.zeros(0)
        return Track(empty, empty, empty, empty, np.zeros(0, bool))
    starts = np.arange(0, len(vector) - length + 1, hop)
    padded = 1 << (int(4 * length) - 1).bit_length()
    frequencies = np.asarray(np.fft.fftfreq(padded, step_s), np.float64)
    inside = np.flatnonzero(np.abs(frequencies) <= max_hertz)
    order = np.argsort(frequencies[inside])
    hertz, size, energy = np.zeros(len(starts)), np.zeros(len(starts)), np.zeros(len(starts))
    for block in np.array_split(np.arange(len(starts)), max(1, len(starts) * padded // 4_000_000 + 1)):
        windows = vector[starts[block, None] + np.arange(length)]
        spectrum = np.asarray(np.abs(np.fft.fft(windows, padded, axis=1))[:, inside], np.float64) / length
        hertz[block], size[block] = _peaks(spectrum[:, order], frequencies[inside[order]])
        energy[block] = (np.abs(windows) ** 2).mean(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        coherence = np.where(energy > 0, size**2 / energy, 0.0)
    volts = size * np.sqrt(3 / 2)
    measured = (
        (volts >= limits["waveform.track_volts_min"])
        & (coherence >= limits["waveform.coherence_min"])
        & (np.abs(hertz) >= limits["waveform.residual_hertz_min"])
    )
    return Track(time_s[starts] + length * step_s / 2, hertz, volts, coherence, measured)


def _peaks(spectrum: Floats, hertz: Floats) -> tuple[Floats, Floats]:
    """Strongest frequency of each row and its size; the place between bins by a parabola through three of them."""
    rows = np.arange(len(spectrum))
    best = spectrum.argmax(axis=1)
    inner = np.clip(best, 1, spectrum.shape[1] - 2)
    left, middle, right = spectrum[rows, inner - 1], spectrum[rows, inner], spectrum[rows, inner + 1]
    bend = left - 2 * middle + right
    with np.errstate(invalid="ignore", divide="ignore"):
        shift = np.where((bend < 0) & (inner == best), 0.5 * (left - right) / bend, 0.0)
    return hertz[best] + shift * (hertz[1] - hertz[0]), spectrum[rows, best]


def disconnection_s(waveform: Waveform, vector: Complexes, limits: Limits) -> tuple[float | None, str]:
    """When the motor was disconnected, s from the first sample: where the current ends, else where the decay begins."""
    width = max(round(1 / waveform.line_hertz / waveform.interval_s), 2)
    if len(vector) < 3 * width:
        return None, "the record is shorter than three cycles"
    current, _ = current_vector(waveform.analog)
    if current is not None:
        size = sliding_mean(np.abs(np.nan_to_num(current)), width).real
        on = np.flatnonzero(size >= limits["waveform.current_share_off"] * size.max())
        edge = int(on[-1]) if len(on) else len(size)
        if size.max() > 0 and size.min() < limits["waveform.current_share_off"] * size.max():
            if edge >= len(size) - width:
                return None, "the current does not end within the record"
            return float(waveform.time_s[edge]), ""
    size = sliding_mean(np.abs(np.nan_to_num(vector)), width).real
    high = np.flatnonzero(size >= limits["waveform.decay_begins_share"] * size.max())
    if size.max() <= 0 or high[-1] >= len(size) - width:
        return None, "the record shows no disconnection of the motor"
    return float(waveform.time_s[high[-1]]), ""


def residual_direction(waveform: Waveform, limits: Limits) -> ResidualDirection:
    """Measure by phase sequence of the residual voltage whether the rotor turned backwards after the disconnection.

    Method: the angle of the voltage space vector (Clarke) of each window turns at the rotor's electrical speed; its
    sign against the sign before the disconnection is the direction. A window counts only where amplitude, coherence
    and a lowest frequency pass their gates. A reversal counts only where its frequency is continuous, not that of the
    supply, and came through zero from a forward frequency that fell, and where its voltage stands far above what turned
    that way before it: a neighbour's cable can induce any frequency, but not that course. Absent is said only where the
    rotor was measured turning forward for the watch time and kept most of its speed.
    """

    def unknown(why: str, at_s: float | None = None, track: Track | None = None) -> ResidualDirection:
        return ResidualDirection(Outcome.CANNOT_TELL, disconnected_s=at_s, why_not=why, track=track)

    vector, why = space_vector(waveform.analog)
    if vector is None:
        return unknown(why)
    if len(vector) < 2 or waveform.line_hertz <= 0:  # noqa: PLR2004 - nothing to follow
        return unknown("the record has too few samples")
    if waveform.interval_s > 1 / (limits["waveform.samples_per_cycle_min"] * waveform.line_hertz):
        return unknown(f"sampled every {1000 * waveform.interval_s:g} ms: too slow to follow the phases")
    if waveform.measured_at in ("line", "drive"):
        return unknown(LINE_SIDE)
    off_s, why = disconnection_s(waveform, vector, limits)
    if off_s is None:
        return unknown(why)
    vector = _without_offset(np.where(np.isfinite(vector), vector, 0), waveform.time_s, waveform.line_hertz, off_s)
    track = frequency_track(vector, waveform.time_s, limits, 2 * waveform.line_hertz)
    return _judge(waveform, vector, track, off_s, limits)


def _judge(waveform: Waveform, vector: Complexes, track: Track, off_s: float, limits: Limits) -> ResidualDirection:
    half_s = limits["waveform.track_window_s"] / 2
    before = track.measured & (track.time_s <= off_s - half_s)
    after = track.time_s >= off_s + half_s
    size = np.abs(vector)
    running = size[waveform.time_s < off_s]
    tail = size[waveform.time_s > off_s + limits["waveform.line_side_after_s"]]
    reference = float(np.median(running)) if len(running) else 0.0
    line_side = len(tail) and reference > 0 and float(np.median(tail)) > limits["waveform.line_side_share"] * reference
    if line_side:
        return ResidualDirection(Outcome.CANNOT_TELL, off_s, why_not=LINE_SIDE + " (it does not decay)", track=track)
    first = np.flatnonzero(before if before.any() else track.measured & after)
    if not len(first):
        why = "no residual voltage above the gates was recorded after the disconnection"
        return ResidualDirection(Outcome.CANNOT_TELL, off_s, why_not=why, track=track)
    sense = float(np.sign(np.median(track.hertz[first[-5:] if before.any() else first[:5]])))
    begin_hertz = float(np.abs(track.hertz[first[-1] if before.any() else first[0]]))
    decay_s = _decay_s(track, off_s, limits)
    forward = track.measured & after & (np.sign(track.hertz) == sense)
    reverse = track.measured & after & (np.sign(track.hertz) == -sense)
    reverse &= np.abs(np.abs(track.hertz) - waveform.line_hertz) > limits["waveform.supply_hertz_band"]
    spell = _longest_continuous(track, reverse, limits)
    doubt = "" if spell is None else _no_rotor(waveform, vector, track, forward, spell, off_s=off_s, limits=limits)
    forward_s, share = _forward(track, forward, off_s, begin_hertz)
    if spell is not None and doubt:
        return ResidualDirection(
            Outcome.CANNOT_TELL,
            off_s,
            forward_s=forward_s,
            forward_share=share,
            decay_s=decay_s,
            why_not=doubt,
            track=track,
        )
    if spell is not None:
        peak = spell[int(np.argmax(np.abs(track.hertz[spell])))]
        return ResidualDirection(
            Outcome.PRESENT,
            off_s,
            from_s=float(track.time_s[spell[0]]) - off_s,
            seconds=float(track.time_s[spell[-1]] - track.time_s[spell[0]]),
            peak_hertz=float(np.abs(track.hertz[peak])),
            peak_volts=float(track.volts[peak]),
            forward_s=forward_s,
            forward_share=share,
            decay_s=decay_s,
            basis="phase sequence of the residual voltage, opposite to that before the disconnection",
            track=track,
        )
    followed = ResidualDirection(
        Outcome.CANNOT_TELL, off_s, forward_s=forward_s, forward_share=share, decay_s=decay_s, track=track
    )
    return _no_reversal(followed, limits)


def _no_rotor(
    waveform: Waveform,
    vector: Complexes,
    track: Track,
    forward: Bools,
    spell: NDArray[np.intp],
    off_s: float,
    limits: Limits,
) -> str:
    """Why a voltage that turns the other way is not shown to be the rotor's; empty where it is."""
    begin_s = float(track.time_s[spell[0]])
    last = np.flatnonzero(forward & (track.time_s < begin_s))[-_APPROACH:]
    if len(last) < _APPROACH or begin_s - float(track.time_s[last[-1]]) > limits["waveform.through_zero_s"]:
        return "a voltage turns the other way, but no forward frequency was followed down to it"
    falls = np.abs(track.hertz[last])
    near = limits["waveform.through_zero_hertz"]
    risen = np.abs(track.hertz[spell])
    if falls[-1] > near or risen[0] > near or falls[0] - falls[-1] <= 0.0:
        return "a voltage turns the other way, but it did not come through zero from a forward frequency that fell"
    if risen.max() - risen[0] < limits["waveform.reverse_rise_hertz"]:
        return "a voltage turns the other way, but at a frequency that never grew from zero as a rotor's does"
    level = _reverse_before(waveform, vector, track, forward, begin_s, off_s=off_s, limits=limits)
    if level is None:
        return "a voltage turns the other way, but what was there before it can't be read"
    volts = float(np.sqrt(max(float(track.volts[spell].max()) ** 2 - level**2, 0.0)))
    # the least is an amplitude, line to line; all else is RMS
    least = max(limits["waveform.residual_volts_min"] / np.sqrt(2.0), limits["waveform.over_before"] * level)
    if volts < least:
        return f"a voltage of {volts:.1f} V turns the other way, less than the {least:.1f} V that would stand out"
    return ""


def _reverse_before(
    waveform: Waveform,
    vector: Complexes,
    track: Track,
    forward: Bools,
    begin_s: float,
    off_s: float,
    limits: Limits,
) -> float | None:
    """The strongest voltage that turned the other way before a reversal, line-to-line RMS, V.

    Read while the motor was connected (the supply taken off by least squares, the median of the windows) and while it
    ran on forward fast enough to stand apart (the last windows of it); the larger of both. None where neither was
    recorded long enough.
    """
    length = round(limits["waveform.track_window_s"] / waveform.interval_s)
    half_s = limits["waveform.track_window_s"] / 2
    sense = float(np.sign(np.median(track.hertz[forward])))
    fast = forward & (np.abs(track.hertz) >= limits["waveform.apart_hertz"]) & (track.time_s < begin_s)
    connected = np.flatnonzero(track.time_s <= off_s - half_s)
    running_on = np.flatnonzero(fast & (track.time_s >= off_s + half_s))[-_APPROACH:]
    levels = []
    for windows in (connected, running_on):
        found = [
            _turning(waveform, vector, int(i), float(track.hertz[i]), length, sense=-sense, track=track, limits=limits)
            for i in windows
        ]
        if found:
            levels.append(float(np.median(found)))
    return max(levels) if levels else None


def _turning(
    waveform: Waveform,
    vector: Complexes,
    window: int,
    hertz: float,
    length: int,
    sense: float,
    track: Track,
    limits: Limits,
) -> float:
    """The strongest voltage of one sense in a window, its main frequency taken off both ways, line-to-line RMS, V."""
    start = max(int(np.searchsorted(waveform.time_s, track.time_s[window] - length * waveform.interval_s / 2)), 0)
    part, t = vector[start : start + length], waveform.time_s[start : start + length]
    turned = np.exp(2j * np.pi * hertz * (t - t[0]))
    basis = np.column_stack((turned, turned.conj(), np.ones(len(t))))
    left = part - basis @ np.linalg.lstsq(basis, part, rcond=None)[0]
    taper = np.hanning(len(left) + 2)[1:-1]
    padded = 1 << (int(4 * length) - 1).bit_length()
    spectrum = np.abs(np.fft.fft(left * taper, padded)) / taper.sum()
    frequencies = sense * np.fft.fftfreq(padded, waveform.interval_s)
    most = waveform.line_hertz - limits["waveform.supply_hertz_band"]
    band = (frequencies >= limits["waveform.residual_hertz_min"]) & (frequencies <= most)
    return float(spectrum[band].max() * np.sqrt(3 / 2)) if band.any() else 0.0


def _no_reversal(followed: ResidualDirection, limits: Limits) -> ResidualDirection:
    forward_s, share = followed.forward_s, followed.forward_share
    watch_s, kept = limits["waveform.residual_watch_s"], limits["waveform.forward_share_min"]
    seen = forward_s is not None and share is not None and forward_s >= watch_s and share >= kept
    if forward_s is None or share is None:
        why = "the residual voltage could not be followed after the disconnection"
    elif forward_s < watch_s:
        why = f"the residual voltage can be followed for {forward_s:.1f} s only; {watch_s:g} s are needed"
    else:
        why = f"the rotor had slowed to {100 * share:.0f} % when the voltage was lost: what came later was not measured"
    return replace(
        followed,
        outcome=Outcome.ABSENT if seen else Outcome.CANNOT_TELL,
        basis="phase sequence of the residual voltage, unchanged for as long as it could be measured" if seen else "",
        why_not="" if seen else why,
    )


def _forward(track: Track, forward: Bools, off_s: float, begin_hertz: float) -> tuple[float | None, float | None]:
    index = np.flatnonzero(forward)
    if not len(index) or begin_hertz <= 0:
        return None, None
    return float(track.time_s[index[-1]]) - off_s, float(np.abs(track.hertz[index[-1]])) / begin_hertz


def _longest_continuous(track: Track, chosen: Bools, limits: Limits) -> NDArray[np.intp] | None:
    """Indices of the longest spell whose frequency moves smoothly, None where none lasts long enough."""
    index = np.flatnonzero(chosen)
    if not len(index):
        return None
    gap_s = np.diff(track.time_s[index])
    rate = np.abs(np.diff(track.hertz[index])) / np.maximum(gap_s, 1e-9)
    cut = (gap_s > limits["waveform.track_window_s"]) | (rate > limits["waveform.hertz_per_s_max"])
    spells = np.split(index, np.flatnonzero(cut) + 1)
    best = max(spells, key=lambda spell: float(track.time_s[spell[-1]] - track.time_s[spell[0]]))
    long_enough = track.time_s[best[-1]] - track.time_s[best[0]] >= limits["waveform.reversed_min_s"]
    return best if long_enough else None


def _decay_s(track: Track, off_s: float, limits: Limits) -> float | None:
    use = track.measured & (track.time_s > off_s + limits["waveform.track_window_s"])
    if not use.any():
        return None
    floor = float(track.volts[use].max()) * limits["waveform.decay_floor_share"]
    low = np.flatnonzero(use & (track.volts < floor))
    until_s = float(track.time_s[low[0]]) if len(low) else np.inf
    return amplitude_decay_s(track, off_s + limits["waveform.track_window_s"], until_s)


def amplitude_decay_s(track: Track, from_s: float, to_s: float) -> float | None:
    """Time constant of the amplitude between two times, by a straight line through its logarithm; None if it grows."""
    index = np.flatnonzero(track.measured & (track.time_s > from_s) & (track.time_s < to_s))
    if len(index) < 4:  # noqa: PLR2004 - a line and its spread
        return None
    slope = float(np.polyfit(track.time_s[index], np.log(track.volts[index]), 1)[0])
    return -1 / slope if slope < 0 else None
