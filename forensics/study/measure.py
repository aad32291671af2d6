"""What the study counts: how often verdicts and grades are right, and how often a check finds what is there.

Several records of one machine are no independent cases. Within one band of sampling a machine has one record, so that
counts there are plain; bounds of pooled counts rest on the number of machines.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache

import numpy as np
import pandas as pd

from forensics.hypotheses import read_modes
from forensics.model.vocabulary import Grade, Outcome
from forensics.rules.checks import read_checks
from forensics.stats.bounds import exact_lower
from forensics.stats.proportions import wilson
from forensics.study.answers import CAUTIOUS, NONE, NOT_JUDGED, RIGHT, SOUND, WRONG, Answers
from forensics.study.scores import brier, cllr, cllr_min, log_score, probabilities

QUOTED = (Grade.PROBABLE.value, SOUND)
"""Grades that have an error rate; an undetermined verdict claims nothing, a confirmed one rests on an inspection."""
UNLISTED = "unlisted"


def by_verdict(answers: Answers, by: Sequence[str] = ()) -> pd.DataFrame:
    """How often verdicts were right, cautious and wrong, over all cases or by columns of the cases."""
    rows = []
    for key, found in _groups(answers.cases, by):
        count = found["outcome"].value_counts()
        of = len(found) - int(count.get(NOT_JUDGED, 0))
        wrong = int(count.get(WRONG, 0))
        low, high = wilson(wrong, of) if of else (None, None)
        rows.append(
            {
                **key,
                "cases": len(found),
                "machines": found["machine"].nunique(),
                "right": int(count.get(RIGHT, 0)),
                "cautious": int(count.get(CAUTIOUS, 0)),
                "wrong": wrong,
                "cleared_faulty": int(((found["grade"] == SOUND) & (found["outcome"] == WRONG)).sum()),
                "wrong_low": low,
                "wrong_high": high,
                "not_judged": int(count.get(NOT_JUDGED, 0)),
            }
        )
    return pd.DataFrame(rows)


def by_grade(answers: Answers, by: Sequence[str] = ()) -> pd.DataFrame:
    """How often verdicts of each quoted grade were right: ``right`` of ``of``, at least ``low`` with 95 % confidence.

    The bound counts as many cases as there were machines with such a verdict, however many records each had.
    """
    rows = []
    for grade in QUOTED:
        graded = answers.cases[answers.cases["grade"] == grade]
        for key, found in _groups(graded, by):
            right, of = int((found["outcome"] == RIGHT).sum()), len(found)
            machines = found["machine"].nunique()
            low = exact_lower(right / of * machines, machines) if of else None
            rows.append({"grade": grade, **key, "right": right, "of": of, "machines": machines, "low": low})
    return pd.DataFrame(rows)


def _groups(table: pd.DataFrame, by: Sequence[str]) -> list[tuple[dict[str, object], pd.DataFrame]]:
    if not by:
        return [({}, table)]
    return [(dict(zip(by, key, strict=True)), found) for key, found in table.groupby(list(by), observed=True)]


def confusion(answers: Answers) -> pd.DataFrame:
    """True mode by verdict, of machines with one fault or none: counts of cases."""
    cases = answers.cases[(answers.cases["faults"] <= 1) & (answers.cases["outcome"] != NOT_JUDGED)]
    said = cases["verdict"].where(cases["verdict"] != "", cases["status"])
    return pd.crosstab(cases["truth"].map(lambda modes: modes[0]), said).rename_axis(index="truth", columns="verdict")


def two_faults(answers: Answers, by: Sequence[str] = ()) -> pd.DataFrame:
    """Of machines with two faults: how often both, one or none was named, and how often anything else was."""
    cases = answers.cases[(answers.cases["faults"] > 1) & (answers.cases["outcome"] != NOT_JUDGED)]
    named = [{v, *also} - {""} for v, also in zip(cases["verdict"], cases["also"], strict=True)]
    right = [len(n & set(t)) for n, t in zip(named, cases["truth"], strict=True)]
    other = [bool(n - set(t)) for n, t in zip(named, cases["truth"], strict=True)]
    counted = cases.assign(named_right=np.array(right, dtype=int), named_other=np.array(other, dtype=bool))
    rows = [
        {
            **key,
            "cases": len(found),
            "both": int((found["named_right"] > 1).sum()),
            "one": int((found["named_right"] == 1).sum()),
            "none": int((found["named_right"] == 0).sum()),
            "another": int(found["named_other"].sum()),
        }
        for key, found in _groups(counted, by)
    ]
    return pd.DataFrame(rows)


@cache
def signs() -> Mapping[str, tuple[str, ...]]:
    """For each mode the checks whose presence speaks for it."""
    return {
        mode.id: tuple(dict.fromkeys(sign.check for sign in mode.for_ if sign.outcome == Outcome.PRESENT.value))
        for mode in read_modes(read_checks()).causes
    }


def outcomes(answers: Answers) -> pd.DataFrame:
    """The outcome of each check in each case: present where any answer is, absent where all are."""
    found = answers.findings
    code = found["outcome"].map({Outcome.PRESENT.value: 2, Outcome.CANNOT_TELL.value: 1, Outcome.ABSENT.value: 0})
    most = code.groupby([found["case"], found["check"]]).max()
    words = most.map({2: Outcome.PRESENT.value, 1: Outcome.CANNOT_TELL.value, 0: Outcome.ABSENT.value})
    return words.unstack("check")


def by_check(answers: Answers) -> pd.DataFrame:
    """Per check, mode and band: how often the check finds the mode, and how often it speaks where nothing calls for it.

    Sensitivity is of machines with this one fault, false alarms are of machines none of whose faults the check is a
    sign of; both among the cases in which the check could tell.
    """
    wide = outcomes(answers)
    cases = answers.cases.set_index("case").loc[wide.index]
    named = signs()
    rows = []
    for band, inside in cases.groupby("band", observed=True):
        for check in wide.columns:
            told = wide.loc[inside.index, check]
            free = [not any(check in named.get(mode, ()) for mode in modes) for modes in inside["truth"]]
            healthy = (inside["faults"] == 0).to_numpy()
            alarms = _share("false", told[np.array(free, dtype=bool)]) | _share("healthy", told[healthy])
            for mode in (m for m, checks in named.items() if check in checks):
                having = ((inside["faults"] == 1) & (inside["truth"].map(lambda t, m=mode: t[0] == m))).to_numpy()
                rows.append({"check": check, "mode": mode, "band": band, **_share("found", told[having]), **alarms})
    return pd.DataFrame(rows)


def _share(name: str, told: pd.Series[str]) -> dict[str, float | int | None]:
    """Present among those that could tell, with its Wilson interval; None where none could."""
    present = int((told == Outcome.PRESENT.value).sum())
    of = present + int((told == Outcome.ABSENT.value).sum())
    low, high = wilson(present, of) if of else (None, None)
    return {
        name: present,
        f"{name}_of": of,
        f"{name}_blind": len(told) - of,
        f"{name}_low": low,
        f"{name}_high": high,
    }


def by_build_and_family(answers: Answers) -> pd.DataFrame:
    """Share of the answers of each family of checks that could tell, by build: what was looked at on which machine."""
    found = answers.findings.merge(answers.cases[["case", "build"]], on="case")
    found = found.assign(
        family=found["check"].str.partition(".")[0], told=found["outcome"] != Outcome.CANNOT_TELL.value
    )
    table = found.pivot_table(index="build", columns="family", values="told", aggfunc="mean")
    return table.assign(cases=answers.cases.groupby("build")["case"].count())


def by_evidence(answers: Answers, by: Sequence[str] = ()) -> pd.DataFrame:
    """Cost of the decibans (pooled over modes), and Brier and log score of the probabilities that they stand for."""
    rows = []
    for key, cases in _groups(answers.cases[answers.cases["outcome"] != NOT_JUDGED], by):
        found = answers.hypotheses[answers.hypotheses["case"].isin(cases["case"])]
        true, false = decibans(found)
        if not len(true) or not len(false):
            continue
        rows.append(
            {
                **key,
                "cases": len(cases),
                "cllr": cllr(true, false),
                "cllr_min": cllr_min(true, false),
                **_proper(found, cases),
            }
        )
    return pd.DataFrame(rows)


def decibans(hypotheses: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Decibans of hypotheses that were true and of those that were not; sound machines and `unlisted` are no mode."""
    modes = hypotheses[~hypotheses["mode"].isin([NONE, UNLISTED])]
    return modes.loc[modes["true"], "db"].to_numpy(float), modes.loc[~modes["true"], "db"].to_numpy(float)


