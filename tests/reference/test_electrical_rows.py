"""Rows of area EL on unbalance, sequence, residual voltage, heating and insulation, and the row on chattering.

Every row names its source: NEMA MG 1, IEC 60034-1, IEC 60255-149, IEC 60947-4-1, IEEE 43 and ISA-18.2 / IEC 62682 by
secondary sources or from memory, textbooks, and arithmetic where it says "computed".
"""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from check_values import Row, spread
from steady import BEGIN_NS, steady

from forensics.electrics.phasors import (
    negative_sequence_percent,
    sequence_components,
    space_vector,
    unbalance_percent,
)
from forensics.electrics.record_helpers import cycle_width
from forensics.electrics.residual_voltage import amplitude_decay_s, frequency_track
from forensics.model.points import NS, Origin
from forensics.model.record import Waveform
from forensics.model.switches import Switch
from forensics.model.vocabulary import Outcome, Recorded, Role
from forensics.rules import FOLDER, read_limits, read_toml
from forensics.signatures.electrical.chatter import chatter
from forensics.signatures.heat.motor import thermal_image

Rows = dict[str, Row]
LIMITS = read_limits()


def column(*values: complex) -> np.ndarray:
    return np.array(values).reshape(-1, 1)


# -- unbalance ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("row_id", spread("EL-001 to EL-004"))
def test_voltage_unbalance(rows: Rows, row_id: str) -> None:
    row = rows[row_id]
    assert float(unbalance_percent(column(*row.given))[0]) == row.about(0)
    assert float(negative_sequence_percent(column(*row.given))[0]) == row.about(1)


@pytest.mark.parametrize("row_id", ["EL-005", "EL-093", "EL-094"])
def test_current_unbalance(rows: Rows, row_id: str) -> None:
    row = rows[row_id]
    assert float(unbalance_percent(column(*row.given))[0]) == row.about()


def test_limits_of_voltage_unbalance_on_the_derating_curve(rows: Rows) -> None:
    """EL-006 to EL-016: no derating is printed; the lasting limit lies where motors derate, the severe one at its end.

    The curve is read by eye, to 0.02.
    """
    curve = [(rows[row_id].given[0], rows[row_id].values[0]) for row_id in spread("EL-006 to EL-015")]
    percent, factor = (np.array(part) for part in zip(*curve, strict=True))
    lasting, severe = LIMITS["electrical.voltage_unbalance_max"], LIMITS["electrical.voltage_unbalance_severe"]
    assert np.interp(1.0, percent, factor) >= 0.98
    assert 0.93 <= np.interp(lasting, percent, factor) < 0.98
    assert severe == percent[-1] == 5.0
    assert rows["EL-016"].quantity == f"Operation above {severe:g} % voltage unbalance"
    assert LIMITS.limit("electrical.voltage_unbalance_severe").kind == "standard"


def test_limit_of_current_unbalance(rows: Rows) -> None:
    """EL-018, NEMA MG 1 clause 14.36.5 (from memory): 6 to 10 times the voltage unbalance at load."""
    least, most = rows["EL-018"].values
    limit = LIMITS["electrical.current_unbalance_max"]
    volts_percent = (limit / most, limit / least)
    assert volts_percent[0] < LIMITS["electrical.voltage_unbalance_max"]
    assert volts_percent[0] <= rows["EL-018"].given[0] < volts_percent[1] * 1.05
    assert "14.36.5" in LIMITS.basis("electrical.current_unbalance_max")


def test_tolerance_of_the_supply(rows: Rows) -> None:
    """EL-021, NEMA MG 1 clause 12.44 (secondary source): 10 % of voltage, 5 % of frequency."""
    volts, hertz = (int(x) / 100.0 for x in re.findall(r"\+-(\d+)", rows["EL-021"].expected))
    assert LIMITS["electrical.undervoltage_share"] == pytest.approx(1.0 - volts)
    assert LIMITS["waveform.supply_hertz_share"] == pytest.approx(2.0 * hertz)
    for name in ("electrical.undervoltage_share", "waveform.supply_hertz_share"):
        assert "12.44" in LIMITS.basis(name)
        assert LIMITS.limit(name).kind == "standard"


