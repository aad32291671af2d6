"""How often verdicts of a grade were right in the study, for machines of a kind and a sampling: what a report quotes.

The numbers stand in ``rules/study/verdicts.toml``, written from a run of the study; each cell is counted there, pooled
ones too, since records of one machine are no independent cases.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

from pydantic import Field

from forensics.errors import InputError, Problem
from forensics.rules import FOLDER
from forensics.rules.strict import Form, read_form
from forensics.stats.bounds import exact_lower

TABLE = FOLDER / "study" / "verdicts.toml"
SOUND = "no-fault-found"
"""Stands for the grade of verdicts that call a machine sound: they have none of their own."""
LEAST_CASES = 60
"""Fewer verdicts than this in a cell say too little by themselves: cells are pooled."""
QUALIFIED = (
    "A simulated machine is not this machine: the number says how often the method errs, not how sure this case is."
)
_PERCENT = 100.0


class StudyOf(Form):
    """Which run of the study a table comes from."""

    cases: int = Field(gt=0)
    machines: int = Field(gt=0)
    seed: int
    half: str
    version: str = Field(min_length=1)
    date: str = Field(min_length=1)
    rules: str
    code: str

    @property
    def name(self) -> str:
        """The run in a few words."""
        return f"{self.cases} simulated cases, seed {self.seed}, version {self.version}, {self.date}"


class Rate(Form):
    """One cell: verdicts of a grade on machines whose capacity is moved so, sampled so; empty words are pooled."""

    grade: str = Field(min_length=1)
    capacity: str = ""
    band: str = ""
    right: int = Field(ge=0)
    of: int = Field(gt=0)
    machines: int = Field(gt=0)


class Band(Form):
    """A band of sampling by its longest interval, s; the last has none."""

    name: str = Field(min_length=1)
    longest_s: float | None = Field(default=None, gt=0)


class StudyTable(Form):
    """``rules/study/verdicts.toml``."""

    study: StudyOf
    band: tuple[Band, ...] = Field(min_length=1)
    rate: tuple[Rate, ...]


@dataclass(frozen=True, slots=True)
class ErrorRate:
    """``right`` of ``of`` study cases, at least the share ``low`` with 95 % confidence (one-sided).

    Attributes
    ----------
    study
        Which run, and which cases of it.
    """

    grade: str
    right: int
    of: int
    low: float
    study: str

    @property
    def sentence(self) -> str:
        """The line that a report quotes."""
        what = "that no fault was found" if self.grade == SOUND else f"graded {self.grade}"
        least = int(self.low * _PERCENT)
        return (
            f"Verdicts {what} were right in {self.right} of {self.of} study cases (at least {least} % with 95 % "
            f"confidence; {self.study}). {QUALIFIED}"
        )


def error_rate_of(grade: str, build: str | None, sampling_s: float | None, *, table: Path = TABLE) -> ErrorRate | None:
    """How often verdicts of a grade were right in the study.

    Parameters
    ----------
    grade
        ``probable`` or ``no-fault-found``; other grades have no rate.
    build
        What moves the capacity, as the case file says it; None: not known, which pools.
    sampling_s
        Interval of the trend; None: not known, which pools.

    Returns
    -------
    ErrorRate or None
        The closest cell with at least 60 verdicts: this build and sampling, this sampling on all builds, all; the last
        also where it has fewer. None where the study has no such verdict, or did not run.
    """
    if not table.is_file():
        return None
    found = _read(table)
    cells = {(rate.capacity, rate.band): rate for rate in found.rate if rate.grade == grade}
    band = None if sampling_s is None else _band(found, sampling_s)
    wanted = [((build, band), f"capacity by {build}, sampling {band}")] if build and band else []
    wanted += [(("", band), f"sampling {band}, pooled over builds")] if band else []
    wanted += [(("", ""), "pooled over builds and samplings")]
    for key, words in wanted:
        rate = cells.get((str(key[0]), str(key[1])))
        if rate is not None and (rate.of >= LEAST_CASES or key == ("", "")):
            low = exact_lower(rate.right / rate.of * rate.machines, rate.machines)
            return ErrorRate(grade, rate.right, rate.of, low, f"{words}; {found.study.name}")
    return None


def _band(table: StudyTable, sampling_s: float) -> str:
    return next(band.name for band in table.band if band.longest_s is None or sampling_s <= band.longest_s)


@cache
def _read(path: Path) -> StudyTable:
    table = read_form(StudyTable, path)
    problems = [
        Problem(f"more right ({rate.right}) than cases ({rate.of})", file=path.name, column=f"rate {number}")
        for number, rate in enumerate(table.rate, start=1)
        if rate.right > rate.of
    ]
    ends = [band.longest_s for band in table.band]
    if ends[-1] is not None or None in ends[:-1]:
        problems.append(Problem("the last band, and no other, has no longest interval", file=path.name, column="band"))
    if problems:
        raise InputError(problems)
    return table