def _proper(hypotheses: pd.DataFrame, cases: pd.DataFrame) -> dict[str, float | int]:
    """Brier and log score over cases with one truth that is in the list; a sound machine stands at 0 decibans."""
    single = cases[cases["faults"] <= 1]
    wide = hypotheses.pivot(index="case", columns="mode", values="db").reindex(single["case"])
    wide[NONE] = 0.0
    known = single["truth"].map(lambda modes: modes[0] in wide.columns).to_numpy()
    if not known.any():
        return {"scored": 0}
    chance = probabilities(wide[known].to_numpy(float))
    truth = np.array([wide.columns.get_loc(modes[0]) for modes in single["truth"][known]])
    return {"scored": int(known.sum()), "brier": brier(chance, truth), "log_score": log_score(chance, truth)}


def by_ablation(answers: Answers) -> pd.DataFrame:
    """Verdicts and cost of the decibans by each scale that lacks something of the one in use."""
    rows = []
    for scale, found in answers.ablation.groupby("scale", sort=False):
        count = found.drop_duplicates("case")["outcome"].value_counts()
        true, false = decibans(found)
        both = len(true) > 0 and len(false) > 0
        rows.append(
            {
                "scale": scale,
                "cases": int(count.sum()),
                **{kind: int(count.get(kind, 0)) for kind in (RIGHT, CAUTIOUS, WRONG)},
                "cllr": cllr(true, false) if both else None,
                "cllr_min": cllr_min(true, false) if both else None,
            }
        )
    return pd.DataFrame(rows)
