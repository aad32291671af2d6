"""Motors and electrical: computations of the project against values of standards and textbooks.

Sources stand beside each check. These need nothing but the project; the same rows are read from the shared table of
check values in ``test_electrical_rows.py``, so that table and code can't drift apart unseen.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from forensics.electrics.phasors import (
    cycle_phasors,
    cycle_rms,
    negative_sequence_percent,
    sequence_components,
    space_vector,
    unbalance_percent,
)
from forensics.electrics.residual_voltage import (
    amplitude_decay_s,
    frequency_track,
    residual_direction,
)
from forensics.model.record import Waveform
from forensics.model.vocabulary import Outcome, Role
from forensics.rules import read_limits

LIMITS = read_limits()


def column(*values: complex) -> np.ndarray:
    return np.array(values).reshape(-1, 1)


def phasor(size: float, degrees: float) -> np.ndarray:
    return np.array([size * np.exp(1j * np.radians(degrees))])


# EL-001, EL-002: NEMA MG 1 clause 14.36 and US DOE motor tip (worked examples, secondary sources); EL-003, EL-004:
# computed. The second column is the negative-sequence factor by the magnitude formula of IEC 61000-4-30.
@pytest.mark.parametrize(
    ("volts", "nema", "negative"),
    [
        ((460, 467, 450), 1.961, 2.146),
        ((462, 463, 455), 1.087, 1.091),
        ((203, 210, 212), 2.560, 2.606),
        ((480, 476, 472), 0.840, 0.970),
    ],
)
def test_voltage_unbalance(volts: tuple[float, ...], nema: float, negative: float) -> None:
    assert float(unbalance_percent(column(*volts))[0]) == pytest.approx(nema, abs=0.005)
    assert float(negative_sequence_percent(column(*volts))[0]) == pytest.approx(negative, abs=0.005)


# EL-005, EL-093, EL-094: the same method on currents, computed
@pytest.mark.parametrize(("amps", "percent"), [((100, 95, 105), 5.0), ((100, 100, 0), 100.0), ((1, 1, 2), 50.0)])
def test_current_unbalance(amps: tuple[float, ...], percent: float) -> None:
    assert float(unbalance_percent(column(*amps))[0]) == pytest.approx(percent, abs=0.01)


# EL-085 to EL-090: Fortescue's definition; EL-087 after a power-systems textbook (recalled: 5.78 at -30 and 5.78 at
# 30 degrees), EL-088 a textbook companion listing (secondary source); EL-090 computed
SEQUENCES = [
    ([(100, 0), (100, -120), (100, 120)], (0, None), (100, 0), (0, None)),
    ([(100, 0), (100, 120), (100, -120)], (0, None), (0, None), (100, 0)),
    ([(10, 0), (10, 180), (0, 0)], (0, None), (5.774, -30), (5.774, 30)),
    ([(147, 13), (154, 129), (150, 237)], (14.824, 142.70), (10.135, 49.00), (149.285, 6.32)),
    ([(1, 0), (1, 0), (2, 180)], (0, None), (1, 60), (1, -60)),
]


@pytest.mark.parametrize(("phases", "zero", "positive", "negative"), SEQUENCES)
def test_symmetrical_components(
    phases: list[tuple[float, float]],
    zero: tuple[float, float | None],
    positive: tuple[float, float | None],
    negative: tuple[float, float | None],
) -> None:
    found = sequence_components(*(phasor(*p) for p in phases))
    for got, (size, degrees) in zip(found, (zero, positive, negative), strict=True):
        assert abs(got[0]) == pytest.approx(size, abs=0.01)
        if degrees is not None:
            assert np.degrees(np.angle(got[0])) == pytest.approx(degrees, abs=0.02)


def test_components_of_unequal_phasors() -> None:
    """EL-088: I0 = 8 + 5.33j, I1 = 0.845 + 15.1j, I2 = 3.155 + 3.56j (textbook companion listing, secondary)."""
    found = sequence_components(*(np.array([z]) for z in (12 + 24j, 16 - 2j, -4 - 6j)))
    for got, expected in zip(found, (8 + 5.333j, 0.845 + 15.107j, 3.155 + 3.559j), strict=True):
        assert got[0] == pytest.approx(expected, abs=0.005)


@pytest.mark.parametrize(("sense", "sign"), [(-1.0, 1.0), (1.0, -1.0)])
def test_angle_of_the_space_vector_grows_for_abc(sense: float, sign: float) -> None:
    """EL-091, Clarke transform identity: d(angle)/dt is +w for ABC and -w for ACB."""
    t = np.arange(960) / 9600.0
    phases = [np.cos(2 * np.pi * 60 * t + sense * k * 2 * np.pi / 3) for k in range(3)]
    analog = {Role.VOLTS_AB: phases[0] - phases[1], Role.VOLTS_BC: phases[1] - phases[2]}
    vector, _ = space_vector(analog)
    assert vector is not None
    speed = np.gradient(np.unwrap(np.angle(vector)), t)
    assert np.median(speed) == pytest.approx(sign * 2 * np.pi * 60, rel=1e-6)
    assert np.abs(vector) == pytest.approx(1.0, abs=1e-9)


def test_slow_sampling_can_not_show_rotation() -> None:
    """EL-092 (Nyquist): the limit on samples a cycle lies above two, and 960 samples/s at 60 Hz pass it."""
    assert LIMITS["waveform.samples_per_cycle_min"] > 2
    assert LIMITS["waveform.samples_per_cycle_min"] <= 960 / 60


def test_residual_decay() -> None:
    """EL-075 to EL-077: V = V0 exp(-t/T0) reaches 0.33, 0.25 and 0.10 after 1.1087, 1.3863 and 2.3026 T0."""
    t, tau = np.arange(0, 4, 1 / 1920), 0.7
    track = frequency_track(400 * np.exp(-t / tau) * np.exp(2j * np.pi * 50 * t), t, LIMITS, 100.0)
    assert amplitude_decay_s(track, 0.2, 3.0) == pytest.approx(tau, rel=1e-3)
    begin = np.interp(0.5, track.time_s, track.volts)
    for share, times in ((0.33, 1.1087), (0.25, 1.3863), (0.10, 2.3026)):
        assert np.interp(0.5 + times * tau, track.time_s, track.volts) / begin == pytest.approx(share, rel=0.02)


def test_rms_and_phasor_of_a_sine() -> None:
    """Definitions: RMS is peak over root two; the phasor keeps size and angle over whole cycles."""
    t = np.arange(3200) / 1600.0
    wave = np.sqrt(2) * 230 * np.cos(2 * np.pi * 50 * t + 0.3)
    assert cycle_rms(wave, 32) == pytest.approx(230, rel=1e-9)
    found = cycle_phasors(wave, t, 50.0, 32)
    assert np.abs(found) == pytest.approx(230, rel=1e-9)
    assert np.angle(found) == pytest.approx(0.3, abs=1e-9)


def test_frequency_against_a_reference_estimate() -> None:
    """The tracked frequency of a noisy chirp against the instantaneous frequency of scipy's analytic signal."""
    from scipy.signal import hilbert

    rng = np.random.default_rng(3)
    t = np.arange(0, 3, 1 / 1920)
    phase = 2 * np.pi * (50 * t - 5 * t**2)
    noise = rng.normal(0, 0.02, len(t)) + 1j * rng.normal(0, 0.02, len(t))
    track = frequency_track(np.exp(1j * phase) + noise, t, LIMITS, 100.0)
    reference = np.gradient(np.unwrap(np.angle(hilbert(np.cos(phase)))), t) / (2 * np.pi)
    inner = (track.time_s > 0.3) & (track.time_s < 2.5)
    smooth = np.array([np.median(reference[np.abs(t - at) < 0.1]) for at in track.time_s[inner]])
    assert track.hertz[inner] == pytest.approx(smooth, abs=0.6)


