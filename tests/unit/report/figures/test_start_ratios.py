"""The table of starts says by what each was judged, and why where something else than its amps decided."""

from __future__ import annotations

from forensics.model.findings import Start
from forensics.model.vocabulary import Answer
from forensics.report.figures.cycles import start_ratios
from forensics.report.words.units import ReportTime

UTC = ReportTime("UTC", 0)


def test_the_table_says_by_what_and_why() -> None:
    decided = Start(
        0, 0, 0, ratio=0.54, low=0.52, high=0.56, unloaded=Answer.YES, judged_by="motor power", judged_why="amps"
    )  # fmt: skip
    left = Start(10**12, 0, 0, ratio=0.5, low=0.48, high=0.52, why_not="the interval straddles 0.5")
    table = start_ratios([decided, left], 0.5, UTC).table
    assert list(table["by"]) == ["motor power", ""]
    assert list(table["why"]) == ["amps", "the interval straddles 0.5"]
    assert list(table["judged"]) == ["unloaded", "cannot tell"]