def test_limits_of_a_lost_phase_lie_between_the_cases(rows: Rows) -> None:
    """EL-095 (from memory): 1.732 times at equal power; EL-096 (handbook): 1.15 : 1.15 : 2.30 behind a transformer."""
    rise = rows["EL-095"].values[0]
    assert LIMITS["electrical.sensor_rise"] < LIMITS["electrical.phase_rise"] < rise - 0.15
    one, two, three = rows["EL-096"].values
    assert one == two
    assert LIMITS["electrical.double_share"] < 0.9 * three / one


# -- sequence and residual voltage ----------------------------------------------------------------------------------


def phasors(text: str) -> list[complex]:
    """Phasors of a row: ``size@degrees``, ``a+bj``, or a bare zero."""
    found = []
    for part in re.sub(r"\(.*\)", "", text).split(","):
        size, at, degrees = part.strip().partition("@")
        found.append(float(size) * np.exp(1j * np.radians(float(degrees))) if at else complex(size))
    return found


def assert_components(found: tuple[np.ndarray, ...], expected: list[str], tolerance: float) -> None:
    for got, text in zip(found, expected, strict=True):
        (want,) = phasors(text)
        assert abs(got[0] - want) < tolerance + 2e-4 * abs(want), text


@pytest.mark.parametrize("row_id", ["EL-085", "EL-086", "EL-087", "EL-088", "EL-090"])
def test_symmetrical_components(rows: Rows, row_id: str) -> None:
    """Fortescue's definition, ABC-lag convention; zero, positive and negative sequence."""
    row = rows[row_id]
    found = sequence_components(*(np.array([z]) for z in phasors(row.inputs)))
    assert_components(found, row.expected.split(";"), 0.005)


def test_convention_of_the_sequence(rows: Rows) -> None:
    """EL-089: a program note labels the same numbers the other way round; here positive is the sense ABC."""
    row = rows["EL-089"]
    found = sequence_components(*(np.array([z]) for z in phasors(row.quantity.partition("phasors")[2])))
    told = dict(re.findall(r"(V[012])=([\d.@]+)", row.expected))
    assert_components(found, [told["V0"], told["V1"], told["V2"]], 0.01)
    assert abs(found[2][0]) > abs(found[1][0])


@pytest.mark.parametrize(("sense", "sign"), [(-1.0, 1.0), (1.0, -1.0)])
def test_angle_of_the_space_vector(rows: Rows, sense: float, sign: float) -> None:
    """EL-091, Clarke transform identity: the angle grows at +w for ABC and at -w for ACB."""
    assert rows["EL-091"].expected == "d(theta)/dt=+w for ABC; -w for ACB"
    t = np.arange(960) / 9600.0
    phase = [np.cos(2 * np.pi * 60 * t + sense * k * 2 * np.pi / 3) for k in range(3)]
    vector, _ = space_vector({Role.VOLTS_AB: phase[0] - phase[1], Role.VOLTS_BC: phase[1] - phase[2]})
    assert vector is not None
    speed = np.gradient(np.unwrap(np.angle(vector)), t)
    assert np.median(speed) == pytest.approx(sign * 2 * np.pi * 60, rel=1e-6)


@pytest.mark.parametrize(("rate_hz", "followed"), [(1.0, False), (121.0, False), (960.0, True)])
def test_sampling_that_can_show_rotation(rows: Rows, rate_hz: float, followed: bool) -> None:
    """EL-092 (Nyquist): above 120 samples a second at 60 Hz, and better 960; a trend at 1 s never."""
    least, usual = rows["EL-092"].values
    assert (least, usual) == (120.0, 960.0)
    t = np.arange(2000) / rate_hz
    record = Waveform(
        source="r.cfg",
        clock="recorder",
        start_ns=0,
        time_s=t,
        analog={Role.VOLTS_AB: np.cos(t)},
        status={},
        trigger_s=None,
        line_hertz=60.0,
        measured_at="motor",
    )
    assert (cycle_width(record, LIMITS) is not None) is followed


