"""Two demonstration cases that are made when asked for: rotors that turned back, and a machine of another build."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from .committed import waveform_sources
from .exports import STANDARD_ROLES, CaseSheet, Clock, Export, write_case
from .scenarios import Scenario, simulate
from .study import simulate as simulate_build
from .study.folder import write_study_case
from .study.site import Clock as SiteClock
from .study.texts import Sheet
from .waveforms import Record, write_record
from .whole_job import whole_job

_TURNED_BACK = Scenario(
    seed=53,
    hours=11.0,
    interval_s=1.0,
    fault="bypass-not-released",
    fault_start_h=5.0,
    rated_amps=160.0,
    volts=400.0,
    hertz=50.0,
    starter="star-delta",
    plenum_m3=0.085,
    bypass_mm2=800.0,
    run_minutes=(40.0, 70.0),
    rest_minutes=(25.0, 45.0),
)
_TURNED_BACK_EXTRA = """
[[observation]]
time = 2031-06-11T19:10:00
kind = "witness"
by = "operator of the afternoon shift"
text = "A growl of some seconds after the compressor went off, at each stop since noon"
"""


def reverse_rotation(out_dir: Path) -> Path:
    """The unloading valve stays shut at stops: pressures at 1 s show it at each, a motor-side record at the last."""
    run = simulate(_TURNED_BACK)
    zone, start = "Europe/Berlin", datetime(2031, 6, 11, 4, 0, 0, tzinfo=UTC)
    stops: list[dict[str, float]] = run.truth["stops"]  # type: ignore[assignment]
    last_s = stops[-1]["time_s"]
    recorder = Clock("recorder", -4.2)
    path = "waveforms/coast_down.cfg"
    record = Record(last_s - 0.5, last_s + 14.0, clock=recorder, flux_time_s=2.5, before_s=0.5)
    write_record(run, record, out_dir / path, station="Dye works V2", start_utc=start, time_zone=zone)
    stamp = "%d.%m.%Y %H:%M:%S"
    exports = (
        Export("exports/trend.csv.gz", STANDARD_ROLES, inch_pound=False, gauge=False, stamp=stamp, date_order="DMY"),
        Export("exports/events.csv", clock=Clock("panel", 18.0), stamp=stamp, date_order="DMY"),
    )
    sheet = CaseSheet(
        id="dye-works-v2",
        title="Growl after each stop",
        site="Dye works",
        machine_tag="V2",
        time_zone=zone,
        display="si",
        altitude_m=90.0,
        failure_s=last_s,
        window_before="8h",
        window_after="1h",
        extra=waveform_sources(path, recorder.name, zone) + _TURNED_BACK_EXTRA,
    )
    return write_case(run, out_dir, sheet=sheet, exports=exports, start_utc=start)


_AMMONIA_EXTRA = """
[[observation]]
time = 2031-08-05T20:40:00
kind = "witness"
by = "operating engineer"
text = "The spray pump of the condenser was noisy since the morning and its basin ran low"
"""


def ammonia_inch_pound(out_dir: Path) -> Path:
    """An ammonia machine whose evaporative condenser rejects less and less heat, in psig and degF."""
    sim = simulate_build("ammonia-pumped", "high-head", "gross", "hours", seed=19, hours=14.0)
    case = sim.case(
        sampling=2.0,
        points="usual",
        dirt="usual",
        clocks={"controller": SiteClock("controller"), "panel": SiteClock("panel", 63.0, 6.0)},
    )
    sheet = Sheet(
        id="creamery-n1",
        title="Trips on high condensing pressure",
        site="Creamery",
        tag="N1",
        time_zone="America/Chicago",
        display="inch-pound",
        inch_pound=True,
        date_pattern="%m/%d/%Y %H:%M:%S",
        extra=_AMMONIA_EXTRA,
    )
    return write_study_case(case, out_dir, sheet=sheet, start_utc=datetime(2031, 8, 5, 11, 0, 0, tzinfo=UTC))


MORE: dict[str, Callable[[Path], Path]] = {
    "reverse-rotation": reverse_rotation,
    "ammonia-inch-pound": ammonia_inch_pound,
    "whole-job": whole_job,
}
