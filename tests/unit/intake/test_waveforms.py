"""Waveform records: values, time and refusals.

Invented inputs lie in ``messy/``. Reference values of the open recordings were worked out from their bytes without this
package (../shared/data/README.md); the layout of records follows IEEE Std C37.111-1991/-1999 and C37.111-2013.
"""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest

from forensics.case.exports import Point, Source
from forensics.case.schema import Machine
from forensics.errors import Problems, Severity
from forensics.intake.waveform.reader import WaveformReading, read_waveform
from forensics.model.points import to_datetime
from forensics.model.vocabulary import Role

MESSY = Path(__file__).parent / "messy"
CURRENT = Role.AMPS_A


def read(file: Path, points: dict[str, str] | None = None, zone: str = "UTC", **told: object):
    problems = Problems()
    bound = [
        Point.model_validate({"role": role, "column": column, "source": file.name})
        for role, column in (points or {}).items()
    ]
    source = Source.model_validate({"path": file.name, **told})
    return read_waveform(source, bound, file, zone, problems), problems


def record(reading: WaveformReading):
    assert reading.waveform is not None
    assert reading.rows_read == reading.rows_kept + sum(reading.set_aside.values())
    return reading.waveform


def channel(file: Path, position: int, *, status: bool = False) -> str:
    """Identifier of the n-th channel (from 1): the recordings' own names are not repeated here."""
    lines = file.read_bytes().decode("iso-8859-1").splitlines()
    analog = int(lines[1].split(",")[1].strip()[:-1])
    return lines[1 + position + (analog if status else 0)].split(",")[1].strip()


CFG_2013 = """Bench,REC,{revision}
3,2A,1D
1,IA,A,,A,{scale},0,0,-32767,32767,200,5,{kind}
2,UAB,,,kV,0.001,0,0,-32767,32767,1,1,P
1,S1,,,0
60
1
1000,4
{start}
{trigger}
{type}
1
{tail}"""


def write(folder: Path, data: bytes | str, **change: str) -> Path:
    told = {
        "revision": "1999",
        "scale": "0.1",
        "kind": "P",
        "start": "15/06/2024,08:30:14.000000",
        "trigger": "15/06/2024,08:30:14.001000",
        "type": "ASCII",
        "tail": "",
    } | change
    (folder / "r.cfg").write_text(CFG_2013.format(**told), encoding="utf-8")
    (folder / "r.dat").write_bytes(data.encode() if isinstance(data, str) else data)
    return folder / "r.cfg"


ROWS = "1,0,100,480,0\n2,1000,110,481,0\n3,2000,120,482,1\n4,3000,130,483,1\n"


# --- the messy folders --------------------------------------------------------------------------------------------


def test_revision_1991_is_month_first_with_two_digit_year():
    reading, problems = read(MESSY / "65-revision-1991-date-order" / "ch2_1991.cfg", {"amps_a": "IA"})
    wave = record(reading)
    assert not list(problems)
    assert to_datetime(wave.start_ns).isoformat() == "2024-06-05T08:30:14+00:00"
    assert wave.trigger_s == pytest.approx(0.003333, abs=1e-9)
    np.testing.assert_allclose(wave.analog[CURRENT], [118.0, 117.5, 118.2, 149.0, 397.0, 12.0])
    np.testing.assert_allclose(wave.time_s * 1e6, [0, 833, 1667, 2500, 3333, 4167], atol=1.0)
    assert wave.status["TRIP"].tolist() == [0, 0, 0, 0, 1, 1]


def test_date_that_does_not_fit_its_revision_is_asked_for(tmp_path: Path):
    text = (MESSY / "65-revision-1991-date-order" / "ch2_1991.cfg").read_text().replace("06/05/24", "15/06/24")
    (tmp_path / "r.cfg").write_text(text)
    (tmp_path / "r.dat").write_bytes((MESSY / "65-revision-1991-date-order" / "ch2_1991.dat").read_bytes())
    reading, problems = read(tmp_path / "r.cfg")
    assert reading.waveform is None
    (problem,) = problems
    assert problem.severity is Severity.STOP
    assert "does not keep to its revision" in problem.what
    assert 'date_order = "DMY"' in problem.remedy
    told, problems = read(tmp_path / "r.cfg", date_order="DMY")
    assert to_datetime(record(told).start_ns).isoformat() == "2024-06-15T08:30:14+00:00"
    assert not list(problems)


