"""Laws of reading: both lanes agree, no row is lost, units round trip, any bytes give a result or a question."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from forensics.case.read import check_case
from forensics.errors import Problems, UnreadableError
from forensics.intake import SourceResult, read_sources
from forensics.intake.exhibits import take_exhibit
from forensics.intake.job import SourceJob
from forensics.intake.read_table import read_table
from forensics.intake.text.reader import open_text
from forensics.model.units import read_unit, to_canonical
from forensics.model.vocabulary import Role

LAX = settings(max_examples=25, suppress_health_check=list(HealthCheck))

POINTS = [
    {"role": "motor_amps", "column": "Amps", "unit": "A"},
    {"role": "oil_pressure_difference", "column": "Oil", "unit": "kPa"},
    {"role": "load_solenoid", "column": "Load", "unknown": ["Hand"]},
]
LONG = [{**point, "recorded": "change"} for point in POINTS]


def read_bytes(
    content: bytes, folder: Path, *, careful: bool, long: bool = False
) -> tuple[SourceResult | None, list[str]]:
    (folder / "log.csv").write_bytes(content)
    points = LONG if long else POINTS
    case = check_case(
        {
            "schema": 1,
            "case": {"id": "x", "time_zone": "Europe/Berlin"},
            "machine": {"refrigerant": "R134a"},
            "source": [{"path": "log.csv", "date_order": "DMY"}],
            "point": points,
        }
    )
    problems = Problems()
    job = SourceJob(
        casefile=case,
        source=case.source[0],
        file=folder / "log.csv",
        zone="Europe/Berlin",
        clock="log.csv",
        keep=None,
        failure_ns=None,
        problems=problems,
        points=list(enumerate(case.point)),
    )
    try:
        export = open_text(take_exhibit("log.csv", folder / "log.csv", "-"), job.source)
        reading = read_table(job, export, careful_only=careful)
    except UnreadableError as fault:
        return None, [fault.what]
    return reading, [str(problem) for problem in problems]


def same(one: SourceResult | None, other: SourceResult | None) -> None:
    assert (one is None) == (other is None)
    if one is None or other is None:
        return
    assert replace(one.accounting) == other.accounting
    assert one.notes == other.notes
    assert one.log == other.log
    assert (one.first_ns, one.last_ns) == (other.first_ns, other.last_ns)
    for a, b in zip((*one.samples, *one.switches), (*other.samples, *other.switches), strict=True):
        assert a.role == b.role
        assert a.origin == b.origin
        np.testing.assert_array_equal(a.t, b.t)
        np.testing.assert_array_equal(a.row, b.row)
    for a, b in zip(one.samples, other.samples, strict=True):
        np.testing.assert_array_equal(a.v, b.v)
        np.testing.assert_array_equal(a.q, b.q)
        assert a.resolution == b.resolution
    for a, b in zip(one.switches, other.switches, strict=True):
        np.testing.assert_array_equal(a.state, b.state)


number = st.one_of(
    st.decimals(-2000, 2000, places=2).map(str),
    st.integers(-10_000, 10_000).map(str),
    st.sampled_from(
        ["", " 12.5 ", "+3.5", "1e3", "-0", "NaN", "inf", "Bad", "---", "-9999", "12 A", "1,5", ".5", "5.", "007"]
    ),
)
word = st.sampled_from(["On", "Off", "on", "1", "0", "Ein", "", "Unavailable", "Hand", " Off "])
odd_line = st.sampled_from(
    [
        "",
        ",,,",
        "Time,Amps,Oil,Load",
        "End of report",
        '"open quote,1,2,On',
        "2024-06-15 08:30",
        "not a time,1,2,On",
        "15/06/2024 08:3,1,2,On",
        'a "quoted" word,1,2,Off',
        "\x00\x00",
        "15/06/2024 08:30:00,1,2,On,",
        "15/06/2024 08:30:00,1,2,On,x",
    ]
)
stamp = st.integers(0, 200_000).map(
    lambda s: str(
        (np.datetime64("2024-10-25T00:00:00") + np.timedelta64(s, "s")).astype(object).strftime("%d/%m/%Y %H:%M:%S")
    )
)


@st.composite
def tables(draw: st.DrawFn) -> bytes:
    lines = ["Time,Amps,Oil,Load"]
    for _ in range(draw(st.integers(1, 25))):
        if draw(st.integers(0, 9)) == 0:
            lines.append(draw(odd_line))
            continue
        cells = [draw(stamp), draw(number), draw(number), draw(word)]
        quote = draw(st.booleans())
        lines.append(",".join(f'"{cell}"' if quote or "," in cell else cell for cell in cells))
    end = draw(st.sampled_from(["\n", "\r\n"]))
    return (end.join(lines) + draw(st.sampled_from(["", end]))).encode()


@LAX
@given(tables())
def test_both_lanes_of_reading_agree(content: bytes) -> None:
    with TemporaryDirectory() as name:
        fast, said = read_bytes(content, Path(name), careful=False)
        careful, also_said = read_bytes(content, Path(name), careful=True)
    same(fast, careful)
    assert said == also_said


@st.composite
def logs(draw: st.DrawFn) -> bytes:
    lines = ["Time,Point,Value"]
    for _ in range(draw(st.integers(1, 30))):
        name = draw(st.sampled_from(["Amps", "Oil", "Load", "Other"]))
        lines.append(f"{draw(stamp)},{name},{draw(word if name == 'Load' else number).replace(',', '.')}")
    return "\n".join(lines).encode()


@LAX
@given(logs())
def test_both_lanes_agree_on_long_logs(content: bytes) -> None:
    with TemporaryDirectory() as name:
        fast, said = read_bytes(content, Path(name), careful=False, long=True)
        careful, also_said = read_bytes(content, Path(name), careful=True, long=True)
    same(fast, careful)
    assert said == also_said


@LAX
@given(tables())
def test_every_row_is_kept_or_set_aside_once(content: bytes) -> None:
    with TemporaryDirectory() as name:
        reading, _ = read_bytes(content, Path(name), careful=False)
    if reading is None:
        return
    accounting = reading.accounting
    assert accounting.rows_read == accounting.rows_kept + sum(accounting.set_aside.values())
    listed = [row.row for row in accounting.listed]
    uncounted = ("outside window", "time question open")
    assert len(listed) == len(set(listed)) == sum(n for r, n in accounting.set_aside.items() if r not in uncounted)
    for samples in reading.samples:
        assert (np.diff(samples.t) >= 0).all()
        assert not set(samples.row.tolist()) & set(listed)


@LAX
@given(st.binary(max_size=3000))
def test_any_bytes_give_a_result_or_a_question(content: bytes) -> None:
    with TemporaryDirectory() as name:
        reading, said = read_bytes(content, Path(name), careful=False)
    assert reading is not None or said


@LAX
@given(st.text(alphabet='0123456789/:-., TZ;"\n\tAPMapmÄé', max_size=400))
def test_any_text_that_looks_like_stamps_gives_a_result_or_a_question(content: str) -> None:
    with TemporaryDirectory() as name:
        reading, said = read_bytes(b"Time,Amps,Oil,Load\n" + content.encode(), Path(name), careful=False)
        careful, also_said = read_bytes(b"Time,Amps,Oil,Load\n" + content.encode(), Path(name), careful=True)
    same(reading, careful)
    assert said == also_said


UNITS = [
    "A",
    "V",
    "kV",
    "kW",
    "hp",
    "Hz",
    "rpm",
    "degC",
    "degF",
    "K",
    "psig",
    "psia",
    "barg",
    "kPaa",
    "inHga",
    "mbarg",
    "in/s",
    "%",
    "min",
]


@LAX
@given(st.sampled_from(UNITS), st.lists(st.floats(-1e4, 1e4), min_size=1, max_size=20))
def test_units_round_trip(name: str, readings: list[float]) -> None:
    unit = read_unit(name)
    assert unit is not None
    roles = {
        "A": "motor_amps",
        "V": "volts_ab",
        "kV": "volts_ab",
        "kW": "motor_power",
        "hp": "motor_power",
        "Hz": "drive_hertz",
        "rpm": "shaft_speed",
        "in/s": "vibration_velocity",
        "%": "slide_position",
        "min": "run_hours",
    }
    role = Role(roles.get(name, "oil_temperature" if name in ("degC", "degF", "K") else "suction_pressure"))
    values = np.array(readings)
    out = to_canonical(values, unit, role, air_pressure_kpa=98.0)
    gauge = 98.0 if name.endswith("g") else 0.0
    back = (out - gauge - unit.offset) / unit.factor
    np.testing.assert_allclose(back, values, rtol=1e-9, atol=1e-6)


def test_an_export_reads_the_same_with_any_line_end_and_encoding(tmp_path: Path) -> None:
    body = "Zeit;Amps;Oil;Load\n" + "\n".join(f"15.06.2024 08:{i:02d}:00;{i},5;{400 + i};Ein" for i in range(40)) + "\n"
    case = {
        "schema": 1,
        "case": {"id": "x", "time_zone": "UTC"},
        "machine": {"refrigerant": "R134a"},
        "source": [{"path": "log.csv"}],
        "point": POINTS,
    }
    seen = []
    for codec in ("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"):
        for end in ("\n", "\r\n", "\r"):
            (tmp_path / "log.csv").write_bytes(body.replace("\n", end).encode(codec))
            problems = Problems()
            reading = read_sources(check_case(case), tmp_path, None, problems)[0]
            assert not list(problems), (codec, repr(end))
            assert reading.accounting.rows_kept == 40, (codec, repr(end))
            seen.append([s.v.tolist() for s in reading.samples] + [s.state.tolist() for s in reading.switches])
    assert all(item == seen[0] for item in seen)


def sparse(stamp: str) -> str:
    """A log whose dates, in one column with the time, are written only when they change."""
    return stamp if stamp.endswith("00:00:00") else stamp.partition(" ")[2]


@pytest.mark.parametrize(
    "written",
    [
        lambda stamp: stamp,
        lambda stamp: stamp.replace(" ", "T"),
        lambda stamp: stamp[:16],
        lambda stamp: f"{stamp}.250",
        lambda stamp: f"{stamp}.250125",
        lambda stamp: stamp.replace("T", " ") if stamp.endswith("0:00") else stamp.replace(" ", "T"),
        lambda stamp: stamp.replace("23:59:00", "24:00:00"),
        sparse,
    ],
)
def test_stamps_of_every_form_read_the_same_in_both_lanes(tmp_path: Path, written: Callable[[str], str]) -> None:
    rows = ["Time,Amps,Oil,Load"]
    for day in (14, 15):
        for m in range(1440):
            stamp = f"2031-03-{day} {m // 60:02}:{m % 60:02}:00"
            rows.append(f"{written(stamp)},{m % 97}.5{'*' if m == 700 else ''},{m % 31},{'On' if m % 7 else 'Off'}")
    content = ("\n".join(rows) + "\n").encode()
    (fast, said), (careful, also) = (read_bytes(content, tmp_path, careful=lane) for lane in (False, True))
    same(fast, careful)
    assert said == also
    assert fast is not None
    assert len(fast.samples[0]) > 2800
