"""One invented case followed from the telephone call to the action that worked: five stages of the same machine.

The exports of the third and fourth stage are those of `cases/loaded-starts`; the fifth is the same machine, repaired.
"""

from __future__ import annotations

import hashlib
import shutil
from datetime import UTC, datetime
from pathlib import Path

from .exports import STANDARD_ROLES, CaseSheet, Export, write_case
from .scenarios import Scenario, simulate

_HERE = Path(__file__).resolve().parent
_REPAIRED = Scenario(seed=12, hours=96.0, interval_s=10.0)
_HEAD = """schema = 1

[case]
id = "cold-store-nine-c1"
title = "Compressor 1 trips on start"
site = "Cold store Nine"
machine_tag = "C1"
time_zone = "America/Chicago"
"""
_CALL = """
[call]
time = 2031-03-07T05:40:00
by = "duty engineer"
caller = "night operator"
words = "C1 growled when it started, the lights dipped, and then it went off. It has done that for two days."
caller_time = "shortly after five"
panel_text = "Motor overload on start"
panel_time = 2031-03-07T05:04:02
safe = true
isolated = false
running = false
restarts = 1
heard = "growl of about fifteen seconds, night operator"
recent_work = "none known"
sister_machine = "C2, same controls and oil, runs"
sister_at_risk = true
"""
_HOLD = """
[[hold]]
item = "clock-photograph"
saved = true
time = 2031-03-07T06:20:00
by = "site engineer"
text = "panel beside a telephone"
[[hold]]
item = "recorder-memory"
saved = true
time = 2031-03-07T06:35:00
by = "site engineer"
[[hold]]
item = "alarm-ring"
saved = true
time = 2031-03-07T06:50:00
by = "site engineer"
[[request]]
what = "trend"
of = "controls contractor"
time = 2031-03-07T07:00:00
by = "duty engineer"
due = 2031-03-08
received = false
"""
_PLAN = """
[[test]]
part = "coils of load, unload and internal unloading valve"
method = "coil-resistance"
instrument = "ohmmeter, four wires"
condition = "control circuit locked out, 21 degC"
limit = "within 10 % of its twin"
basis = "common practice, no published source"
changes_evidence = false
bears_on = "unload-path-failed"
{coil}
[[test]]
part = "motor winding, each phase to ground and between phases"
method = "winding-insulation"
instrument = "insulation tester, 500 V"
condition = "locked out, circuit charged, winding 24 degC"
limit = "at least 5 Mohm"
basis = "IEEE 43-2013"
changes_evidence = false
bears_on = "insulation-failure"
{winding}
"""
_COIL_DONE = """result = "148 ohm, its twin 150 ohm"
value = 148.0
unit = "ohm"
passed = true
shows = "nothing"
by = "site engineer"
time = 2031-03-07T08:40:00"""
_WINDING_DONE = """result = "850 Mohm"
value = 850.0
unit = "Mohm"
passed = true
shows = "in-order"
by = "site engineer"
time = 2031-03-07T09:50:00"""
_FOUND = """
[[part]]
part = "unload solenoid"
serial = "DEMO-U"
orientation = "flow arrow up"
place = "plunger, screen of the vent port"
damage = "plunger seized by scale, screen closed"
photo = "photos/unload_valve.png"
shows = "damage"
bears_on = "unload-path-failed"
time = 2031-03-07T09:20:00
by = "site engineer"
[[part]]
part = "slide"
orientation = "load end towards the motor"
clean = true
shows = "in-order"
bears_on = "slide-stuck"
time = 2031-03-07T11:10:00
by = "site engineer"
[[part]]
part = "load solenoid"
clean = true
time = 2031-03-07T11:30:00
by = "site engineer"
[[sample]]
kind = "oil"
place = "separator drain"
taken = "before"
bottle = "O-1"
time = 2030-09-02T10:00:00
hours_since_change = 1200
lab = "laboratory of the oil supplier"
by = "service contractor"
[[sample.value]]
kind = "oil_iron"
value = 9.0
unit = "ppm"
[[sample]]
kind = "oil"
place = "separator drain"
taken = "before"
bottle = "O-2"
time = 2030-12-03T10:00:00
hours_since_change = 2300
lab = "laboratory of the oil supplier"
by = "service contractor"
[[sample.value]]
kind = "oil_iron"
value = 14.0
unit = "ppm"
[[sample]]
kind = "oil"
place = "separator drain"
taken = "after"
bottle = "O-3"
time = 2031-03-07T12:00:00
hours_since_change = 3200
lab = "laboratory of the oil supplier"
by = "site engineer"
[[sample.value]]
kind = "oil_iron"
value = 18.0
unit = "ppm"
[decision]
choice = "repair"
because = "The unload valve is seized; each start is loaded."
time = 2031-03-07T13:00:00
by = "plant manager"
[[action]]
what = "Replace unload valve and screen, flush the passage, find where the scale comes from"
owner = "service contractor"
due = 2031-03-12
done = 2031-03-10
signature = "starts.loaded_repeatedly"
proven_after = 2031-03-10
starts = 20
time = 2031-03-07T13:10:00
by = "duty engineer"
[[custody]]
item = "unload solenoid DEMO-U"
received_from = "site engineer"
how = "by hand, sealed bag 1"
time = 2031-03-07T14:00:00
by = "duty engineer"
[[custody]]
item = "unload solenoid DEMO-U"
received_from = "duty engineer"
how = "courier, seal unbroken"
time = 2031-03-09T10:00:00
by = "materials laboratory"
[[custody]]
item = "photograph of the unload solenoid DEMO-U"
received_from = "site engineer"
how = "copied from the memory card"
tool = "file copy, compared byte by byte"
file = "photos/unload_valve.png"
sha256 = "{photo}"
time = 2031-03-07T14:05:00
by = "duty engineer"
[[fact]]
what = "maintenance_done"
value = "oil changed at 3,000 h, unload valve not opened since commissioning"
source = "service sheets of the contractor"
document = "papers/service_sheets.txt"
page = "2"
"""
_SERVICE_SHEETS = """Invented for the demonstration.
Page 1. C1, commissioned. Oil charged, valves tested on the bench.
Page 2. C1, oil and filter changed at 3,000 h. Unload valve: not opened.
"""
_PROOF = """
[follow_up]
findings = "earlier/findings.json"
action = 1
time = 2031-03-20T09:00:00
by = "duty engineer"
[closing]
code = "control valve, contamination"
mode = "unload-path-failed"
words = "Valve and screen replaced; scale came from the oil cooler"
agrees = true
time = 2031-03-20T09:30:00
by = "duty engineer"
"""