def test_two_sample_rates_give_the_time_from_trip_bit_to_current_gone():
    reading, problems = read(MESSY / "67-two-sample-rates" / "ch2_rates.cfg", {"amps_a": "IA"})
    wave = record(reading)
    assert not list(problems)
    np.testing.assert_allclose(wave.time_s * 1e6, [0, 833, 1667, 2500, 19167, 35833, 52500, 69167], atol=1.0)
    np.testing.assert_allclose(wave.analog[CURRENT], [118.0, 117.5, 118.2, 149.0, 397.0, 390.0, 210.0, 12.0])
    rise = wave.time_s[int(np.argmax(wave.status["TRIP"]))]
    gone = wave.time_s[int(np.flatnonzero(wave.analog[CURRENT] < 20.0)[0])]
    assert (gone - rise) * 1e3 == pytest.approx(50.0, abs=0.01)


def test_more_samples_than_announced_are_kept_and_said():
    reading, _ = read(MESSY / "68-count-and-length-disagree" / "ch2_more.cfg", {"amps_a": "IA"})
    wave = record(reading)
    assert len(wave.time_s) == 8
    assert wave.analog[CURRENT].max() == pytest.approx(397.0)
    assert any(
        "announces 6 samples, the .dat has 8; samples 7-8 (210.0 and 12.0 A" in note
        and "past the announced end" in note
        for note in reading.notes
    )


def test_end_of_file_bytes_after_binary_records_are_set_aside():
    reading, problems = read(MESSY / "68-count-and-length-disagree" / "ch2_tail.cfg", {"amps_a": "IA"})
    wave = record(reading)
    assert len(wave.time_s) == 8
    assert (wave.analog[CURRENT][0], wave.analog[CURRENT][-1]) == pytest.approx((118.0, 12.0))
    assert any("2 bytes" in note and "0x1A" in note for note in reading.notes)
    assert not list(problems)


def test_binary_data_of_another_record_length_are_refused():
    reading, problems = read(MESSY / "68-count-and-length-disagree" / "ch2_misfit.cfg", {"amps_a": "IA"})
    assert reading.waveform is None
    (problem,) = problems
    assert "112 bytes do not fit records of 12 bytes (2 analog, 0 status)" in problem.what
    assert "fit records of 14 bytes (2 analog, 1-16 status)" in problem.what
    assert "do not belong together or the channel count is wrong" in problem.what


# --- forms of the standard ----------------------------------------------------------------------------------------


def test_secondary_values_become_primary(tmp_path: Path):
    reading, _ = read(write(tmp_path, ROWS, kind="S"), {"amps_a": "IA", "volts_ab": "UAB"})
    wave = record(reading)
    np.testing.assert_allclose(wave.analog[CURRENT], np.array([10.0, 11.0, 12.0, 13.0]) * 200 / 5)
    np.testing.assert_allclose(wave.analog[Role.VOLTS_AB], [480.0, 481.0, 482.0, 483.0])


def test_channel_that_does_not_say_primary_or_secondary_is_left_out(tmp_path: Path):
    reading, problems = read(write(tmp_path, ROWS, kind=""), {"amps_a": "IA", "volts_ab": "UAB"})
    assert list(record(reading).analog) == [Role.VOLTS_AB]
    assert [problem.severity for problem in problems] == [Severity.POINT]


def _binary(kind: str, values: list[tuple[float, float]]) -> bytes:
    form = {"BINARY": "<IIhhH", "BINARY32": "<IIiiH", "FLOAT32": "<IIffH"}[kind]
    return b"".join(struct.pack(form, k + 1, 1000 * k, a, v, int(k > 1)) for k, (a, v) in enumerate(values))


@pytest.mark.parametrize(
    ("kind", "missing"), [("BINARY", -(2**15)), ("BINARY32", -(2**31)), ("FLOAT32", -3.4028234663852886e38)]
)
def test_binary_forms_and_their_marks_for_a_missing_value(tmp_path: Path, kind: str, missing: float):
    values = [(100, 480), (missing, 481), (-120, 482), (130, 483)]
    reading, problems = read(
        write(tmp_path, _binary(kind, values), type=kind, revision="2013"), {"amps_a": "IA", "volts_ab": "UAB"}
    )
    wave = record(reading)
    assert not list(problems)
    np.testing.assert_allclose(wave.analog[CURRENT], [10.0, np.nan, -12.0, 13.0])
    np.testing.assert_allclose(wave.analog[Role.VOLTS_AB], [480.0, 481.0, 482.0, 483.0])
    assert wave.status["S1"].tolist() == [0, 0, 1, 1]
    assert reading.cells_missing == {"missing in record": 1}


