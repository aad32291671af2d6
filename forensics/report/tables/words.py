"""Stamps of the findings file, and rows as a table that keeps its columns when it is empty."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import pandas as pd

from forensics.model.points import NS
from forensics.report.words.units import CANNOT, ReportTime


def stamp_ns(text: str | None) -> int | None:
    """Time in ns UTC of a stamp of the findings file."""
    if text is None:
        return None
    stamp = datetime.fromisoformat(text)
    return int(stamp.timestamp()) * NS + stamp.microsecond * 1000


def when(text: str | None, clock: ReportTime) -> str:
    """A stamp of the findings file in the zone of the report."""
    return clock.text(stamp_ns(text))


def frame(columns: Sequence[str], rows: Sequence[Sequence[object]]) -> pd.DataFrame:
    """Rows as text under their columns."""
    return pd.DataFrame(
        [[CANNOT if cell is None else str(cell) for cell in row] for row in rows], columns=list(columns)
    )


def yes_no(value: bool | None) -> str:  # noqa: FBT001 - the value itself, not an option
    """Yes, no, or a dash."""
    return CANNOT if value is None else ("yes" if value else "no")
