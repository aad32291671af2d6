"""Tables of the study's page, as text for people."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import pandas as pd

from forensics.report.words.units import CANNOT, number
from forensics.study import measure
from forensics.study.answers import Answers
from forensics.study.calibrate import Fit
from forensics.study.scores import Bin

CUTS: Mapping[str, tuple[str, tuple[str, ...]]] = {
    "build": ("Build", ("build",)),
    "severity": ("Severity", ("severity",)),
    "onset": ("Onset", ("onset",)),
    "sampling": ("Sampling", ("band",)),
    "record": ("Kind of record", ("recorded",)),
    "points": ("Points", ("points",)),
    "dirt": ("State of sensors and loggers", ("dirt",)),
    "faults": ("Number of faults", ("faults",)),
    "disturbances": ("Normal events", ("disturbances",)),
}
"""By what verdicts are counted: title and columns of the cases."""


def percent(share: float | None) -> str:
    """A share in percent; a dash where there is none."""
    return CANNOT if share is None or pd.isna(share) else f"{100.0 * share:.0f} %"


def limits(low: float | None, high: float | None) -> str:
    """An interval of a share in percent."""
    return CANNOT if low is None or pd.isna(low) else f"{100.0 * low:.0f} to {100.0 * float(high or 0.0):.0f} %"


def verdicts(answers: Answers, by: tuple[str, ...] = ()) -> pd.DataFrame:
    """Right, cautious and wrong verdicts."""
    found = measure.by_verdict(answers, by)
    rows = [
        {
            **{_title(name): row[name] for name in by},
            "cases": row["cases"],
            "machines": row["machines"],
            "right": row["right"],
            "cautious": row["cautious"],
            "wrong": row["wrong"],
            "of these a faulty machine called sound": row["cleared_faulty"],
            "wrong, share": percent(row["wrong"] / max(row["cases"] - row["not_judged"], 1)),
            "95 % interval": limits(row["wrong_low"], row["wrong_high"]),
            "not judged": row["not_judged"],
        }
        for row in found.to_dict("records")
    ]
    return pd.DataFrame(rows)


def grades(answers: Answers, by: tuple[str, ...] = ()) -> pd.DataFrame:
    """How often verdicts of each grade were right, and at least how often."""
    rows = [
        {
            "grade": row["grade"],
            **{_title(name): row[name] for name in by},
            "right": row["right"],
            "of": row["of"],
            "machines": row["machines"],
            "at least (95 %)": percent(row["low"]),
        }
        for row in measure.by_grade(answers, by).to_dict("records")
    ]
    return pd.DataFrame(rows)


def _title(name: str) -> str:
    return {"band": "sampling", "recorded": "kind of record"}.get(name, name)


def checks(answers: Answers) -> pd.DataFrame:
    """Sensitivity and false alarms of every check for every mode it is a sign of, by sampling."""
    found = measure.by_check(answers)
    rows = [
        {
            "check": row["check"],
            "mode": row["mode"],
            "sampling": row["band"],
            "found": f"{row['found']} of {row['found_of']}",
            "sensitivity, 95 %": limits(row["found_low"], row["found_high"]),
            "could not tell": row["found_blind"],
            "false alarms": f"{row['false']} of {row['false_of']}",
            "false alarms, 95 %": limits(row["false_low"], row["false_high"]),
            "on sound machines": f"{row['healthy']} of {row['healthy_of']}",
        }
        for row in found.to_dict("records")
        if row["found_of"] or row["found_blind"]
    ]
    return pd.DataFrame(rows).sort_values(["check", "mode"], kind="stable") if rows else pd.DataFrame()


def evidence(answers: Answers, by: tuple[str, ...] = ()) -> pd.DataFrame:
    """Cost of the decibans, Brier and log score."""
    rows = [
        {
            **{_title(name): row[name] for name in by},
            "cases": row["cases"],
            "cost of decibans, bits": number(row["cllr"], digits=3),
            "of this by calibration": number(row["cllr"] - row["cllr_min"], digits=3),
            "cases with one truth": row["scored"],
            "Brier score": _or_dash(row.get("brier")),
            "log score, bits": _or_dash(row.get("log_score")),
        }
        for row in measure.by_evidence(answers, by).to_dict("records")
    ]
    return pd.DataFrame(rows)


def ablation(answers: Answers) -> pd.DataFrame:
    """Verdicts and cost by scales that lack something, before the sensitivity takes anything back."""
    rows = [
        {
            "weighed by": row["scale"],
            **{name: row[name] for name in ("cases", "right", "cautious", "wrong")},
            "cost of decibans, bits": _or_dash(row["cllr"]),
            "at best, in this order": _or_dash(row["cllr_min"]),
        }
        for row in measure.by_ablation(answers).to_dict("records")
    ]
    return pd.DataFrame(rows)


def signs(fits: Iterable[Fit]) -> pd.DataFrame:
    """What each sign was found to be worth, as a share of the decibans of its word."""
    rows = [
        {
            "check": fit.check,
            "mode": fit.mode,
            "outcome": fit.outcome,
            "share of its word": number(fit.share, digits=2),
            "95 % interval": f"{number(fit.low, digits=2)} to {number(fit.high, digits=2)}",
            "machines with the mode": f"{number(fit.true, digits=3)} of {number(fit.true_of, digits=3)}",
            "machines without": f"{number(fit.false, digits=3)} of {number(fit.false_of, digits=3)}",
        }
        for fit in fits
    ]
    return pd.DataFrame(rows)


def shares(found: pd.DataFrame) -> pd.DataFrame:
    """Cost of single signs on cases that nothing was fitted on."""
    return pd.DataFrame(
        {
            "judged": found["judged"],
            "signs": found["signs"],
            "cost by the trade's words, bits": found["words"].map(lambda v: number(v, digits=3)),
            "cost by fitted shares, bits": found["fitted"].map(lambda v: number(v, digits=3)),
        }
    )


def _or_dash(value: float | None) -> str:
    return CANNOT if value is None or pd.isna(value) else number(value, digits=3)


def bins(found: Iterable[Bin]) -> pd.DataFrame:
    """Bins of the calibration."""
    rows = [
        {
            "decibans": f"{number(one.low_db, digits=3)} to {number(one.high_db, digits=3)}",
            "true": one.true,
            "of": one.of,
            "told, %": number(100.0 * one.told, digits=3),
            "found, %": number(100.0 * one.found, digits=3),
            "95 % interval, %": f"{number(100.0 * one.low, digits=3)} to {number(100.0 * one.high, digits=3)}",
            "inside": "yes" if one.holds else "no",
        }
        for one in found
    ]
    return pd.DataFrame(rows)


def families(answers: Answers) -> pd.DataFrame:
    """Build by family of checks: share of the answers that could tell."""
    found = measure.by_build_and_family(answers)
    shown = found.drop(columns="cases").map(percent)
    return shown.assign(cases=found["cases"]).reset_index()


def failures(answers: Answers) -> pd.DataFrame:
    """Cases that the workbook failed on."""
    found = answers.cases[answers.cases["failed"] != ""]
    return found[["case", "seed", "build", "truth", "sampling_s", "failed"]].assign(truth=found["truth"].map(", ".join))


def excluded(answers: Answers) -> pd.DataFrame:
    """True modes that were graded excluded."""
    from forensics.study.answers import true_mode_excluded

    about = answers.cases[["case", "build", "severity", "onset", "sampling_s", "points", "seed"]]
    return true_mode_excluded(answers)[["case", "mode", "db"]].merge(about, on="case")