def whole_job(out_dir: Path) -> Path:
    """Write the five stages, each a folder with its case file; return the first.

    The fifth reads the findings of the fourth: `forensics report 4-action/case.toml --out 5-proof/earlier`.
    """
    for name, text in (("1-call", _HEAD + _CALL), ("2-hold", _HEAD + _CALL + _HOLD)):
        _write(out_dir / name / "case.toml", text)
    plan = _PLAN.format(coil="planned = 2031-03-07", winding="planned = 2031-03-07")
    done = _PLAN.format(coil=_COIL_DONE, winding=_WINDING_DONE)
    held = _HOLD.replace("received = false", "received = true")
    action = out_dir / "4-action"
    photo = _photograph(action / "photos" / "unload_valve.png")
    _write(action / "papers" / "service_sheets.txt", _SERVICE_SHEETS)
    found = _FOUND.replace("{photo}", photo)
    for name, tables in (("3-tests", _CALL + held + plan), (action.name, _CALL + held + done + found)):
        shutil.copytree(_HERE / "cases" / "loaded-starts", out_dir / name, dirs_exist_ok=True)
        case = out_dir / name / "case.toml"
        case.write_text(case.read_text(encoding="utf-8") + tables, encoding="utf-8")
    _proof(out_dir / "5-proof")
    return out_dir / "1-call" / "case.toml"


def _photograph(path: Path) -> str:
    """Draw what stands for a photograph: a plunger with scale on it beside a rule; returns its SHA-256."""
    from PIL import Image, ImageDraw

    picture = Image.new("RGB", (480, 300), (206, 204, 198))
    draw = ImageDraw.Draw(picture)
    draw.rectangle((90, 90, 390, 180), fill=(148, 150, 152), outline=(60, 60, 60), width=3)
    for n in range(24):
        x, y = 100 + 12 * n, 96 + (37 * n) % 70
        draw.ellipse((x, y, x + 16, y + 11), fill=(178, 132, 82))
    for n in range(31):
        draw.line((90 + 10 * n, 240, 90 + 10 * n, 228 if n % 5 else 220), fill=(20, 20, 20), width=2)
    draw.text((90, 248), "scale 10 mm a long mark - DEMO-U, flow arrow up - drawn, not a photograph", fill=(20, 20, 20))
    path.parent.mkdir(parents=True, exist_ok=True)
    picture.save(path, "PNG")
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _proof(folder: Path) -> None:
    """The machine after the repair: four days with nothing wrong."""
    run = simulate(_REPAIRED)
    stops: list[dict[str, float]] = run.truth["stops"]  # type: ignore[assignment]
    sheet = CaseSheet(
        id="cold-store-nine-c1-after",
        title="Compressor 1 after the repair",
        site="Cold store Nine",
        time_zone="America/Chicago",
        failure_s=stops[-1]["time_s"],
        window_before="96h",
        window_after="1h",
        extra=_PROOF,
    )
    exports = (Export("exports/controller_trend.csv.gz", STANDARD_ROLES),)
    write_case(run, folder, sheet=sheet, exports=exports, start_utc=datetime(2031, 3, 12, 6, 0, 0, tzinfo=UTC))


def _write(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
