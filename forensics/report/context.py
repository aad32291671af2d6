"""Opens a case for a notebook: one investigation with its findings file, zone, units and folder."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from functools import cached_property
from pathlib import Path

from forensics.case.read import read_case_file
from forensics.errors import InputError, Problem, Severity
from forensics.investigation import Investigation, investigate
from forensics.model.points import Span
from forensics.report.binding.markup import PROBLEMS_MIME, show_plate
from forensics.report.figures.figure import Figure
from forensics.report.words.sentences import in_display, told_in
from forensics.report.words.units import ReportTime
from forensics.report.written.result_set import InputRow, hash_inputs
from forensics.results.publish import to_findings_file
from forensics.results.schema import FindingsFile
from forensics.rules import Limits


@dataclass(frozen=True)
class ReportContext:
    """What every part of a notebook stands on.

    Attributes
    ----------
    investigation, findings
        The case as it was worked through, and as ``findings.json`` will hold it.
    clock, display
        Zone and unit system of every table and figure.
    out
        Folder of the results, or None where a bench sheet writes nothing.
    inputs
        Every file that the case names, hashed before it was read.
    shown
        Figures that were displayed, by key: their tables are written with the others.
    """

    investigation: Investigation
    findings: FindingsFile
    clock: ReportTime
    display: str
    out: Path | None = None
    tables: bool = False
    changed_limits: tuple[str, ...] = ()
    inputs: tuple[InputRow, ...] = ()
    shown: dict[str, Figure] = field(default_factory=dict)

    @cached_property
    def told(self) -> FindingsFile:
        """The findings as the report tells them: their sentences in the unit system of the case."""
        return told_in(self.findings, self.say)

    def say(self, text: str) -> str:
        """A sentence of the project in the unit system of the case; what it quotes stays as it is."""
        return in_display(text, self.display, source_texts=self._source_texts)

    @cached_property
    def _source_texts(self) -> frozenset[str]:
        """Texts from the case and its exports that hold a digit, which a sentence may quote."""
        case, record = self.investigation.casefile, self.investigation.record
        texts = [case.case.title, case.case.site, case.case.machine_tag]
        texts += [s.path for s in case.source] + [p.column for p in case.point]
        texts += [o.text for o in case.observation] + [m.text for m in case.measurement]
        texts += [t for f in case.fact for t in (str(f.value), f.source)] + [
            row.source for row in self.findings.overrides
        ]
        texts += [t for line in record.log for t in (line.point, line.value, line.text)]
        return frozenset(t for t in texts if any(char.isdigit() for char in t))

    @property
    def limits(self) -> Limits:
        """Limits in force."""
        return self.investigation.subject.limits

    @property
    def known(self) -> frozenset[str]:
        """Ids that have an anchor in the report."""
        case = self.investigation.casefile
        hand = [f"observation {n}" for n in range(1, len(case.observation) + 1)]
        hand += [f"measurement {n}" for n in range(1, len(case.measurement) + 1)]
        return frozenset((*(f.id for f in self.findings.findings), *hand))

    def show(self, plate: Figure) -> None:
        """Display a figure with its caption and the table behind it."""
        self.shown[plate.key] = plate
        show_plate(plate)


def open_sheet(
    *,
    case: str | Path,
    out: str | Path = "",
    limits: Mapping[str, float] | str | None = None,
    tables: bool = False,
) -> ReportContext:
    """Investigate a case and open it for a notebook.

    Parameters
    ----------
    case
        Path of ``case.toml``.
    out
        Folder of the results; empty: nothing is written.
    limits
        Limits to try in place of those in force: a mapping, or its JSON text as ``papermill -p`` passes it.
    tables
        Whether the tables are written as CSV, too.

    Raises
    ------
    InputError
        Every problem of the case, the exports and the limits; a notebook shows them as a list, too.
    """
    changed = _limits(limits)
    try:
        before = _inputs(Path(case))
        investigation = investigate(Path(case), limits=changed or None)
    except InputError as fault:
        show_problems(fault)
        raise
    record = investigation.record
    whole = Span(min(record.history.start_ns, record.window.start_ns), max(record.window.end_ns, record.failure_ns))
    section = investigation.casefile.case
    folder = Path(out) if str(out) else None
    if folder is not None:
        folder.mkdir(parents=True, exist_ok=True)
    return ReportContext(
        investigation=investigation,
        findings=to_findings_file(investigation),
        clock=ReportTime.over(section.time_zone, whole),
        display=section.display,
        out=folder,
        tables=tables,
        changed_limits=tuple(f"{name} = {value:g}" for name, value in sorted(changed.items())),
        inputs=before,
    )


def _inputs(case: Path) -> tuple[InputRow, ...]:
    """Hashes of what the case names, exports left out: those are hashed from the very bytes that are read."""
    casefile = read_case_file(case)
    return hash_inputs(case.resolve(), casefile, {source.path: "read later" for source in casefile.source})


def _limits(given: Mapping[str, float] | str | None) -> dict[str, float]:
    """Limits of the parameters cell as a mapping of numbers."""
    if not given:
        return {}
    place = "parameter 'limits'"
    data: object = given
    if isinstance(given, str):
        try:
            data = json.loads(given)
        except ValueError as fault:
            raise InputError([Problem(f"not JSON: {fault}", column=place, remedy='Write {"name": number}.')]) from None
    if not isinstance(data, Mapping):
        raise InputError([Problem("not a mapping of names to numbers", column=place, remedy='Write {"name": number}.')])
    bad = [n for n, v in data.items() if isinstance(v, bool) or not isinstance(v, int | float)]
    if bad:
        raise InputError([Problem(f"'{name}' is not a number: {data[name]!r}", column=place) for name in bad])
    return {str(name): float(value) for name, value in data.items()}


def show_problems(fault: InputError) -> None:
    """Leave the problems in a notebook for the program that runs it; a reader sees the error's own list."""
    from IPython import get_ipython

    if get_ipython() is None:
        return
    from IPython.display import display

    rows = [asdict(p) | {"severity": Severity(p.severity).value} for p in fault.problems]
    # the words come with the error itself
    display({PROBLEMS_MIME: rows, "text/plain": ""}, raw=True)  # type: ignore[no-untyped-call]