def test_smallest_normal_float_is_a_reading(tmp_path: Path):
    values = [(float(np.finfo(np.float32).tiny), 480.0), (0.0, 481.0), (1.0, 482.0), (2.0, 483.0)]
    reading, _ = read(write(tmp_path, _binary("FLOAT32", values), type="FLOAT32"), {"amps_a": "IA"})
    assert np.isfinite(record(reading).analog[CURRENT]).all()


def test_ascii_marks_for_a_missing_value_and_bad_lines(tmp_path: Path):
    rows = (
        "1,0,99999,480,0\n2,1000, 99999.0 ,481,0\n3,x,120,482,1\n\n4,3000,,483,1\n"
        "4,3000,130,483,1\n5,4000,140\n6,5000,150,484,1\n\x1a"
    )
    reading, _ = read(write(tmp_path, rows), {"amps_a": "IA"})
    wave = record(reading)
    np.testing.assert_allclose(wave.analog[CURRENT], [np.nan, np.nan, np.nan, 15.0])
    assert reading.set_aside == {
        "not a number": 1,
        "blank line": 1,
        "sample number does not rise": 1,
        "wrong number of fields": 1,
    }
    assert (reading.listed[0].row, reading.listed[0].reason) == (3, "not a number")
    np.testing.assert_allclose(wave.time_s, [0.0, 0.001, 0.003, 0.005], atol=1e-9)


def test_record_states_its_own_offset(tmp_path: Path):
    reading, _ = read(write(tmp_path, ROWS, revision="2013", tail="-5h30,-5h30\nB,3"), zone="America/Chicago")
    assert to_datetime(record(reading).start_ns).isoformat() == "2024-06-15T14:00:14+00:00"
    assert any("the zone of the case has -05:00" in note for note in reading.notes)
    told, _ = read(write(tmp_path, ROWS, revision="2013", tail="-5h30,-5h30\nB,3"), time_zone="-06:00")
    assert to_datetime(record(told).start_ns).isoformat() == "2024-06-15T14:30:14+00:00"


def test_local_stamp_in_the_repeated_hour_is_asked_for(tmp_path: Path):
    # Clocks in Chicago went back on 2024-11-03 at 02:00 (IANA time zone database).
    file = write(tmp_path, ROWS, start="03/11/2024,01:30:00.0", trigger="03/11/2024,01:30:00.001")
    reading, problems = read(file, zone="America/Chicago")
    assert reading.waveform is None
    (problem,) = problems
    assert problem.severity is Severity.STOP
    assert '"-05:00" or "-06:00"' in problem.remedy
    told, _ = read(file, zone="America/Chicago", time_zone="-06:00")
    assert to_datetime(record(told).start_ns).isoformat() == "2024-11-03T07:30:00+00:00"


def test_stamps_that_contradict_the_rates_are_asked_for(tmp_path: Path):
    file = write(tmp_path, ROWS.replace("3000", "4800"))
    reading, problems = read(file)
    (problem,) = problems
    assert reading.waveform is None
    assert problem.severity is Severity.STOP
    assert "4.800 ms by its stamp" in problem.what
    assert "3.000 ms by the rates" in problem.what
    assert "waveform_time" in problem.remedy
    assert record(read(file, waveform_time="stamps")[0]).time_s[-1] == pytest.approx(0.0048)
    assert record(read(file, waveform_time="rates")[0]).time_s[-1] == pytest.approx(0.003)


def test_stamps_in_nanoseconds(tmp_path: Path):
    rows = "\n".join(f"{k + 1},{k * 1_000_000},{100 + k},480,0" for k in range(4))
    file = write(
        tmp_path, rows, start="15/06/2024,08:30:14.000000001", trigger="15/06/2024,08:30:14.001000001", revision="2013"
    )
    wave = record(read(file)[0])
    assert wave.time_s[-1] == pytest.approx(0.003)
    assert wave.start_ns % 1_000_000_000 == 1


def test_truncated_binary_counts_its_last_piece(tmp_path: Path):
    data = _binary("BINARY", [(1, 1), (2, 2), (3, 3), (4, 4)])
    reading, _ = read(write(tmp_path, data[:-5], type="BINARY"), {"amps_a": "IA"})
    assert len(record(reading).time_s) == 3
    assert reading.set_aside == {"incomplete record": 1}
    assert any("the record ends early" in note for note in reading.notes)


