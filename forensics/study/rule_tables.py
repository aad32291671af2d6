"""Writes what the study measured as data of the rules: rates of verdicts, and of each check for each mode."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any

import pandas as pd

from forensics.rules.error_rate import StudyTable
from forensics.study.answers import Answers
from forensics.study.calibrate import fit_shares
from forensics.study.evidence_rows import evidence_rows
from forensics.study.measure import by_check, by_grade
from forensics.study.plan import BANDS

VERDICTS, CHECKS, SIGNS = "verdicts.toml", "checks.toml", "signs.toml"
FITTED_HALF, JUDGED_HALF = "A", "B"
_CUTS: tuple[tuple[str, ...], ...] = (("capacity", "band"), ("band",), ())
_CHECK_KEYS = (
    "check",
    "mode",
    "band",
    "found",
    "found_of",
    "found_blind",
    "false",
    "false_of",
    "healthy",
    "healthy_of",
)


def write_rule_tables(answers: Answers, folder: Path, *, made: datetime) -> tuple[Path, ...]:
    """Write rates from the half that nothing was fitted on, and what signs are worth from the other; returns the paths.

    Parameters
    ----------
    made
        When the study was counted; its day stands in the tables.
    """
    judged = answers.half(JUDGED_HALF)
    study = study_of(answers, judged, JUDGED_HALF, made)
    bands = [_band(name, values) for name, values in BANDS.items()]
    rates = [row for cut in _CUTS for row in by_grade(judged, cut).to_dict("records") if row["of"]]
    verdicts = {
        "study": study,
        "band": bands,
        "rate": [{k: row[k] for k in ("grade", *cut(row), "right", "of", "machines")} for row in rates],
    }
    StudyTable.model_validate(verdicts)
    checks = {"study": study, "rate": _checks(by_check(judged))}
    folder.mkdir(parents=True, exist_ok=True)
    written = {VERDICTS: (verdicts, _VERDICTS_SAY), CHECKS: (checks, _CHECKS_SAY)}
    signs = _signs(answers)
    if signs:
        written[SIGNS] = (
            {"study": study_of(answers, answers.half(FITTED_HALF), FITTED_HALF, made), "fit": signs},
            _SIGNS_SAY,
        )
    for name, (table, says) in written.items():
        (folder / name).write_text(says + _toml(table), encoding="utf-8")
    return tuple(folder / name for name in written)


def _signs(answers: Answers) -> list[dict[str, Any]]:
    """What each sign is worth, fitted on the half that does not judge."""
    fits = fit_shares(evidence_rows(answers.half(FITTED_HALF)))
    return [{name: _short(value) for name, value in asdict(fits[key]).items()} for key in sorted(fits)]


def _short(value: object) -> object:
    return round(value, 3) if isinstance(value, float) else value


_VERDICTS_SAY = """\
# How often verdicts of a grade were right in the validation study, by what moves the capacity and by sampling.
# Written by `forensics study`; machines are simulated. A cell without capacity or band is pooled.
"""
_CHECKS_SAY = """\
# How often a check found a mode that was there (found), and spoke of a machine with nothing that it is a sign of
# (false; healthy: of machines without any fault), of those in which it could tell; blind: it could not tell.
# Written by `forensics study`; machines are simulated.
"""
_SIGNS_SAY = """\
# What the signs of modes are worth on the study's machines: a share of the decibans of the trade's word, shrunk to it.
# true, false: machines with and without the mode in which the sign spoke, of those in which its check could tell.
# Written by `forensics study`, fitted on half A; machines are simulated, and all modes are as common there.
"""


def cut(row: Mapping[Any, Any]) -> tuple[str, ...]:
    """Which words of a row are not pooled."""
    return tuple(name for name in ("capacity", "band") if name in row)


def study_of(answers: Answers, judged: Answers, half: str, made: datetime) -> dict[str, Any]:
    """Which run the tables come from."""
    return {
        "cases": len(judged.cases),
        "machines": int(judged.cases["machine"].nunique()),
        "seed": answers.header["seed"],
        "half": half,
        "version": answers.header["version"],
        "date": f"{made:%Y-%m-%d}",
        "rules": answers.header["rules"],
        "code": answers.header["code"],
    }


def _band(name: str, values: Sequence[float]) -> dict[str, Any]:
    return {"name": name} | ({} if name == list(BANDS)[-1] else {"longest_s": max(values)})


def _checks(table: pd.DataFrame) -> list[dict[str, Any]]:
    kept = table[(table["found_of"] + table["found_blind"]) > 0] if len(table) else table
    return [{key: row[key] for key in _CHECK_KEYS} for row in kept.to_dict("records")]


def _toml(table: Mapping[str, Any]) -> str:
    """A table of texts and numbers, and lists of such tables a line each."""
    lines: list[str] = []
    for key, value in table.items():
        if not isinstance(value, Mapping):
            lines += [f"{key} = [", *(f"  {_row(row)}," for row in value), "]"]
    for key, value in table.items():
        if isinstance(value, Mapping):
            lines += ["", f"[{key}]", *(f"{name} = {_cell(cell)}" for name, cell in value.items())]
    return "\n".join(lines) + "\n"


def _row(row: Mapping[str, Any]) -> str:
    return "{ " + ", ".join(f"{key} = {_cell(value)}" for key, value in row.items()) + " }"


def _cell(value: object) -> str:
    return json.dumps(value if isinstance(value, str | int | float) else str(value), ensure_ascii=False)
