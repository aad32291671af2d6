"""Plain words: what a cause means and what a check says, for a reader outside the trade; ids stay in links."""

from __future__ import annotations

from functools import cache
from typing import Protocol

from pydantic import BaseModel, ConfigDict

from forensics.hypotheses.modes import read_modes
from forensics.model.vocabulary import Grade, Mode, Outcome, VerdictStatus
from forensics.results.schema import FindingRow, FindingsFile
from forensics.rules import FOLDER, read_checks
from forensics.rules.strict import read_form

GRADES = {
    Grade.CONFIRMED: "Confirmed: the data point to it, and an inspection, test or measurement shows the cause itself.",
    Grade.PROBABLE: "Probable: the data fit it clearly better than every other cause that is left.",
    Grade.POSSIBLE: "Possible: the data fit it, and fit another cause as well.",
    Grade.EXCLUDED: "Excluded: what it must show could be seen, and was not there.",
    Grade.NOT_OBSERVABLE: "Not observable: these data could not show it either way.",
}


LIVE = (Grade.CONFIRMED, Grade.PROBABLE, Grade.POSSIBLE)
_NAMED = 4


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class ModeWords(_Strict):
    """A cause in a few words, and what it means as a clause."""

    name: str
    plain: str


class CheckWords(_Strict):
    """What a check says when it is met, when it is not, what it cannot tell, and what its number is.

    A check without words for its number tells none to a reader outside the trade; ``times`` tells a ratio as so many
    times in place of per cent.
    """

    yes: str
    no: str
    whether: str
    number: str = ""
    times: bool = False


class PlainWords(_Strict):
    """The whole of ``rules/report/plain.toml``."""

    mode: dict[str, ModeWords]
    fact: dict[str, str]
    check: dict[str, dict[str, CheckWords]]


class _Told(Protocol):
    @property
    def check(self) -> str: ...

    @property
    def outcome(self) -> Outcome: ...


@cache
def plain_words() -> PlainWords:
    """The words that ship.

    Raises
    ------
    InputError
        A key is unknown or missing: all faults at once.
    """
    return read_form(PlainWords, FOLDER / "report" / "plain.toml")


def mode_name(mode: str) -> str:
    """A cause in a few plain words; its title up to the first colon where it has none."""
    words = plain_words().mode.get(mode)
    if words is not None:
        return words.name
    rule = read_modes(read_checks()).by_id.get(mode)
    return mode.replace("-", " ") if rule is None else rule.title.partition(":")[0]


def mode_means(mode: str) -> str:
    """What a cause means as a clause; its title where the rules have no plain words for it."""
    words = plain_words().mode.get(mode)
    if words is not None:
        return words.plain
    rule = read_modes(read_checks()).by_id.get(mode)
    return mode.replace("-", " ") if rule is None else rule.title


def check_words(check: str) -> CheckWords | None:
    """The words of a check; None where it is one that an own rule folder brought."""
    family, _, name = check.partition(".")
    return plain_words().check.get(family, {}).get(name)


def finding_says(finding: _Told) -> str:
    """The answer of a check as one plain sentence without its full stop; its title where there are no words."""
    words = check_words(finding.check)
    if words is None:
        return _by_title(finding)
    if finding.outcome is Outcome.PRESENT:
        return words.yes
    return words.no if finding.outcome is Outcome.ABSENT else f"The record cannot show whether {words.whether}"


def _by_title(finding: _Told) -> str:
    check = read_checks().get(finding.check)
    title = finding.check if check is None else check.title
    if finding.outcome is Outcome.PRESENT:
        return title
    word = "this was looked for and is not there" if finding.outcome is Outcome.ABSENT else "the record cannot show it"
    return f"{title}: {word}"


def verdict_says(findings: FindingsFile) -> str:
    """The verdict in at most two plain sentences: those of the findings file, else made from the cause's words.

    An undetermined one names what fits best and what stands in its way, in the page's own words.
    """
    verdict = findings.verdict
    if verdict.status is VerdictStatus.UNDETERMINED:
        return _open_says(findings)
    if verdict.plain:
        return verdict.plain
    if verdict.mode is not None and verdict.grade is not None:
        said = f"{verdict.grade.value.capitalize()}: {mode_means(verdict.mode.value)}."
        also = [mode_means(m.value) for m in verdict.also]
        return f"{said} Beside it: {'; '.join(also)}." if also else said
    return "No fault found: in what these data could show, nothing was wrong with the machine."


def _open_says(findings: FindingsFile) -> str:
    live = [h for h in findings.graded if h.grade in LIVE and h.mode is not Mode.NONE]
    live.sort(key=lambda h: (-h.decibans, h.mode.value))
    silent, run = silent_checks(findings)
    if not live:
        return (
            "These records do not show what happened, and they are too thin to call the machine sound. "
            f"{silent} of {run} checks could not be made."
        )
    fits = f"What fits these records best, without being proved by them: {small(mode_means(live[0].mode.value))}."
    if len(live) == 1:
        return f"{fits} No other cause of the list stands out, but they do not rule out enough of the others."
    others = _or([small(mode_name(h.mode.value)) for h in live[1:_NAMED]])
    return f"{fits} They do not rule out: {others}."


def small(words: str) -> str:
    """Words as they stand inside a sentence: the first letter small, unless the first word is an abbreviation."""
    return words if words[:2].isupper() else words[:1].lower() + words[1:]


def _or(parts: list[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} or {parts[-1]}"


def silent_checks(findings: FindingsFile) -> tuple[int, int]:
    """How many checks could not be made, of how many."""
    rows: list[FindingRow] = findings.findings
    return sum(f.outcome is Outcome.CANNOT_TELL for f in rows), len(rows)
