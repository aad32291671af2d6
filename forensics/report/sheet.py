"""Opens a case for a notebook: one investigation with its findings file, zone, units and folder."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path

from forensics.display import ReportTime
from forensics.errors import InputError, Problem, Severity
from forensics.figures.plate import Plate
from forensics.findings_file import FindingsFile
from forensics.investigation import Investigation, investigate
from forensics.points import Span
from forensics.publish import to_findings_file
from forensics.report.markup import PROBLEMS_MIME, show_plate
from forensics.rules import Limits


@dataclass(frozen=True)
class Sheet:
    """What every part of a notebook stands on.

    Attributes
    ----------
    investigation, findings
        The case as it was worked through, and as ``findings.json`` will hold it.
    clock, display
        Zone and unit system of every table and figure.
    out
        Folder of the results, or None where a bench sheet writes nothing.
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
    shown: dict[str, Plate] = field(default_factory=dict)

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

    def show(self, plate: Plate) -> None:
        """Display a figure with its caption and the table behind it."""
        self.shown[plate.key] = plate
        show_plate(plate)


def open_sheet(
    *,
    case: str | Path,
    out: str | Path = "",
    limits: Mapping[str, float] | str | None = None,
    tables: bool = False,
) -> Sheet:
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
        investigation = investigate(Path(case), limits=changed or None)
    except InputError as fault:
        _show_problems(fault)
        raise
    record = investigation.record
    whole = Span(min(record.history.start_ns, record.window.start_ns), max(record.window.end_ns, record.failure_ns))
    section = investigation.casefile.case
    folder = Path(out) if str(out) else None
    if folder is not None:
        folder.mkdir(parents=True, exist_ok=True)
    return Sheet(
        investigation,
        to_findings_file(investigation),
        ReportTime.over(section.time_zone, whole),
        section.display,
        folder,
        tables,
        tuple(f"{name} = {value:g}" for name, value in sorted(changed.items())),
    )


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


def _show_problems(fault: InputError) -> None:
    from IPython.display import display

    rows = [asdict(p) | {"severity": Severity(p.severity).value} for p in fault.problems]
    display({PROBLEMS_MIME: rows, "text/plain": str(fault)}, raw=True)  # type: ignore[no-untyped-call]
