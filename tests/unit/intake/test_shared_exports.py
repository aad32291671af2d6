"""Real recordings and the simulated incidents: no row unexplained, every bound point there."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from intake_reading import read_case, utc, values

from forensics.case.read import read_case_file
from forensics.errors import Problems, Severity
from forensics.intake import read_sources
from forensics.model.vocabulary import Quality


def cases(shared: Path) -> list[Path]:
    return sorted((shared / "incidents" / "cases").iterdir())


def test_every_incident_reads_without_a_question_and_accounts_for_its_rows(shared: Path) -> None:
    """Wanted numbers: ../shared/incidents/truth/*.json, key rows."""
    for folder in cases(shared):
        problems = Problems()
        casefile = read_case_file(folder / "case.toml")
        readings = read_sources(casefile, folder, None, problems)
        assert not problems.of(Severity.STOP), folder.name
        assert not problems.of(Severity.POINT), folder.name
        truth = json.loads((shared / "incidents" / "truth" / f"{folder.name}.json").read_text())["rows"]
        for reading in readings:
            want = truth.get(reading.exhibit.path)
            if want is None:
                continue
            got = reading.accounting
            assert got.rows_kept == want["good"], reading.exhibit.path
            assert got.set_aside.get("duplicate", 0) == want["duplicate"]
            assert got.set_aside.get("wrong number of fields", 0) == want["malformed"]
            assert got.set_aside.get("repeated header", 0) == want["repeat_header"]
            assert got.set_aside.get("blank line", 0) == want["blank"]
            assert got.set_aside.get("footer", 0) == want["footer"]
        bound = sum(len(r.samples) + len(r.switches) + (len(r.waveform.columns) if r.waveform else 0) for r in readings)
        assert bound == len(casefile.point), folder.name


def test_late_rows_are_sorted_in_and_not_taken_for_a_clock_that_was_set_back(shared: Path) -> None:
    folder = shared / "incidents" / "cases" / "case-13"
    readings = read_sources(read_case_file(folder / "case.toml"), folder, None, Problems())
    for samples in readings[0].samples:
        assert (np.diff(samples.t) > 0).all()
        assert not (samples.q & int(Quality.CLOCK_SUSPECT)).any()


COMPRESSOR = [
    ("motor_amps", "Motor_current", {"unit": "A"}),
    ("oil_temperature", "Oil_temperature", {"unit": "degC"}),
    ("discharge_pressure", "TP2", {"unit": "barg"}),
    ("load_solenoid", "DV_eletric"),
]


def test_an_air_compressor_of_open_data(shared: Path) -> None:
    """MetroPT-3 (Davari et al. 2021, DOI 10.24432/C5VW3R, CC BY 4.0); values worked out from its bytes."""
    read = read_case(
        shared / "data" / "metropt3", ["metropt3_head_2020-02-01.csv"], COMPRESSOR, machine={"altitude_m": 0.0}
    )
    accounting = read.one.accounting
    assert (accounting.rows_read, accounting.rows_kept, accounting.set_aside) == (1000, 1000, {})
    assert not list(read.problems)
    amps, load = read.samples("motor_amps"), read.switch("load_solenoid")
    loaded = load.state == 1
    off = amps.v < 1.0
    assert (int(off.sum()), int((~off & ~loaded).sum()), int((loaded & ~off).sum())) == (748, 201, 51)
    assert [round(float(np.median(amps.v[m])), 4) for m in (off, ~off & ~loaded, loaded & ~off)] == [
        0.04,
        3.9025,
        6.0825,
    ]
    starts = [str(np.datetime64(e.latest_ns, "ns"))[11:19] for e in load.edges if e.to == 1]
    assert starts == ["00:23:08", "00:57:19", "01:30:41", "02:04:23", "02:37:54"]
    assert values(amps).count(6.3125) >= 1
    assert float(amps.v.max()) == 6.3125


def test_windows_without_a_time_are_asked_for(shared: Path) -> None:
    read = read_case(shared / "data" / "metropt3", ["metropt3_failure_w1_analog.csv"], COMPRESSOR[:1])
    assert "no column reads as a time" in read.said(Severity.STOP)


def test_a_clock_that_steps_back_keeps_both_passes_marked(shared: Path) -> None:
    """Numenta Anomaly Benchmark, machine temperature (MIT): the clock steps back 55 min at 2014-01-07 02:55."""
    read = read_case(
        shared / "data" / "machine_temperature",
        ["machine_temperature_system_failure.csv"],
        [("winding_temperature", "value", {"unit": "degF"})],
    )
    samples = read.samples("winding_temperature")
    assert read.one.accounting.rows_read == read.one.accounting.rows_kept == len(samples) == 22_695
    assert (np.diff(samples.t) >= 0).all()
    suspect = (samples.q & int(Quality.CLOCK_SUSPECT)) != 0
    assert int(suspect.sum()) == 24
    stamps = [utc(samples)[i] for i in np.flatnonzero(suspect)]
    assert stamps[0] == "2014-01-07T02:00:00"
    assert stamps[-1] == "2014-01-07T02:55:00"
    assert int(((samples.q & int(Quality.DUPLICATE_DIFFERS)) != 0).sum()) == 24
    assert "set back by 55 min" in read.notes()


@pytest.mark.parametrize("name", ["case-03", "case-26"])
def test_a_window_counts_what_lies_outside(shared: Path, name: str) -> None:
    from forensics.model.points import Span

    folder = shared / "incidents" / "cases" / name
    casefile = read_case_file(folder / "case.toml")
    whole = read_sources(casefile, folder, None, Problems())[0]
    middle = (whole.first_ns + whole.last_ns) // 2
    part = read_sources(casefile, folder, Span(middle, middle + 3600 * 10**9), Problems())[0]
    assert part.accounting.rows_read == whole.accounting.rows_read
    assert part.accounting.set_aside["outside window"] + part.accounting.rows_kept == whole.accounting.rows_kept
    assert (part.first_ns, part.last_ns) == (whole.first_ns, whole.last_ns)
    kept = whole.samples[0].between(middle, middle + 3600 * 10**9)
    np.testing.assert_array_equal(part.samples[0].v, kept.v)
    np.testing.assert_array_equal(part.samples[0].row, kept.row)
