"""The sections of the study's page, each one call of its notebook: they display, and change nothing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd

from forensics.errors import InputError
from forensics.report.binding.markup import render, show_markup, show_plate
from forensics.report.context import show_problems
from forensics.report.figures.figure import Figure
from forensics.report.running.comparison_page import keep_table, leave_summary, show_listed, show_note
from forensics.report.words.cautions import cautions
from forensics.rules.error_rate import QUALIFIED
from forensics.study import figures, measure, tables
from forensics.study.answers import Answers, tables_of
from forensics.study.calibrate import fit_shares, judged_shares
from forensics.study.evidence_rows import evidence_rows
from forensics.study.rule_tables import JUDGED_HALF, write_rule_tables
from forensics.study.run import StudyPlan, read_answers, run_study
from forensics.study.scores import calibration

TABLES, RULES = "tables", "rules"


def _now() -> datetime:
    return datetime.now(UTC)


@dataclass(frozen=True)
class Opened:
    """What every section stands on: all answers, those of the half that judges, and where tables go."""

    answers: Answers
    judged: Answers
    out: Path


def open_study(
    *,
    out: str,
    cases: int,
    seed: int = 1,
    workers: int = 1,
    scheduler: str = "",
    now: Callable[[], datetime] = _now,
) -> Opened:
    """Judge what is not judged yet, and read all answers; the tables for the rules are written beside them.

    Parameters
    ----------
    out
        Folder of the study; answers that it holds are not made again.
    cases, seed, workers, scheduler
        As in `StudyPlan`.
    """
    folder = Path(out)
    try:
        path = run_study(StudyPlan(cases, folder, seed, workers, scheduler))
        answers = tables_of(*read_answers(path, cases))
    except InputError as fault:
        show_problems(fault)
        raise
    judged = answers.half(JUDGED_HALF)
    write_rule_tables(answers, folder / RULES, made=now())
    total = measure.by_verdict(judged).to_dict("records")[0]
    text = (
        f"{len(answers.cases)} cases of {answers.cases['machine'].nunique()} machines; of the {total['cases']} that "
        f"judge: {total['right']} right, {total['cautious']} cautious, {total['wrong']} wrong, "
        f"{total['not_judged']} not judged"
    )
    leave_summary(text)
    return Opened(answers, judged, folder)


def _show(opened: Opened, key: str, table: pd.DataFrame, caption: str, *, none: str = "", rows: int = 200) -> None:
    show_listed(table, key, caption, opened.out / TABLES, none=none, rows=rows)


def _plate(opened: Opened, plate: Figure) -> None:
    show_plate(plate)
    if len(plate.table):
        keep_table(plate.table, opened.out / TABLES, plate.key)


def overview(opened: Opened) -> None:
    """Display what was simulated, what counts, the caution, and the three zeros that are asked for first."""
    header, cases, judged = opened.answers.header, opened.answers.cases, opened.judged
    show_note(
        f"{len(cases)} cases of {cases['machine'].nunique()} simulated machines of {cases['build'].nunique()} builds, "
        f"seed {header['seed']}, version {header['version']}. Everything below counts the {len(judged.cases)} cases of "
        f"half {JUDGED_HALF}; half A is for fitting. {QUALIFIED}"
    )
    first, others = cautions()
    show_markup(render("lines.html.j2", {"title": "Cautions", "lines": [first, *(short for short, *_ in others)]}))
    _show(opened, "verdicts", tables.verdicts(judged), "All verdicts", none="No case was judged.")
    caption = "True modes that were graded excluded"
    _show(opened, "excluded", tables.excluded(judged), caption, none="No true mode was graded excluded.")
    _show(opened, "failed", tables.failures(judged), "Cases not judged", none="Every case was judged.")


def verdicts(opened: Opened) -> None:
    """Display right, cautious and wrong verdicts by build, severity, onset, sampling and the state of the record."""
    for key in tables.CUTS:
        _plate(opened, figures.verdicts_plate(opened.judged, key))


def grades(opened: Opened) -> None:
    """Display how often verdicts of each grade were right: what reports quote."""
    words = "Several records of one machine count once in the bound."
    for key, by in (("all", ()), ("sampling", ("band",)), ("build", ("capacity",)), ("cells", ("capacity", "band"))):
        caption = f"Verdicts of each grade that were right, {key}. {words}"
        _show(opened, f"grades-{key}", tables.grades(opened.judged, by), caption, none="No verdict was graded.")


def confusion(opened: Opened) -> None:
    """Display true modes by verdict, and machines with two faults."""
    table = measure.confusion(opened.judged).reset_index()
    _show(opened, "confusion", table, "True mode by verdict, machines with one fault or none", none="No case.")
    for mode, found in (("severity", ("severity",)), ("sampling", ("band",))):
        caption = f"Machines with two faults, by {mode}: how many were named"
        _show(opened, f"two-faults-{mode}", measure.two_faults(opened.judged, found), caption, none="No such case.")


def evidence(opened: Opened) -> None:
    """Display whether the decibans mean what they say."""
    found = opened.judged
    true, false = measure.decibans(found.hypotheses)
    db, truth = np.concatenate([true, false]), np.concatenate([np.ones(len(true)), np.zeros(len(false))])
    _plate(opened, figures.calibration_plate(calibration(db, truth)))
    for key, by in (("all", ()), ("sampling", ("band",)), ("build", ("build",)), ("severity", ("severity",))):
        caption = f"Decibans against the truth, {key}: 0 bits is perfect, 1 is what saying nothing costs"
        _show(opened, f"evidence-{key}", tables.evidence(found, by), caption, none="No hypothesis was true.")


def words(opened: Opened) -> None:
    """Display what the trade's words are worth, whether that holds on other machines, and what each part does."""
    rows = evidence_rows(opened.answers)
    fits = fit_shares(rows[rows["half"] != JUDGED_HALF])
    table = tables.signs(fits[key] for key in sorted(fits))
    none = "Too few machines of half A for any sign: the trade's words stand."
    _show(opened, "signs", table, "What each sign is worth, fitted on half A", none=none, rows=1000)
    caption = "Cost of single signs on half B by half A, and on each build by all others"
    _show(opened, "signs-judged", tables.shares(judged_shares(rows)), caption, none="No sign spoke.")
    caption = "What each part of the weighing does, on half B, before the sensitivity takes anything back"
    _show(opened, "ablation", tables.ablation(opened.judged), caption, none="No case was judged.")


def checks(opened: Opened) -> None:
    """Display how often each check finds what is there, and speaks where nothing calls for it."""
    table = tables.checks(opened.judged)
    _show(opened, "checks", table, "Checks by mode and sampling", none="No check could be counted.", rows=1000)


def builds(opened: Opened) -> None:
    """Display what was looked at on which build."""
    caption = "Build by family of checks: share of the answers that could tell"
    _show(opened, "families", tables.families(opened.judged), caption, none="No case.")
