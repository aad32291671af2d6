"""A real recording, read in place: MetroPT-3 (UCI, DOI 10.24432/C5VW3R). Expected values come from its bytes."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from forensics.investigation import Investigation, investigate
from forensics.model.points import OFF, ON, iso
from forensics.model.vocabulary import Answer, Outcome, Role

HERE = Path(__file__).parent / "air_compressor"
OFF_BELOW_A = 1.0


@pytest.fixture(scope="module")
def investigation(shared: Path, tmp_path_factory: pytest.TempPathFactory) -> Investigation:
    folder = tmp_path_factory.mktemp("air")
    shutil.copy(HERE / "case.toml", folder / "case.toml")
    shutil.copytree(shared / "data" / "metropt3", folder / "data")  # a case names nothing outside its folder
    return investigate(folder / "case.toml")


def _kinds(investigation: Investigation) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    record = investigation.record
    amps, load, unload = (
        record.point(Role.MOTOR_AMPS),
        record.switch(Role.LOAD_SOLENOID),
        record.switch(Role.UNLOAD_SOLENOID),
    )
    assert amps is not None
    assert load is not None
    assert unload is not None
    loaded = (load.state == ON) & (unload.state == OFF)
    off = ~loaded & (amps.v < OFF_BELOW_A)
    return amps.v, loaded, off, ~loaded & ~off


def test_every_row_is_kept(investigation: Investigation) -> None:
    counts = investigation.readings[0].accounting
    assert (counts.rows_read, counts.rows_kept, dict(counts.set_aside)) == (1000, 1000, {})


def test_rows_and_medians_of_off_unloaded_and_loaded(investigation: Investigation) -> None:
    amps, loaded, off, unloaded = _kinds(investigation)
    assert [int(x.sum()) for x in (off, unloaded, loaded)] == [748, 201, 51]
    medians = [float(np.median(amps[x])) for x in (off, unloaded, loaded)]
    assert medians == pytest.approx([0.04, 3.9025, 6.0825])
    assert medians[1] / medians[2] == pytest.approx(0.6416, abs=5e-5)


def test_five_starts_and_every_one_under_load(investigation: Investigation) -> None:
    starts = investigation.starts
    times = [iso(start.time_ns)[11:19] for start in starts]
    expected = ["00:23:08", "00:57:19", "01:30:41", "02:04:23", "02:37:54"]
    assert len(starts) == len(expected)
    for time, wanted, start in zip(times, expected, starts, strict=True):
        low, high = iso(start.earliest_ns)[11:19], iso(start.latest_ns)[11:19]
        assert low <= wanted <= high or time == wanted, (low, wanted, high)
        assert start.unloaded is Answer.NO


def test_the_inrush_cannot_be_told_at_ten_seconds(investigation: Investigation) -> None:
    """Published 9 A at start; the largest sample is 6.3125 A. The answer is cannot-tell, never "no inrush"."""
    assert all(start.inrush_amps is None for start in investigation.starts)
    answers = [f for f in investigation.findings if f.check == "starts.prolonged_inrush"]
    assert answers
    assert all(f.outcome is Outcome.CANNOT_TELL for f in answers)
