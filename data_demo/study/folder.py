"""A study case as a folder that a site could hand over: exports, case file, sequence profile; the truth lies beside."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path

from .command_table import profile_toml
from .document import PROFILE, START_UTC, case_document, case_text
from .points import SWITCHES
from .sampling import StudyCase
from .texts import Sheet, trend_text


def write_study_case(
    case: StudyCase, folder: Path, *, sheet: Sheet | None = None, start_utc: datetime = START_UTC
) -> Path:
    """Write exports, `case.toml`, `sequence.toml` and the truth; return the path of the case file.

    Parameters
    ----------
    sheet
        Words and units of the case; `Sheet(day_files=True)` cuts the trend into a file a day.
    """
    sheet = sheet or Sheet()
    document = case_document(case, sheet, start_utc)
    (folder / "exports").mkdir(parents=True, exist_ok=True)
    for log in case.logs:
        for name, text in trend_text(log, sheet, start_utc, switches=SWITCHES).items():
            (folder / name).write_text(text, "utf-8", newline="")
    (folder / "exports/alarms.csv").write_text(_alarm_text(case, sheet, start_utc), "utf-8", newline="")
    (folder / PROFILE).write_text(profile_toml(case.simulation.build), "utf-8", newline="")
    told = {"what": "truth of the generator, for tests; not an input of the case", "id": sheet.id, **case.truth}
    (folder / "truth.json").write_text(json.dumps(told, indent=1) + "\n", "utf-8", newline="")
    path = folder / "case.toml"
    path.write_text(case_text(document, sheet) + sheet.extra, "utf-8", newline="")
    return path


def _alarm_text(case: StudyCase, sheet: Sheet, start_utc: datetime) -> str:
    rows = ["Time,Point,State,Text"]
    rows += [f'{sheet.stamp(start_utc, e.time_s)},{sheet.tag} {e.point},{e.state},"{e.text}"' for e in case.alarms]
    return "\n".join(rows) + "\n"
