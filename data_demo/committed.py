"""The three committed demonstration cases: what each is, and how it is made again."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from .exports import STANDARD_ROLES, CaseSheet, Clock, Export, write_case
from .scenarios import Run, Scenario, simulate
from .waveforms import CHANNELS, Record, write_record

FAST_ROLES = (
    "run_status",
    "load_solenoid",
    "unload_solenoid",
    "bypass_solenoid",
    "motor_amps",
    "suction_pressure",
    "discharge_pressure",
    "condenser_pressure",
    "oil_pressure",
)
_LOADED = Scenario(
    seed=11,
    hours=101.6,
    interval_s=1.0,
    fault="unload-path-failed",
    fault_start_h=12.0,
    growth_h=80.0,
    reset_s=2700.0,
    bypass_release_s=0.0,
)
_HEALTHY = Scenario(
    seed=24,
    hours=50.0,
    interval_s=2.0,
    rated_amps=142.0,
    volts=400.0,
    hertz=50.0,
    plenum_m3=0.06,
    bypass_mm2=700.0,
    starter="soft-start",
    inertia_kg_m2=1.0,
    condenser_water_c=27.0,
)
_UNKNOWN = Scenario(
    seed=37,
    hours=72.0,
    interval_s=60.0,
    fault="bypass-not-released",
    fault_start_h=30.0,
    rated_amps=228.0,
    plenum_m3=0.09,
    bypass_mm2=950.0,
    inertia_kg_m2=1.6,
)


def _numbers(items: object, key: str) -> list[float]:
    return [float(str(item[key])) for item in items] if isinstance(items, list) else []


def _spans(run: Run, before_s: float, after_s: float, last_s: float) -> tuple[tuple[float, float], ...]:
    """Spans around every start and stop, and the last part of the run."""
    edges = sorted(_numbers(run.truth["starts"], "time_s") + _numbers(run.truth["stops"], "time_s"))
    end_s = float(run.time_s[-1])
    return (*((t - before_s, t + after_s) for t in edges), (end_s - last_s, end_s + 1.0))


def _last_trip(run: Run, text: str) -> float:
    times = [e.time_s for e in run.events if e.point == "TRIP" and e.state == "ALARM" and e.text.startswith(text)]
    return times[-1]


def waveform_sources(path: str, clock: str, zone: str) -> str:
    """The tables of a case file that bind a record of the motor side."""
    lines = [
        "",
        "[[source]]",
        f'path = "{path}"',
        f'clock = "{clock}"',
        'kind = "waveform"',
        f'time_zone = "{zone}"',
        'measured_at = "motor"',
    ]
    roles = ("volts_ab", "volts_bc", "volts_ca", "amps_a", "amps_b", "amps_c")
    for role, (name, _, unit) in zip(roles, CHANNELS, strict=True):
        lines += ["[[point]]", f'role = "{role}"', f'column = "{name}"', f'source = "{path}"', f'unit = "{unit}"']
    return "\n".join(lines) + "\n"


_VALVE_SHEET = """\
VALVE INSPECTION (invented, for the demonstration case)

Part         unload solenoid of compressor C1, with its screen and the plug of the vent port
Taken out    7 March 2031, 09:20 local, after isolation, lock-out and relief of the oil line
By           site engineer; seen by the service manager
Found        plunger does not move by hand or on a bench supply; scale between plunger and stem
             screen of the vent port closed over its whole face
             coil 412 ohm, no ground
