"""The workbook of one case, as Python holds it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas as pd

from forensics.model.vocabulary import Role
from forensics.report.context import ReportContext, open_sheet
from forensics.report.written import output
from forensics.results.schema import FindingsFile, VerdictRow
from forensics.workbook import cited, overview, samples, tables
from forensics.workbook.figures import Figures
from forensics.workbook.reweigh import Reweighed, reweigh
from forensics.workbook.written import Written, written


def open_case(path: str | Path, *, limits: Mapping[str, float] | str | None = None) -> Workbook:
    """Read a case, work it through to its verdict, and open it.

    Parameters
    ----------
    path
        Path of ``case.toml``.
    limits
        Limits to try in place of those in force, by name; the report lists them as given for this run.

    Raises
    ------
    InputError
        Every problem of the case file, its exports and the limits, at once.

    Examples
    --------
    >>> import forensics
    >>> from forensics.demo import DEMO_CASES
    >>> work = forensics.open_case(DEMO_CASES["cannot-tell"])
    >>> work.verdict.status.value
    'undetermined'
    """
    return Workbook(open_sheet(case=path, limits=limits))


@dataclass(frozen=True)
class Workbook:
    """One case, worked through; every property is made when it is first asked for.

    Tables are pandas DataFrames: units stand in the names of the columns, an index of times is UTC. What a case lacks
    is an empty table with the same columns.

    Attributes
    ----------
    sheet
        The opened case that the report is made from.

    Examples
    --------
    >>> from forensics import open_case
    >>> from forensics.demo import DEMO_CASES
    >>> work = open_case(DEMO_CASES["cannot-tell"])
    >>> list(work.clocks.columns)
    ['offset_s', 'uncertainty_s', 'drift_ppm', 'utc_error_s', 'method', 'candidates_s']
    >>> work.starts.index.name, str(work.starts.index.dtype)
    ('time_utc', 'datetime64[ns, UTC]')
    """

    sheet: ReportContext

    @property
    def results(self) -> FindingsFile:
        """Everything that ``findings.json`` holds."""
        return self.sheet.findings

    @property
    def verdict(self) -> VerdictRow:
        """Status, mode, grade and statement of the case."""
        return self.results.verdict

    @cached_property
    def points(self) -> pd.DataFrame:
        """Every bound point, waveform channels among them: role, column, source, clock, unit, interval, readings."""
        return tables.points(self.sheet.investigation.record)

    @cached_property
    def sources(self) -> pd.DataFrame:
        """Every export with its hash and the account of its rows; the index is its path."""
        return tables.sources(self.results)

    @cached_property
    def set_aside(self) -> pd.DataFrame:
        """Every row that was set aside, with its line, reason and text."""
        return tables.set_aside(self.sheet.investigation.readings)

    @cached_property
    def clocks(self) -> pd.DataFrame:
        """Offset of every clock (clock minus reference) with its uncertainty, s."""
        return tables.clocks(self.results)

    @cached_property
    def order(self) -> pd.DataFrame:
        """Order of the events near the failure: ``a``, what can be proved, ``b``."""
        return tables.order(self.results)

    @cached_property
    def states(self) -> pd.DataFrame:
        """Operating states with begin (the index), end and length in s."""
        return tables.states(self.results)

    @cached_property
    def starts(self) -> pd.DataFrame:
        """Every start with its currents (A) and its ratio to rated, each with its interval."""
        return tables.starts(self.results)

    @cached_property
    def stops(self) -> pd.DataFrame:
        """Every stop with the numbers of its coast-down, each with its interval."""
        return tables.stops(self.results)

    @cached_property
    def events(self) -> pd.DataFrame:
        """Edges of the switches as intervals, with the readings before and after and their age in s."""
        return tables.events(self.results)

    @cached_property
    def findings(self) -> pd.DataFrame:
        """Every answer of every check; the index is its id."""
        return tables.findings(self.results)

    @cached_property
    def hypotheses(self) -> pd.DataFrame:
        """Every mode with its grade and what speaks for it, against it, and could not speak."""
        return tables.hypotheses(self.results)

    @property
    def figure(self) -> Figures:
        """The figures of the case, each one call."""
        return Figures(self.sheet)

    def frame(
        self,
        roles: Iterable[Role | str] | Role | str | None = None,
        around: Any = "failure",
        *,
        before: float = samples.BEFORE_S,
        after: float = samples.AFTER_S,
        every: float | None = None,
    ) -> pd.DataFrame:
        """Readings of some roles near a time: raw samples, or a grid where ``every`` asks for one.

        Parameters
        ----------
        roles
            One role, several, or None for all that have a point.
        around
            ``"failure"``, a stamp (local to the case where it carries no offset), or a pair of stamps.
        before, after
            Seconds before and after the time; a pair of stamps needs neither.
        every
            Step of the grid, s. Without it every row is a stamp of some export, and a cell is empty where its point
            has no reading at that stamp. On a grid a cell is the last reading at or before the step, none older than
            three intervals of its point; the index is then named ``grid_utc``.

        Returns
        -------
        pandas.DataFrame
            A column a role, with its unit (``motor_amps_A``); a switch is 1, 0, or empty where it is not known.

        Raises
        ------
        InputError
            A role is not one, has no point in the case, or the time can't be read.

        Examples
        --------
        >>> from forensics import open_case
        >>> from forensics.demo import DEMO_CASES
        >>> work = open_case(DEMO_CASES["cannot-tell"])
        >>> frame = work.frame("motor_amps", before=60, after=0, every=30)
        >>> frame.index.name, list(frame.columns), len(frame)
        ('grid_utc', ['motor_amps_A'], 3)
        """
        return samples.frame(self.sheet, roles, around, (before, after), every)

    def rows(self, finding: str) -> pd.DataFrame:
        """The cited rows of a finding: source, column, line, time, value, and the line as it stands in a text export.

        Parameters
        ----------
        finding
            Id of a finding.

        Raises
        ------
        InputError
            There is no such finding; the nearest are named.

        Examples
        --------
        >>> from forensics import open_case
        >>> from forensics.demo import DEMO_CASES
        >>> work = open_case(DEMO_CASES["cannot-tell"])
        >>> list(work.rows(work.findings.index[0]).columns)
        ['source', 'column', 'line', 'time_utc', 'value', 'text']
        """
        return cited.rows(self.sheet.investigation, finding)

    def weigh(self, limits: Mapping[str, float]) -> Reweighed:
        """Weigh the causes again by other limits, from the stored findings; nothing is read or written.

        Parameters
        ----------
        limits
            Limits by name. One that only decides how exports are read can't be tried so: it stands in
            ``needs_reading``, and then there is no verdict.

        Raises
        ------
        InputError
            A name is not a limit, or a value can't stand for it.

        Examples
        --------
        >>> from forensics import open_case
        >>> from forensics.demo import DEMO_CASES
        >>> work = open_case(DEMO_CASES["cannot-tell"])
        >>> work.weigh({}).verdict == work.verdict.statement
        True
        """
        return reweigh(self.sheet.investigation, limits)

    def report(self, out: str | Path = "report", *, tables: bool = False) -> Written:
        """Write page, findings, set-aside rows and, where asked for, tables into a folder, as one set of results.

        Parameters
        ----------
        out
            Folder of the results; made where it is not there.
        tables
            Whether the tables are written as CSV, too.

        Returns
        -------
        Written
            What was written, and the verdict; printed, it says both.

        Raises
        ------
        InputError
            An export changed since the case was opened, or another run writes to the folder.
        RunError
            The results can't be written.

        Examples
        --------
        >>> import tempfile
        >>> from forensics import open_case
        >>> from forensics.demo import DEMO_CASES
        >>> with tempfile.TemporaryDirectory() as folder:
        ...     done = open_case(DEMO_CASES["cannot-tell"]).report(folder)
        >>> done.files[:2]
        ('report.html', 'findings.json')
        """
        folder = Path(out)
        folder.mkdir(parents=True, exist_ok=True)
        output.write(replace(self.sheet, out=folder, tables=tables, shown={}))
        return written(folder, self.verdict, tables=tables)

    def _repr_html_(self) -> str:
        return overview.markup(self.sheet)

    def __repr__(self) -> str:
        case = self.results.case
        return f"<Workbook {case.id}, revision {case.revision}: {self.verdict.status.value}>"
