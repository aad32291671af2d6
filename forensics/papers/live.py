"""Which causes the papers are made for: those live in the findings, else those that the trip's words speak of."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from forensics.case.schema import JobFile
from forensics.errors import InputError
from forensics.hypotheses.modes import FailureMode, read_modes
from forensics.machine.trip_words import Quantity, quantity_of
from forensics.model.vocabulary import Grade, Mode
from forensics.results.findings_json import read_findings
from forensics.results.schema import FindingsFile
from forensics.rules.checks import read_checks

LIVE = (Grade.CONFIRMED, Grade.PROBABLE, Grade.POSSIBLE)
FINDINGS = Path("report") / "findings.json"


@dataclass(frozen=True, slots=True)
class Live:
    """Causes that are live, the best supported first, and where that was had from.

    Attributes
    ----------
    modes
        Empty where nothing is known yet: then the papers ask for everything.
    missing
        Changes of the data that would open more causes to view, as the findings list them.
    notes
        What could not be used, and why.
    """

    modes: tuple[FailureMode, ...]
    basis: str
    missing: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    findings: FindingsFile | None = None

    @property
    def ids(self) -> frozenset[str]:
        """Ids of the live causes."""
        return frozenset(mode.id for mode in self.modes)


def live_causes(case: Path, job: JobFile) -> Live:
    """Live causes by the findings beside the case, else by the words of the trip."""
    notes: list[str] = []
    path = case.parent / FINDINGS
    if path.is_file():
        try:
            found = read_findings(path)
        except InputError as fault:
            notes.append(f"{FINDINGS.as_posix()} can't be used: {fault.problems[0].what}")
        else:
            if found.case.id == job.case.id:
                return _by_findings(found)
            notes.append(f"{FINDINGS.as_posix()} is of case '{found.case.id}', so it is not used")
    return _by_words(job, tuple(notes))


def _by_findings(found: FindingsFile) -> Live:
    modes = read_modes(read_checks())
    alive = tuple(
        modes[row.mode]
        for row in sorted(found.hypotheses, key=lambda row: row.mode != found.verdict.mode)
        if row.grade in LIVE and row.mode != Mode.NONE
    )
    status = found.verdict.status.value
    basis = f"findings of revision {found.case.revision}: {status}" + (
        f", {found.verdict.mode.value}" if found.verdict.mode else ""
    )
    counted: dict[str, int] = {}
    for row in found.observability:
        if row.unlocked_by:
            counted[row.unlocked_by] = counted.get(row.unlocked_by, 0) + 1
    missing = tuple(f"{what} (causes opened to view: {n})" for what, n in sorted(counted.items(), key=_most))
    return Live(alive, basis, missing, findings=found)


def _most(item: tuple[str, int]) -> tuple[int, str]:
    return -item[1], item[0]


def _by_words(job: JobFile, notes: tuple[str, ...]) -> Live:
    quantities = tuple(dict.fromkeys(_quantities(job)))
    checks = {check for quantity in quantities for check in quantity.checks}
    modes = tuple(
        mode
        for mode in read_modes(read_checks()).causes
        if checks & ({sign.check for sign in mode.for_} | set(mode.explains))
        or (mode.id == Mode.SENSOR_FAULT and any(quantity.sensors for quantity in quantities))
    )
    if not modes:
        why = "no words of a trip are filed yet" if not quantities else "the words of the trip name no cause"
        return Live((), f"{why}: the papers ask for everything", notes=notes)
    spoken = ", ".join(quantity.title for quantity in quantities)
    return Live(modes, f"the words of the trip, which speak of {spoken}; nothing is judged yet", notes=notes)


def _quantities(job: JobFile) -> Iterable[Quantity]:
    texts = [] if job.call is None else [job.call.panel_text, job.call.words]
    texts += [seen.text for seen in job.observation]
    for text in texts:
        for line in text.replace(";", "\n").replace(". ", "\n").splitlines():
            found = quantity_of(line)
            if found is not None:
                yield found
