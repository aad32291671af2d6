"""What the check of a bag came to, and how it is told."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from forensics.model.outside_text import for_line
from forensics.report.written.result_set import TABLES_NAME
from forensics.seal.remake import Remade
from forensics.seal.signature import Signed

MOST_SHOWN, MOST_OF_ONE = 40, 20


@dataclass(frozen=True)
class Verified:
    """What the check of a bag came to.

    Attributes
    ----------
    faults
        What is not as it was sealed: files changed, missing, added; a broken list; a bad signature, another seal id.
    results
        Every result with how it came out when it was made again; empty where the case was not run.
    stopped
        Why the case could not be run again.
    limits
        Limits that were tried in the sealed run, and are used again.
    notes
        What is worth knowing beside.
    named
        Whether a seal id was given, and is the one of this bag.
    """

    bag: Path
    seal: str
    files: int
    faults: tuple[str, ...]
    signed: Signed
    results: tuple[Remade, ...] = ()
    stopped: tuple[str, ...] = ()
    limits: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    named: bool = False

    @property
    def rerun(self) -> bool:
        """Whether the case was run again."""
        return bool(self.results or self.stopped)

    @property
    def differences(self) -> tuple[str, ...]:
        """What was not made again as it was sealed."""
        return (*self.stopped, *(line for row in self.results if row.state != "same" for line in _result_lines(row)))

    @property
    def sound(self) -> bool:
        """Whether every byte is as sealed and every result was made again, the same."""
        return not self.faults and bool(self.results) and not self.differences and self.signed.state != "bad"

    @property
    def text(self) -> str:
        """For people: what was checked and what was found."""
        said = [f"{self.bag}: {self.files} files checked"]
        if self.faults:
            said += ["NOT what was sealed:", *_some(self.faults)]
        else:
            said.append("every file is there, none is added, every SHA-256 agrees")
        if not self.rerun:
            said.append("the case was not run again")
        elif self.differences:
            said.append("run again from the bag, NOT all is the same:")
            said += _some(self.stopped)
            for row in self.results:
                said += [] if row.state == "same" else _some(_result_lines(row), MOST_OF_ONE)
        same = [row.name for row in self.results if row.state == "same"]
        tables = sum(name.startswith(f"{TABLES_NAME}/") for name in same)
        named = [name for name in same if not name.startswith(f"{TABLES_NAME}/")]
        if same:
            said.append(f"made again and the same: {', '.join([*named, *([f'{tables} tables'] if tables else [])])}")
        said += [f"limit of the sealed run: {limit}" for limit in self.limits]
        said.append(self.signed.text)
        said.append("time is not attested: when this was sealed is what its sealer says")
        said += [f"note: {note}" for note in self.notes[:MOST_OF_ONE]]
        said += [f"note: and {rest} more" for rest in (len(self.notes) - MOST_OF_ONE,) if rest > 0]
        said.append(self.stated)
        if self.seal:
            said.append(f"seal id {self.seal} (compare it with the one noted when the bag was made, or give --seal-id)")
        return "\n".join(map(for_line, said))

    @property
    def stated(self) -> str:
        """What stands behind the part of a bag that nobody can make again."""
        what = "custody, dates, names and versions are what people state and can't be made again:"
        if self.faults:
            return f"{what} nothing stands behind them here"
        if self.signed.state == "good":
            return f"{what} they are as the holder of the key signed them"
        if self.named:
            return f"{what} they are those of the seal id that was given"
        return (
            f"{what} the sums prove no more than that the lists of this bag agree, and whoever rewrites it makes them "
            "agree; only a seal id noted elsewhere (--seal-id) or a signature (--key) shows that they are the first"
        )


def _some(lines: Iterable[str], most: int = MOST_SHOWN) -> list[str]:
    lines = tuple(lines)
    shown = [f"  {line}" for line in lines[:most]]
    return shown if len(lines) <= most else [*shown, f"  and {len(lines) - most} more (--json lists all)"]


def _result_lines(row: Remade) -> list[str]:
    if row.state == "close":
        first = f"{row.name}: not byte for byte, but every number agrees to 6 significant digits"
        return [first, *(f"{row.name}: {line}" for line in row.lines)]
    return [f"{row.name}: {line}" for line in row.lines] or [f"{row.name}: {row.state}"]