Kept         both parts bagged and tagged, custody sheet 1
"""

_LOADED_EXTRA = """
[[observation]]
time = 2031-03-07T09:20:00
kind = "inspection"
by = "site engineer"
text = "Unload solenoid taken out after isolation: plunger seized by scale, screen of the vent port closed"
bears_on = "unload-path-failed"
shows = "cause"
part = "unload solenoid"
document = "papers/valve_inspection.txt"
[[observation]]
time = 2031-03-06T22:30:00
kind = "witness"
by = "night operator"
text = "The compressor has started with a growl for two days, and the lights dip"
[[measurement]]
time = 2031-03-07T09:50:00
kind = "insulation_resistance"
value = 850.0
unit = "Mohm"
part = "motor winding, all phases to ground"
temperature_c = 24.0
test_volts = 500.0
state = "charged"
by = "site engineer"
instrument = "insulation tester"
[[fact]]
what = "restarts_after_trip"
value = "1"
source = "alarm list of the panel"
[[fact]]
what = "parts_retained"
value = "unload solenoid, screen"
source = "custody sheet 1"
"""


def loaded_starts(out_dir: Path) -> Path:
    """The main case: an unload path that clogs over days, until the machine trips on a loaded start."""
    run = simulate(_LOADED)
    zone, start = "America/Chicago", datetime(2031, 3, 3, 6, 0, 0, tzinfo=UTC)
    trip_s = _last_trip(run, "Motor overload on start")
    begun_s = max(t for t in _numbers(run.truth["starts"], "time_s") if t < trip_s)
    exports = (
        Export("exports/controller_trend.csv.gz", STANDARD_ROLES, every=10),
        Export(
            "exports/fast_log.csv.gz",
            FAST_ROLES,
            clock=Clock("logger", -6.4),
            spans_s=_spans(run, 45.0, 150.0, 4.0 * 3600.0),
            stamp="",
        ),
        Export("exports/alarm_list.csv", clock=Clock("panel", 94.6, 4.0)),
    )
    recorder = Clock("recorder", 31.7)
    record = Record(begun_s - 0.2, trip_s + 2.0, clock=recorder)
    write_record(
        run, record, out_dir / "waveforms/trip_on_start.cfg", station="Cold store C1", start_utc=start, time_zone=zone
    )
    sheet = CaseSheet(
        id="cold-store-nine-c1",
        title="Compressor 1 trips on start",
        site="Cold store Nine",
        time_zone=zone,
        failure_s=trip_s,
        window_before="48h",
        window_after="1h",
        extra=waveform_sources("waveforms/trip_on_start.cfg", recorder.name, zone) + _LOADED_EXTRA,
    )
    (out_dir / "papers").mkdir(exist_ok=True)
    (out_dir / "papers/valve_inspection.txt").write_bytes(_VALVE_SHEET.encode())
    return write_case(run, out_dir, sheet=sheet, exports=exports, start_utc=start)


_HEALTHY_EXTRA = """
[[observation]]
time = 2031-05-14T07:20:00
kind = "witness"
by = "caretaker"
text = "Heard a rattle near the machine while it ran, once; stopped it by hand at the next pause and called"
[[observation]]
time = 2031-05-14T13:30:00
kind = "inspection"
by = "service engineer"
text = "A cover plate of the cable duct beside the compressor was loose; nothing found on the compressor"
shows = "nothing"
"""


def healthy(out_dir: Path) -> Path:
    """Nothing wrong: a rattle was reported, and the record of two days shows a sound machine."""
    run = simulate(_HEALTHY)
    stamp = "%d.%m.%Y %H:%M:%S"
    trend = Export(
        "exports/trend.csv.gz",
        STANDARD_ROLES,
        inch_pound=False,
        delimiter=";",
        decimal=",",
        stamp=stamp,
        date_order="DMY",
    )
    alarms = Export("exports/events.csv", clock=Clock("panel", -42.0), delimiter=";", stamp=stamp, date_order="DMY")
    sheet = CaseSheet(
        id="market-hall-five-k2",
        title="Rattle reported, machine stopped by hand",
        site="Market hall Five",
        machine_tag="K2",
        time_zone="Europe/Berlin",
        display="si",
        altitude_m=55.0,
        failure_s=_numbers(run.truth["stops"], "time_s")[-1],
        window_before="48h",
        window_after="2h",
        extra=_HEALTHY_EXTRA,
    )
    return write_case(
        run, out_dir, sheet=sheet, exports=(trend, alarms), start_utc=datetime(2031, 5, 12, 4, 0, 0, tzinfo=UTC)
    )


_UNKNOWN_EXTRA = """
[[observation]]
time = 2031-09-18T07:15:00
kind = "witness"
by = "shift operator"
text = "A short growl after the compressor went off, a few seconds long, at more than one stop"
"""
SLOW_ROLES = (
    "run_status",
    "motor_amps",
    "suction_pressure",
    "high_side_pressure",
    "discharge_temperature",
    "chilled_water_entering",
    "chilled_water_leaving",
)


def cannot_tell(out_dir: Path) -> Path:
    """A valve stays shut at stop; five-minute data with one high-side pressure of unknown place cannot tell it."""
    run = simulate(_UNKNOWN)
    exports = (
        Export("exports/history_5min.csv", SLOW_ROLES, every=5),
        Export("exports/alarms.csv", clock=Clock("panel", 210.0)),
    )
    sheet = CaseSheet(
        id="print-works-two-c3",
        title="Noise after stopping",
        site="Print works Two",
        machine_tag="C3",
        time_zone="America/Denver",
        altitude_m=1600.0,
        failure_s=_numbers(run.truth["stops"], "time_s")[-1],
        window_before="48h",
        window_after="2h",
        extra=_UNKNOWN_EXTRA,
    )
    return write_case(run, out_dir, sheet=sheet, exports=exports, start_utc=datetime(2031, 9, 15, 12, 0, 0, tzinfo=UTC))


BUILDERS = {"loaded-starts": loaded_starts, "healthy": healthy, "cannot-tell": cannot_tell}


def build(out_dir: Path, names: Sequence[str] = tuple(BUILDERS)) -> dict[str, Path]:
    """Make the named demonstration cases again, each in a folder of its name; return their case files."""
    return {name: BUILDERS[name](out_dir / name) for name in names}
