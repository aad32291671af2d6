"""What a command comes to: an exit code, lines for people, and the same as one JSON document."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from forensics.errors import InputError

DONE, FAILED, CORRECT, STOPPED = 0, 1, 2, 130


@dataclass(frozen=True)
class Answer:
    """What a command says.

    Attributes
    ----------
    lines
        For standard output.
    data
        The same for programs: written with ``--json`` in place of the lines.
    notes
        For the error stream, unless quiet was asked for.
    more
        Further lines for the error stream where more words were asked for.
    plain
        Text for standard output that goes there letter for letter where no terminal shows it.
    """

    lines: tuple[str, ...] = ()
    data: Mapping[str, Any] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    more: tuple[str, ...] = ()
    code: int = DONE
    plain: str = ""

    def document(self) -> str:
        """The JSON document."""
        return document({"exit_code": self.code, **self.data, "notes": list(self.notes)})


def document(data: Mapping[str, Any]) -> str:
    """One JSON document that every terminal can show."""
    return json.dumps(data, ensure_ascii=True, indent=1, default=str)


def problems_document(fault: InputError) -> str:
    """Problems of the input as a JSON document."""
    return document({"exit_code": CORRECT, "problems": [asdict(problem) for problem in fault.problems]})
