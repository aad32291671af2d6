"""How much of what was supplied could be used: rows kept and set aside, cells without a reading."""

from __future__ import annotations

from forensics.results.schema import FindingsFile
from forensics.rules import Limits

OUTSIDE = "outside window"


def data_quality(findings: FindingsFile, limits: Limits) -> str:
    """One sentence on the account of the rows; it says nothing of what the points that were logged can show."""
    read = sum(s.rows_read for s in findings.sources)
    kept = sum(s.rows_kept for s in findings.sources)
    outside = sum(s.set_aside.get(OUTSIDE, 0) for s in findings.sources)
    aside = read - kept - outside
    lost = sum(sum(s.cells_missing.values()) for s in findings.sources)
    judged = max(read - outside, 1)
    good, usable = limits["report.good_lost_share"], limits["report.usable_lost_share"]
    word = "many" if aside > usable * judged else "some"
    word = "few" if aside + lost <= good * judged else word
    return (
        f"Of what was supplied {word} readings are lost: {read:,} rows in {len(findings.sources)} exports, {kept:,} "
        f"kept, {outside:,} outside the window, {aside:,} set aside with a reason; {lost:,} cells without a reading. "
        "What was not logged at all stands under what cannot be known."
    )
