"""Answers of the study as tables: a row a case, a row a case and mode, a row a case and check."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from forensics.model.vocabulary import Grade, Mode, VerdictStatus
from forensics.study.judged import FINDING
from forensics.study.machines import ONSETS, SEVERITIES
from forensics.study.plan import BANDS

NONE = str(Mode.NONE)
_ORDERED = {"band": tuple(BANDS), "severity": ("none", *SEVERITIES, "mixed"), "onset": ("none", *ONSETS, "mixed")}
RIGHT, CAUTIOUS, WRONG, NOT_JUDGED = "right", "cautious", "wrong", "not judged"
SOUND = VerdictStatus.NO_FAULT_FOUND.value
"""The grade under which verdicts of a sound machine are counted; they have none of their own."""


@dataclass(frozen=True)
class Answers:
    """All answers of a study.

    Attributes
    ----------
    header
        Seed, version, hashes.
    cases
        A row a case; ``outcome`` is right, cautious, wrong or not judged, ``truth`` a tuple of modes.
    hypotheses
        ``case``, ``mode``, ``grade``, ``db``, ``true``: whether the machine had the mode.
    findings
        ``case`` and the columns of ``FINDING``.
    ablation
        ``case``, ``scale``, ``outcome``, ``mode``, ``db``, ``true``: each case and mode by scales that lack something.
    """

    header: Mapping[str, Any]
    cases: pd.DataFrame
    hypotheses: pd.DataFrame
    findings: pd.DataFrame
    ablation: pd.DataFrame

    def half(self, half: str) -> Answers:
        """Only the cases of one half."""
        return self.where(self.cases["half"] == half)

    def where(self, chosen: pd.Series[bool]) -> Answers:
        """Only some of the cases."""
        cases = self.cases[chosen]
        kept = set(cases["case"])
        tables = (table[table["case"].isin(kept)] for table in (self.hypotheses, self.findings, self.ablation))
        return Answers(self.header, cases, *tables)


def tables_of(header: Mapping[str, Any], machines: Sequence[Mapping[str, Any]]) -> Answers:
    """Make the tables of the lines that `read_answers` gives."""
    cases: list[dict[str, Any]] = []
    hypotheses: list[tuple[Any, ...]] = []
    findings: list[list[Any]] = []
    ablation: list[tuple[Any, ...]] = []
    for answer in machines:
        for made in answer["cases"]:
            number = len(cases)
            row = _case(number, answer["machine"], made)
            cases.append(row)
            for mode, (grade, db) in made.get("hypotheses", {}).items():
                hypotheses.append((number, mode, grade, db, mode in row["truth"]))
            findings += [[number, *finding] for finding in made.get("findings", ())]
            for scale, judged in made.get("ablation", {}).items():
                came_to = outcome(row["truth"], judged)
                ablation += [(number, scale, came_to, m, db, m in row["truth"]) for m, db in judged["db"].items()]
    table = pd.DataFrame(cases)
    for column, words in _ORDERED.items():
        table[column] = pd.Categorical(table[column], categories=words, ordered=True)
    return Answers(
        header,
        table,
        pd.DataFrame(hypotheses, columns=["case", "mode", "grade", "db", "true"]),
        pd.DataFrame(findings, columns=["case", *FINDING]),
        pd.DataFrame(ablation, columns=["case", "scale", "outcome", "mode", "db", "true"]),
    )


def _case(number: int, machine: Mapping[str, Any], made: Mapping[str, Any]) -> dict[str, Any]:
    faults = machine["faults"]
    truth = tuple(fault[0] for fault in faults) or (NONE,)
    verdict = made.get("verdict") or {"status": "", "mode": None, "grade": None, "also": []}
    return {
        "case": number,
        "machine": machine["number"],
        "half": machine["half"],
        "seed": machine["seed"],
        "build": machine["build"],
        "capacity": made["capacity"],
        "truth": truth,
        "faults": len(faults),
        "severity": _one([fault[1] for fault in faults]),
        "onset": _one([fault[2] for fault in faults]),
        "disturbances": ", ".join(machine["disturbances"]) or "none",
        "sampling_s": made["sampling_s"],
        "band": made["band"],
        "points": made["points"] + (" less some" if made["without"] else ""),
        "dirt": made["dirt"],
        "recorded": made["recorded"],
        "fast_log": made["fast_s"] is not None,
        "status": verdict["status"],
        "verdict": verdict["mode"] or "",
        "also": tuple(verdict["also"]),
        "grade": SOUND if verdict["status"] == SOUND else verdict["grade"] or "",
        "outcome": NOT_JUDGED if made["failed"] else outcome(truth, verdict),
        "failed": made["failed"],
        "spent_s": made["spent_s"],
    }


def _one(words: Sequence[str]) -> str:
    return "none" if not words else words[0] if len(set(words)) == 1 else "mixed"


def outcome(truth: Sequence[str], verdict: Mapping[str, Any]) -> str:
    """Whether a verdict is right, cautious or wrong.

    Right names nothing but what the machine had, or calls a machine sound that was. Wrong names anything else, beside
    a right mode too, or calls a faulty machine sound. An undetermined verdict is cautious, whatever the truth.
    """
    if verdict["status"] == VerdictStatus.UNDETERMINED.value:
        return CAUTIOUS
    if verdict["status"] == SOUND:
        return RIGHT if tuple(truth) == (NONE,) else WRONG
    return RIGHT if {verdict["mode"], *verdict["also"]} <= set(truth) else WRONG


def true_mode_excluded(answers: Answers) -> pd.DataFrame:
    """Hypotheses that were true and graded excluded."""
    found = answers.hypotheses
    return found[found["true"] & (found["grade"] == Grade.EXCLUDED.value) & (found["mode"] != NONE)]