# Limits that standards give: EL-016, EL-021 (NEMA MG 1, secondary source); IEC 61000-4-30 dip threshold (from memory)
@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("electrical.voltage_unbalance_severe", 5.0),
        ("electrical.undervoltage_share", 0.9),
        ("electrical.dip_share", 0.9),
        ("waveform.dip_share", 0.9),
        ("electrical.dead_share", 0.1),
    ],
)
def test_limits_of_standards(name: str, value: float) -> None:
    assert LIMITS[name] == value
    assert LIMITS.limit(name).kind == "standard"


def test_limits_of_a_lost_phase_lie_between_the_cases() -> None:
    """EL-095: 1.732 times at equal power; EL-096: 1.15 : 1.15 : 2.30 behind a delta-wye transformer (handbook)."""
    assert LIMITS["electrical.sensor_rise"] < LIMITS["electrical.phase_rise"] < 1.732
    assert LIMITS["electrical.double_share"] < 2.30 / 1.15


def test_recorded_machine_just_after_it_is_disconnected(shared: Path) -> None:
    """Open recording (MIT-licensed test data of a library): U32 lags U21 by a third of a turn throughout, tau 2.11 s.

    The phase sequence never reverses: reverse rotation is absent for as long as the voltage can be measured.
    """
    import comtrade

    file = shared / "data" / "waveforms" / "record_4.cfg"
    found = comtrade.Comtrade(ignore_warnings=True)
    found.load(str(file), str(file.with_suffix(".dat")))
    names = [name.strip() for name in found.analog_channel_ids]
    time_s = np.asarray(found.time, float)
    analog = {
        role: np.asarray(found.analog[names.index(name)], float)
        for role, name in ((Role.VOLTS_AB, "U21"), (Role.VOLTS_BC, "U32"))
    }
    waveform = Waveform(
        source="record_4.cfg",
        clock="recorder",
        start_ns=0,
        time_s=time_s,
        analog=analog,
        status={},
        trigger_s=None,
        line_hertz=float(found.frequency),
        measured_at="motor",
    )
    answer = residual_direction(waveform, LIMITS)
    assert answer.outcome is Outcome.ABSENT
    assert answer.track is not None
    assert bool((answer.track.hertz[answer.track.measured] > 0).all())
    assert amplitude_decay_s(answer.track, 1.0, 3.5) == pytest.approx(2.11, abs=0.03)
    middle = np.searchsorted(time_s, 2.0)
    hertz = float(np.interp(2.0, answer.track.time_s, answer.track.hertz))
    width = round(20 / hertz / waveform.interval_s)
    part = slice(middle, middle + width)
    turn = np.hanning(width) * np.exp(-2j * np.pi * hertz * time_s[part])
    angles = [np.angle(np.sum(analog[role][part] * turn)) for role in (Role.VOLTS_AB, Role.VOLTS_BC)]
    lag = np.degrees(angles[0] - angles[1]) % 360
    # the note beside the recording has 121 to 123 degrees; this sum and scipy's analytic signal both give 120.0
    assert lag == pytest.approx(122.0, abs=3.0)
