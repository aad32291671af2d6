"""What each sign of each mode carried in each case, by the trade's words and curves, and whether rightly."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import pandas as pd

from forensics.hypotheses import read_modes
from forensics.hypotheses.answers import Answered, absent_part, answers, part_for
from forensics.hypotheses.scale import Scale, read_scale
from forensics.model.findings import Finding
from forensics.model.vocabulary import Outcome
from forensics.rules.checks import read_checks
from forensics.study.answers import NOT_JUDGED, Answers

COLUMNS = ("case", "check", "mode", "outcome", "word_db", "part", "spoke")


def evidence_rows(found: Answers) -> pd.DataFrame:
    """A row a case and sign whose check could tell.

    Returns
    -------
    pandas.DataFrame
        ``check``, ``mode``, ``outcome`` that the sign asks for; ``word_db``: decibans of its word, negative where it
        speaks against; ``part`` of it that the trade's curve gives, 0 where the sign did not ``speak``; ``true``: the
        machine had the mode; ``machine``, ``build``, ``half``, and ``weight``: one over the rows of its machine.
    """
    scale = read_scale(with_study=False)
    judged = found.cases[found.cases["outcome"] != NOT_JUDGED]
    rows: list[tuple[object, ...]] = []
    for case, table in found.findings.groupby("case"):
        told = answers(_findings(table), polarity_confirmed=True)
        rows += [(case, *row) for row in _signs(told, scale)]
    made = pd.DataFrame(rows, columns=list(COLUMNS)).merge(
        judged[["case", "machine", "build", "half", "truth"]], on="case"
    )
    made["true"] = [mode in truth for mode, truth in zip(made["mode"], made["truth"], strict=True)]
    key = ["check", "mode", "outcome", "machine"]
    made["weight"] = 1.0 / made.groupby(key)["case"].transform("size")
    return made.drop(columns="truth")


def _signs(told: Mapping[str, Answered], scale: Scale) -> Iterator[tuple[str, str, str, float, float, bool]]:
    for mode in read_modes(read_checks()).causes:
        for side, signs in ((1.0, mode.for_), (-1.0, mode.against)):
            for sign in signs:
                answer = told.get(sign.check)
                if answer is None or answer.outcome is Outcome.CANNOT_TELL:
                    continue
                spoke = answer.outcome.value == sign.outcome
                if not spoke:
                    part = 0.0
                elif answer.outcome is Outcome.ABSENT:
                    part = absent_part(answer, mode.id, scale)
                else:
                    part = max(part_for(finding, mode.id, scale) for finding in answer.findings)
                yield sign.check, mode.id, sign.outcome, side * scale.points(sign.weight), part, spoke


def _findings(table: pd.DataFrame) -> Iterator[Finding]:
    for number, row in enumerate(table.to_dict("records")):
        yield Finding(
            f"{row['check']}@{number}",
            row["check"],
            Outcome(row["outcome"]),
            "",
            value=_number(row["value"]),
            low=_number(row["low"]),
            high=_number(row["high"]),
            unit=row["unit"] or "",
            limit=_number(row["limit"]),
            above=None if row["above"] is None or pd.isna(row["above"]) else bool(row["above"]),
            samples=int(row["samples"]),
            detectable=_number(row["detectable"]),
        )


def _number(cell: float | None) -> float | None:
    return None if cell is None or pd.isna(cell) else float(cell)