@pytest.mark.parametrize("row_id", spread("EL-075 to EL-077"))
def test_decay_of_the_residual_voltage(rows: Rows, row_id: str) -> None:
    """V = V0 exp(-t / T0), followed window by window: T0, and the time to a share of the begin."""
    row = rows[row_id]
    t, tau = np.arange(0, 4, 1 / 1920), 0.7
    track = frequency_track(400 * np.exp(-t / tau) * np.exp(2j * np.pi * 50 * t), t, LIMITS, 100.0)
    assert amplitude_decay_s(track, 0.2, 3.0) == pytest.approx(tau, rel=1e-3)
    begin = np.interp(0.5, track.time_s, track.volts)
    share = float(np.interp(0.5 + row.values[0] * tau, track.time_s, track.volts) / begin)
    assert share == pytest.approx(row.given[0], rel=0.01)


def test_a_motors_own_voltage_fades_before_it_is_taken_for_the_supply(rows: Rows) -> None:
    """EL-084, a textbook motor's open-circuit time constant: a few percent are left when the line side is judged."""
    tau_s = rows["EL-084"].values[0]
    after_s = LIMITS["waveform.line_side_after_s"]
    assert math.exp(-after_s / tau_s) < 0.05
    # the slowest that was recorded, 2.11 s (open recording), is still far below the supply
    assert math.exp(-after_s / 2.11) < 0.6 * LIMITS["waveform.line_side_share"]
    assert 0.3 <= tau_s <= 1.5
    assert "0.3 to 1.5 s" in LIMITS.basis("waveform.line_side_after_s")


# -- inrush ---------------------------------------------------------------------------------------------------------


def test_usual_locked_rotor_current_is_of_letter_g(rows: Rows) -> None:
    """EL-027, EL-028, NEMA MG 1 clause 10.37 (secondary source); 1.24 A/hp at 460 V (NEC table, from memory)."""
    amps_hp = 1000.0 / (math.sqrt(3.0) * 460.0)
    letter = {rows[i].quantity.split()[-1]: np.array(rows[i].values) * amps_hp / 1.24 for i in ("EL-027", "EL-028")}
    least, most = letter["G"]
    usual = LIMITS["starts.locked_rotor_usual"]
    assert least < usual < most
    assert usual > letter["F"][1]
    assert "code letter G" in LIMITS.basis("starts.locked_rotor_usual")


def test_offset_of_the_first_cycles_is_over_before_a_stall_is_called(rows: Rows) -> None:
    """EL-043, RL switching: a peak of up to 2.6 times the symmetrical RMS at X/R 15, gone within the shortest stall."""
    ratios = rows["EL-043"].given
    for place, ratio in enumerate(ratios):
        t = np.arange(0.0, 1.0, 1.0 / 60_000.0)
        w = 2.0 * math.pi * 60.0
        # closed when the offset is largest (voltage at zero, phase angle of the circuit a quarter turn)
        current = np.sqrt(2.0) * (np.exp(-w * t / ratio) - np.cos(w * t))
        assert float(current.max()) == pytest.approx(rows["EL-043"].values[place], rel=0.01)
        late = t > LIMITS["waveform.stall_min_s"]
        assert float(current[late].max()) == pytest.approx(math.sqrt(2.0), rel=1e-3)
    assert max(rows["EL-043"].values) < 2.6
    assert "2.6 times the symmetrical RMS at X/R 15" in LIMITS.basis("waveform.stall_min_s")


# -- heating of the motor -------------------------------------------------------------------------------------------


def image(t_s: np.ndarray, amps: np.ndarray, tau_s: np.ndarray, first: float = 0.0) -> np.ndarray:
    return thermal_image((t_s * NS).astype(np.int64), amps, tau_s, first, factor=1.05, rated=100.0)


def trip_s(ratio: float, tau_s: float, before: float) -> float:
    """Time at which the image of a constant current reaches the limit, s."""
    long_s = 3.0 * tau_s * math.log(ratio**2 / (ratio**2 - 1.0))
    t = np.linspace(0.0, long_s, 20_001)
    state = image(t, np.full(len(t), 105.0 * ratio), np.full(len(t), tau_s), before**2)
    return float(np.interp(1.0, state, t))