def test_part_of_a_longer_binary_record_is_read(tmp_path: Path):
    whole = _binary("BINARY", [(k, k) for k in range(9)])
    reading, problems = read(write(tmp_path, whole[5 * 14 :], type="BINARY"), {"amps_a": "IA"})
    assert not list(problems)
    np.testing.assert_allclose(record(reading).time_s, [0.0, 0.001, 0.002, 0.003], atol=1e-9)
    assert any("numbered from 6" in note for note in reading.notes)


def test_lost_samples_keep_their_time(tmp_path: Path):
    rows = "1,,100,480,0\n2,,110,481,0\n4,,130,483,1\n"
    wave = record(read(write(tmp_path, rows))[0])
    np.testing.assert_allclose(wave.time_s, [0.0, 0.001, 0.003])


def test_status_channel_bound_to_a_role_is_a_switch(tmp_path: Path):
    reading, problems = read(write(tmp_path, ROWS), {"run_status": "S1"})
    (switch,) = reading.switches
    assert not list(problems)
    assert switch.state.tolist() == [0, 0, 1, 1]
    assert [(edge.to, round(edge.width_s * 1e3)) for edge in switch.edges] == [(1, 1)]


def test_unknown_and_doubled_channels_are_named(tmp_path: Path):
    _, problems = read(write(tmp_path, ROWS), {"amps_b": "IB"})
    (problem,) = problems
    assert problem.severity is Severity.POINT
    assert problem.column == "IB"
    assert "'IA', 'UAB'" in problem.remedy
    file = tmp_path / "r.cfg"
    file.write_text(file.read_text().replace("UAB", "IA"))
    _, problems = read(file, {"amps_a": "IA"})
    assert "'IA [col 1]', 'IA [col 2]'" in next(iter(problems)).remedy
    reading, _ = read(file, {"volts_ab": "IA [col 2]"})
    np.testing.assert_allclose(record(reading).analog[Role.VOLTS_AB], [480.0, 481.0, 482.0, 483.0])


@pytest.mark.parametrize(("unit", "bound"), [("", True), ("kV", True), ("V", False), ("A", False)])
def test_unit_that_contradicts_the_record_is_asked_about(tmp_path: Path, unit: str, bound: bool):
    file = write(tmp_path, ROWS)
    point = Point.model_validate({"role": "volts_ab", "column": "UAB", "source": file.name, "unit": unit})
    problems = Problems()
    reading = read_waveform(Source(path=file.name), [point], file, "UTC", problems)
    assert (Role.VOLTS_AB in record(reading).analog) is bound
    if not bound:
        (problem,) = problems
        assert f"in kV, the case file in {unit}" in problem.what
        assert problem.severity is Severity.POINT


def test_role_of_another_dimension_is_refused(tmp_path: Path):
    _, problems = read(write(tmp_path, ROWS), {"volts_ab": "IA"})
    assert "role volts_ab needs a voltage" in next(iter(problems)).what


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("3,2A,1D", "9,2A,1D", "9 channels announced, but 2 analog and 1 status"),
        ("3,2A,1D", "5,4A,1D", "fields"),
        ("1,IA,A,,A,0.1", "1,IA,A,,A,zero", "not a number"),
        ("15/06/2024,08:30:14.000000", "31/13/2024,08:30:14.000000", "is not a date"),
        ("15/06/2024,08:30:14.000000", ",", "no date and time"),
        ("ASCII", "PACKED", "is not ASCII, BINARY"),
        ("1999", "12.5", "not the year of a revision"),
        ("1000,4", "fast,4", "the sample rate is 'fast'"),
    ],
)
def test_broken_configuration_names_its_line(tmp_path: Path, old: str, new: str, said: str):
    file = write(tmp_path, ROWS)
    file.write_text(file.read_text().replace(old, new, 1))
    reading, problems = read(file)
    assert reading.waveform is None
    (problem,) = problems
    assert said in problem.what
    assert problem.row is not None


def test_missing_data_file_and_empty_files_are_said(tmp_path: Path):
    file = write(tmp_path, "")
    assert "holds no samples" in next(iter(read(file)[1])).what
    (tmp_path / "r.dat").unlink()
    assert ".dat file of this record is not beside it" in next(iter(read(file)[1])).what
    file.write_text("")
    (tmp_path / "R.DAT").write_text(ROWS)
    assert "empty" in next(iter(read(file)[1])).what


