"""What a revision supersedes, and what changed: it is found, compared and written down, never overwritten."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from forensics.errors import InputError, Problem
from forensics.report.written.revision import earlier_findings
from forensics.results.diff import Changes, compare_findings
from forensics.results.findings_json import read_findings
from forensics.results.schema import FindingsFile
from forensics.seal.finished import Finished


@dataclass(frozen=True)
class Revision:
    """What a finished case supersedes.

    Attributes
    ----------
    supersedes
        As the case file says it.
    earlier
        The findings of the superseded revision, and their file; None where they are not at hand.
    """

    number: int
    supersedes: str
    earlier: FindingsFile | None
    file: Path | None
    changes: Changes | None

    @property
    def text(self) -> str:
        """What it supersedes and what changed, one thing a line."""
        said = [f"Revision {self.number} supersedes: {self.supersedes}"]
        if self.changes is None:
            said.append("The superseded findings are not at hand: what changed can't be told from this bag.")
        else:
            said += [f"- {line}" for line in self.changes.lines]
        return "\n".join(said) + "\n"


def read_revision(finished: Finished) -> Revision | None:
    """The revision of a finished case, or None for a first one.

    ``case.supersedes`` is the folder, findings file or bag of the earlier revision, relative to the case file; or its
    bundle id, where it is not at hand. Without it the highest earlier revision that is kept beside the results is it.

    Raises
    ------
    InputError
        A revision above 1 does not say what it supersedes, or names another case or not an earlier revision.
    """
    section = finished.casefile.case
    if section.revision <= 1:
        return None
    file = _find(finished)
    if file is None and not section.supersedes:
        text = f"revision {section.revision} does not say what it supersedes"
        remedy = "Add case.supersedes: folder or bag of the earlier revision, or its bundle id."
        raise InputError([Problem(text, file=finished.case.name, column="case.supersedes", remedy=remedy)])
    if file is None:
        return Revision(section.revision, section.supersedes, None, None, None)
    named = section.supersedes or f"{file.parent.name}, kept beside the results"
    earlier = read_findings(file)
    faults = []
    if earlier.case.id != section.id:
        faults.append(f"'{named}' is of case '{earlier.case.id}', not of '{section.id}'")
    if earlier.case.revision >= section.revision:
        faults.append(f"'{named}' is revision {earlier.case.revision}, not below {section.revision}")
    if faults:
        remedy = "Name the earlier revision of this case."
        raise InputError(
            [Problem(fault, file=finished.case.name, column="case.supersedes", remedy=remedy) for fault in faults]
        )
    return Revision(section.revision, named, earlier, file, compare_findings(earlier, finished.findings))


def _find(finished: Finished) -> Path | None:
    """The superseded findings: in a bag, where the case file names them, or kept beside the results."""
    section, folder = finished.casefile.case, finished.case.parent
    found = earlier_findings(finished.folder, folder, section.supersedes, section.revision, section.id)
    kept = found is not None and found.is_relative_to(finished.folder)
    # what is named is what is meant: another one that happens to lie there does not take its place
    return None if section.supersedes and kept else found