@pytest.mark.parametrize("row_id", spread("EL-060 to EL-064"))
def test_time_to_trip_cold_and_hot(rows: Rows, row_id: str) -> None:
    row = rows[row_id]
    ratio = float(row.inputs.partition("=")[2])
    for place, before in enumerate((0.0, 0.9)):
        assert trip_s(ratio, 1000.0, before) / 1000.0 == row.about(place)


def test_time_to_trip_in_seconds(rows: Rows) -> None:
    """EL-065: twice the limit with ten minutes."""
    for place, before in enumerate((0.0, 0.9)):
        assert trip_s(2.0, 600.0, before) == rows["EL-065"].about(place)


def test_thermal_state_and_cooling(rows: Rows) -> None:
    """EL-066, EL-067: heating for one time constant, cooling with three times that of heating."""
    ratio, _ = rows["EL-066"].given
    tau = np.full(2, 600.0)
    assert image(np.array([0.0, 600.0]), np.full(2, 105.0 * ratio), tau)[1] == rows["EL-066"].about()
    assert image(np.array([0.0, 600.0]), np.zeros(2), 3.0 * tau, 1.0)[1] == rows["EL-067"].about()


def test_range_of_time_constants_spans_the_trip_classes(rows: Rows) -> None:
    """EL-068, IEC 60947-4-1 (from memory): at 7.2 times the setting class 10A trips from 2 s, class 30 within 30 s."""
    windows = re.findall(r"(\d+)-(\d+)", rows["EL-068"].expected)
    soonest, latest = min(int(low) for low, _ in windows), max(int(high) for _, high in windows)
    scales = (LIMITS["heat.thermal_fast"], LIMITS["heat.thermal_slow"])
    fast, slow = (trip_s(7.2 / 1.05, scale * LIMITS["heat.thermal_heating"], 0.0) for scale in scales)
    assert fast <= soonest
    assert slow >= latest
    assert soonest < trip_s(7.2 / 1.05, LIMITS["heat.thermal_heating"], 0.0) < latest


# -- insulation and alarms ------------------------------------------------------------------------------------------


def test_limit_of_insulation_resistance(rows: Rows) -> None:
    """EL-099, IEEE 43-2013 (secondary source): 5 Mohm at 40 degC; its printed basis names the rule."""
    rule = read_toml(FOLDER / "measurements.toml")["insulation_resistance"]
    assert (rule["limit"], rule["unit"], rule["side"]) == (rows["EL-099"].values[0], "Mohm", "below")
    assert "IEEE 43" in rule["basis"]
    assert "40 degC" in rule["basis"]
    assert "hermetic" in rule["basis"]


@pytest.mark.parametrize(("activations", "outcome"), [(3, Outcome.PRESENT), (2, Outcome.CANNOT_TELL)])
def test_three_activations_within_a_minute_are_chatter(rows: Rows, activations: int, outcome: Outcome) -> None:
    """ST-078, ISA-18.2 / IEC 62682: three in a minute; another count may be set, as some codes use."""
    assert rows["ST-078"].expected.startswith(">=3 in 1 min")
    subject = steady({})
    begin = BEGIN_NS + 3600 * NS
    times, states = [begin], [1]
    for n in range(1, activations):
        back = begin + n * 25 * NS
        times += [back - NS, back]
        states += [0, 1]
    origin = Origin("events.csv", "contactor", "controller", Recorded.CHANGE, resolution_s=0.001)
    rows_of = np.arange(2, len(times) + 2)
    status = Switch(Role.RUN_STATUS, origin, np.array(times), np.array(states, np.int8), rows_of)
    record = replace(subject.record, switches={Role.RUN_STATUS: (status,)})
    (found,) = chatter(replace(subject, record=record))
    assert found.outcome is outcome
    # a count of five in a minute circulates too: the limit can be replaced by the case
    other = LIMITS.replaced({"electrical.drop_outs_allowed": (3.0, "site alarm philosophy")})
    assert chatter(replace(subject, record=record, limits=other))[0].outcome is not Outcome.PRESENT