def test_companion_is_found_whatever_the_case_of_its_name(tmp_path: Path):
    file = write(tmp_path, ROWS)
    (tmp_path / "r.dat").rename(tmp_path / "R.DAT")
    assert record(read(file)[0]).time_s.shape == (4,)
    assert record(read(tmp_path / "R.DAT")[0]).time_s.shape == (4,)


# --- recordings that nobody here made -----------------------------------------------------------------------------


def test_contact_times_and_residual_voltage_of_a_disconnected_machine(shared: Path):
    file = shared / "data" / "waveforms" / "record_4.cfg"
    points = {"volts_ab": channel(file, 4), "volts_bc": channel(file, 5)}
    wave = record(read(file, points)[0])
    states = list(wave.status.values())

    def edge(position: int, to: int) -> float:
        change = np.flatnonzero(np.diff(states[position - 1]) == (1 if to else -1))
        return float(wave.time_s[change[0] + 1])

    # Times of the open recording's README, worked out from its bytes.
    assert edge(11, 1) == pytest.approx(0.74167, abs=1e-5)
    assert edge(12, 1) == pytest.approx(0.74167, abs=1e-5)
    assert edge(2, 0) == pytest.approx(0.77500, abs=1e-5)
    assert edge(1, 1) == pytest.approx(1.01500, abs=1e-5)

    def rms(at_s: float, cycles_s: float = 0.02) -> float:
        here = np.abs(wave.time_s - at_s) <= cycles_s / 2
        values = wave.analog[Role.VOLTS_AB][here]
        return float(np.sqrt(np.mean(values**2)))

    assert rms(0.74) == pytest.approx(3560.8, rel=0.02)
    assert rms(3.9, 0.06) == pytest.approx(736.8, rel=0.03)


def test_breaker_status_and_trigger_by_stamps_alone(shared: Path):
    reading, _ = read(shared / "data" / "waveforms" / "record_3.cfg")
    wave = record(reading)
    assert (len(wave.time_s), len(wave.status)) == (1360, 64)
    assert wave.interval_s == pytest.approx(1.249e-3, abs=1e-6)
    assert wave.trigger_s == pytest.approx(0.50461, abs=1e-5)
    falls = {
        round(float(wave.time_s[k + 1]), 5)
        for states in wave.status.values()
        for k in np.flatnonzero(np.diff(states) == -1)
    }
    assert 0.59706 in {round(fall, 5) for fall in falls}


def test_largest_voltage_and_currents_of_a_meter_record(shared: Path):
    file = shared / "data" / "waveforms" / "meter_transient_1999.cfg"
    points = {role: channel(file, k) for role, k in (("amps_a", 1), ("amps_b", 2), ("amps_c", 3), ("volts_ca", 7))}
    reading, problems = read(file, points)
    wave = record(reading)
    assert not list(problems)
    peak = int(np.argmax(np.abs(wave.analog[Role.VOLTS_CA])))
    assert abs(wave.analog[Role.VOLTS_CA][peak]) == pytest.approx(581.121, abs=0.001)
    assert wave.time_s[peak] == pytest.approx(0.022275, abs=1e-6)
    assert wave.trigger_s == pytest.approx(0.024956, abs=1e-9)
    rms = [float(np.sqrt(np.mean(wave.analog[r][:1024] ** 2))) for r in (Role.AMPS_A, Role.AMPS_B, Role.AMPS_C)]
    assert rms == pytest.approx([124.48, 155.04, 160.17], abs=0.006)


