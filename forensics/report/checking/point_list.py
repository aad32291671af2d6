"""A list of a site's points with their intervals, read before any event: which modes it could show.

A CSV file (RFC 4180) with the columns ``role``, ``interval_s`` and, where it is known, ``recorded``.
"""

from __future__ import annotations

import csv
import difflib
import io
import math
from pathlib import Path

from forensics.errors import InputError, Problem
from forensics.hypotheses.readiness import in_sight
from forensics.model.paths import TABLE_BYTES, read_regular
from forensics.model.vocabulary import Recorded, Role
from forensics.report.checking.check import Checked, mode_lines, unlocks

COLUMNS = ("role", "interval_s")


def is_point_list(path: Path) -> bool:
    """Whether a file is a list of points, by its ending: case files end in ``.toml``."""
    return path.suffix.casefold() == ".csv"


def check_point_list(path: Path) -> Checked:
    """Say which modes a list of points could show, and the change that unlocks most.

    Raises
    ------
    InputError
        The list can't be read: every row that is wrong, at once.
    """
    points = read_points(path)
    found = in_sight(points)
    parts = (
        ("Points", tuple(f"{role.value} every {i:g} s, {kind}" for role, (i, kind) in points.items())),
        ("Which modes could be seen with these points and intervals", tuple(mode_lines(found))),
        ("What to log besides, the change that unlocks most first", tuple(unlocks(found))),
    )
    return Checked(path.name, parts, found)


def read_points(path: Path) -> dict[Role, tuple[float, str]]:
    """Interval in s and record type by role; of two points of one role the faster one.

    Raises
    ------
    InputError
        Every row that is wrong, at once.
    """
    try:
        text = read_regular(path, TABLE_BYTES).decode("utf-8-sig")
    except OSError as fault:
        raise InputError([Problem(f"can't be read ({fault.strerror})", file=str(path))]) from None
    except UnicodeDecodeError:
        raise InputError([Problem("is not UTF-8", file=path.name, remedy="Save it as UTF-8.")]) from None
    reader = csv.DictReader(io.StringIO(text))
    lacking = [name for name in COLUMNS if name not in (reader.fieldnames or ())]
    if lacking:
        text = f"has no column {', '.join(lacking)}"
        raise InputError([Problem(text, file=path.name, row=1, remedy="Write role,interval_s,recorded above.")])
    points: dict[Role, tuple[float, str]] = {}
    problems: list[Problem] = []
    for number, row in enumerate(reader, start=2):
        role, interval_s, recorded = _row(row, path.name, number, problems)
        if role is not None and (role not in points or interval_s < points[role][0]):
            points[role] = (interval_s, recorded)
    if not points and not problems:
        problems.append(Problem("lists no point", file=path.name))
    if problems:
        raise InputError(problems)
    return points


def _row(row: dict[str, str | None], file: str, number: int, problems: list[Problem]) -> tuple[Role | None, float, str]:
    name = (row.get("role") or "").strip()
    roles = {role.value: role for role in Role}
    if name not in roles:
        near = difflib.get_close_matches(name, list(roles), n=1)
        hint = f" (did you mean '{near[0]}'?)" if near else ""
        problems.append(Problem(f"'{name}' is not a role{hint}", file=file, row=number, column="role"))
    try:
        interval_s = float(row.get("interval_s") or "")
    except ValueError:
        interval_s = math.nan
    if not 0.0 < interval_s < math.inf:
        text = f"'{row.get('interval_s') or ''}' is not an interval in s"
        problems.append(Problem(text, file=file, row=number, column="interval_s", remedy="Write for example 10."))
    kinds = [kind.value for kind in Recorded]
    recorded = (row.get("recorded") or "").strip() or Recorded.INSTANT.value
    if recorded not in kinds:
        text = f"'{recorded}' is not one of: {', '.join(kinds)}"
        problems.append(Problem(text, file=file, row=number, column="recorded"))
    return roles.get(name), interval_s, recorded
