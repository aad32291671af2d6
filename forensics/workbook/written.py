"""What a workbook says after it has written its results."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from forensics.report.written.placing import handed_over
from forensics.report.written.result_set import FINDINGS_NAME, MANIFEST_NAME, REPORT_NAME, SET_ASIDE_NAME, TABLES_NAME
from forensics.results.schema import VerdictRow


@dataclass(frozen=True)
class Written:
    """The files that were written, and the verdict that they tell; printed, it says both.

    Attributes
    ----------
    out
        Folder of the results.
    files
        Names of the files in it.
    verdict
        Status, mode, grade and statement in one line.
    """

    out: Path
    files: tuple[str, ...]
    verdict: str

    def __str__(self) -> str:
        # a run puts the files in place when its notebook has ended, and says itself where
        where = "results" if handed_over(self.out) is not None else f"written to {self.out}"
        return f"{where}: {', '.join(self.files)}\n{self.verdict}"


def written(out: Path, verdict: VerdictRow, *, tables: bool) -> Written:
    """What was written to a folder."""
    names = [REPORT_NAME, FINDINGS_NAME, SET_ASIDE_NAME, MANIFEST_NAME, *([f"{TABLES_NAME}/"] if tables else [])]
    return Written(out, tuple(names), verdict_line(verdict))


def verdict_line(verdict: VerdictRow) -> str:
    """A verdict in one line."""
    grade = "" if verdict.mode is None or verdict.grade is None else f" ({verdict.mode.value}, {verdict.grade.value})"
    return f"{verdict.status.value}{grade}: {verdict.statement}"