def test_sample_forms_agree_with_each_other(shared: Path, tmp_path: Path):
    folder = shared / "data" / "waveforms" / "format_samples"
    point = {"amps_a": channel(folder / "sample_ascii.cfg", 1), "amps_b": channel(folder / "sample_ascii.cfg", 2)}
    base = record(read(folder / "sample_ascii.cfg", point, zone="Etc/UTC")[0])
    # First line of the data: raw -83; 933 to 1 secondary; scale and offset as the configuration gives them.
    assert base.analog[CURRENT][0] == pytest.approx((-83 * 0.1138916015625 + 0.05694580078125) * 933)
    single = record(read(folder / "sample_ascii.cff", point)[0])
    latin = record(read(folder / "sample_iso8859-1.cfg", point)[0])
    for other in (single, latin):
        np.testing.assert_array_equal(other.analog[CURRENT], base.analog[CURRENT])
        np.testing.assert_array_equal(other.time_s, base.time_s)
    for name in ("sample_ascii_utf-8.cfg", "sample_sub_char.cfg"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
        (tmp_path / name).with_suffix(".dat").write_bytes((folder / "sample_ascii.dat").read_bytes())
        np.testing.assert_array_equal(record(read(tmp_path / name, point)[0]).analog[CURRENT], base.analog[CURRENT])
    (tmp_path / "m.cfg").write_bytes((folder / "sample_ascii.cfg").read_bytes())
    (tmp_path / "m.dat").write_bytes((folder / "sample_ascii_missing.dat").read_bytes())
    reading, _ = read(tmp_path / "m.cfg", point)
    assert np.flatnonzero(np.isnan(record(reading).analog[CURRENT])).tolist() == [1]
    assert np.flatnonzero(np.isnan(record(reading).analog[Role.AMPS_B])).tolist() == [2]


def test_single_file_float_record_needs_its_time_told(shared: Path):
    file = shared / "data" / "waveforms" / "format_samples" / "sample_float32.cff"
    reading, problems = read(file)
    assert reading.waveform is None
    assert "waveform_time" in next(iter(problems)).remedy
    wave = record(read(file, waveform_time="rates")[0])
    assert wave.time_s[-1] == pytest.approx(3.0)
    assert wave.trigger_s == pytest.approx(1.5)


@pytest.mark.parametrize("name", ["rec-01", "rec-04", "rec-06", "rec-07", "rec-09"])
def test_bench_records_against_their_truth(shared: Path, name: str):
    import json

    truth = json.loads((shared / "incidents" / "truth" / "waveforms.json").read_text())[name]
    file = shared / "incidents" / "waveforms" / f"{name}.cfg"
    roles = ("volts_ab", "volts_bc", "volts_ca", "amps_a", "amps_b", "amps_c")
    points = {role: channel(file, k) for k, role in enumerate(roles, start=1)}
    reading, problems = read(file, points)
    wave = record(reading)
    assert not list(problems)
    assert wave.line_hertz == truth["hertz"]
    assert len(wave.analog) == 6
    if "inrush_pu" in truth:
        peak = max(float(np.abs(wave.analog[Role(role)]).max()) for role in roles[3:])
        assert peak / np.sqrt(2) / truth["rated_amps"] == pytest.approx(truth["inrush_pu"], rel=0.35)
    if truth.get("lost_phase") == "B":
        late = wave.time_s > truth["event_s"] + 0.2
        lost, kept = (float(np.sqrt(np.mean(wave.analog[Role(r)][late] ** 2))) for r in ("amps_b", "amps_a"))
        assert lost < 0.1 * kept


SINE = "".join(
    f"{n + 1},{n * 1000},{round(1000 * np.sin(n / 2.65))},{round(650 * np.sin(n / 2.65))},0\n" for n in range(40)
)


def secondary(folder: Path, ratio: str, volts: float | None) -> tuple[set[str], str]:
    """Roles bound in a record of one current and one voltage that are called secondary, and what was said."""
    cfg = write(folder, SINE, scale="0.1").read_text(encoding="utf-8")
    cfg = cfg.replace("200,5,P", f"{ratio},S").replace(
        "kV,0.001,0,0,-32767,32767,1,1,P", f"V,1,0,0,-32767,32767,{ratio},S"
    )
    (folder / "r.cfg").write_text(cfg.replace("1000,4", "1000,40"), encoding="utf-8")
    points = [Point(role=Role.AMPS_A, column="IA", unit="A"), Point(role=Role.VOLTS_AB, column="UAB", unit="V")]
    problems, machine = Problems(), Machine(refrigerant="R134a", supply_volts=volts)
    reading = read_waveform(Source(path="r.cfg"), points, folder / "r.cfg", "UTC", problems, machine=machine)
    bound = set() if reading.waveform is None else {role.value for role in reading.waveform.analog}
    return bound, " ".join(map(str, problems))


@pytest.mark.parametrize("ratio", ["1,1", "0,0", "5,5"])
def test_a_secondary_current_without_a_ratio_is_no_primary_one(tmp_path: Path, ratio: str) -> None:
    bound, said = secondary(tmp_path, ratio, None)
    assert not bound
    assert "secondary with the ratio" in said
    assert "primary values" in said


def test_low_voltage_without_a_transformer_is_told_by_the_supply(tmp_path: Path) -> None:
    assert secondary(tmp_path, "1,1", 460.0)[0] == {"volts_ab"}
    assert not secondary(tmp_path, "1,1", 4160.0)[0]
