"""The sections of the comparison, each one call of the sites notebook: they display, and change nothing."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from forensics.errors import InputError
from forensics.report.binding.markup import render, show_markup, show_plate
from forensics.report.context import show_problems
from forensics.report.running.comparison_page import leave_summary, show_listed, show_note
from forensics.report.words.cautions import cautions
from forensics.rules import read_limits
from forensics.sites import figures, tables
from forensics.sites.fleet import Fleet, read_fleet
from forensics.sites.gather import Collection, gather
from forensics.sites.iso14224 import read_coding
from forensics.sites.life import survival, weibull
from forensics.sites.reruns import reruns

REFUSED = (
    "No rate is given: a count without running hours or starts at risk is no rate. Give the exposure with --fleet "
    "fleet.csv (machine, from, to, hours, starts, still running), the machines that never failed among it."
)


@dataclass(frozen=True)
class Opened:
    """What every section stands on."""

    collection: Collection
    fleet: Fleet | None
    out: Path | None


def open_sites(*, folders: Sequence[str] | str, fleet: str = "", out: str = "") -> Opened:
    """Read all findings files and the exposure.

    Parameters
    ----------
    folders
        Folders of finished cases: a list, or its JSON text as ``papermill -p`` passes it.
    fleet
        Path of ``fleet.csv``; empty: there is none, and rates are refused.
    out
        Folder for the tables as CSV; empty: nothing is written.
    """
    given = json.loads(folders) if isinstance(folders, str) and folders.lstrip().startswith("[") else folders
    names = [given] if isinstance(given, str) else list(given)
    try:
        collection = gather(Path(name) for name in names)
        exposure = read_fleet(Path(fleet), collection) if fleet else None
    except InputError as fault:
        show_problems(fault)
        raise
    left = f", {len(collection.problems)} left out" if collection.problems else ""
    text = f"{len(collection.cases)} cases of {len(collection.machines)} machines"
    leave_summary(f"{text}, {len(collection.counted)} counted{left}")
    return Opened(collection, exposure, Path(out) if out else None)


def _show(opened: Opened, key: str, table: pd.DataFrame, caption: str, *, none: str = "", rows: int = 200) -> None:
    show_listed(table, key, caption, opened.out, none=none, rows=rows)


def overview(opened: Opened) -> None:
    """Display how many cases there are, what could not be read, and the caution."""
    found = opened.collection
    show_note(
        f"{len(found.cases)} finished cases of {len(found.machines)} machines; {len(found.counted)} count, one a "
        f"failure. Findings are technical: who pays is not stated here."
    )
    first, others = cautions()
    show_markup(render("lines.html.j2", {"title": "Cautions", "lines": [first, *(short for short, *_ in others)]}))
    if found.problems:
        lines = [str(problem) for problem in found.problems]
        show_markup(render("lines.html.j2", {"title": "Left out of this comparison", "lines": lines}))
    _show(opened, "verdicts", tables.status_table(found), "What the cases came to", none="No case counts.")


def modes(opened: Opened) -> None:
    """Display failures by mode and grade with their codes."""
    show_plate(figures.modes_plate(opened.collection))
    _, source = read_coding()
    caption = f"Failures by mode. Codes: {source}. Mechanism is what is seen, cause is why; they are not merged"
    _show(opened, "modes", tables.modes_table(opened.collection), caption, none="No mode is graded in any case.")


def cases(opened: Opened) -> None:
    """Display all cases with the worth of their evidence, and failures that were reported twice."""
    table = tables.cases_table(opened.collection)
    _show(opened, "cases", table, "Cases and what their evidence was worth")
    same = tables.same_table(opened.collection)
    _show(opened, "same-failure", same, "The same failure reported twice", none="No failure was reported twice.")


def machines(opened: Opened) -> None:
    """Display starts and coast-downs of every machine, side by side."""
    show_plate(figures.ratios_plate(opened.collection))
    show_plate(figures.coast_plate(opened.collection))
    limits = read_limits()
    caption = (
        "Each machine against its own past (median, lowest to highest, number) and against the last values of machines "
        f"that failed so; outside: modified z above {limits['sites.own_past_z']:g} ({limits.basis('sites.own_past_z')})"
    )
    _show(opened, "machines", tables.machines_table(opened.collection), caption)


def actions(opened: Opened) -> None:
    """Display starts before and after corrective actions, and what later cases say of them."""
    none = (
        "No case names a corrective action. Add a fact 'corrective_action' with its date (2031-04-02 and what was "
        "done) to a later case of the machine."
    )
    table = tables.actions_table(opened.collection)
    _show(opened, "actions", table, "Unloaded starts before and after a corrective action", none=none)
    caption = "Actions that a later case was judged on: gone, still there, or cannot tell yet"
    none = "No case is a follow-up ([follow_up] in the case on later data)."
    _show(opened, "follow-ups", tables.follow_ups_table(opened.collection), caption, none=none)


def rates(opened: Opened) -> None:
    """Display rates with exact intervals, or say why there are none."""
    if opened.fleet is None:
        show_note(REFUSED)
        return
    exposure, starts = opened.fleet, opened.fleet.starts
    known = "a machine lacks its starts, so rates per start are refused" if starts is None else f"{starts:,.0f} starts"
    show_note(f"Exposure: {len(exposure.spells)} periods, {exposure.hours:,.0f} running hours, {known}.")
    caption = "Rates with exact 95 % intervals (Poisson; Garwood 1936), a line a grade"
    _show(opened, "rates", tables.rates_table(opened.collection, exposure), caption)
    if exposure.notes:
        show_markup(render("lines.html.j2", {"title": "Not in the rates or lives", "lines": list(exposure.notes)}))


def life(opened: Opened) -> None:
    """Display the survival curve and the fitted life, machines that still run included."""
    if opened.fleet is None:
        show_note("No life is given: hours of the machines that still run are needed (--fleet fleet.csv).")
        return
    failed, running, _ = opened.fleet.lives([c for c in opened.collection.counted if c.failed])
    curve = survival(failed, running)
    if curve is None:
        show_note(f"No machine of the exposure ended with a failure; {len(running)} still run.")
        return
    fewest = int(read_limits()["sites.fewest_failures"])
    fitted = weibull(failed, running, fewest=fewest)
    show_plate(figures.survival_plate(curve, fitted))
    if fitted is None:
        show_note(
            f"cannot-tell: no life distribution is fitted to {len(failed)} failures; {fewest} at differing times "
            "are needed."
        )
    else:
        caption = (
            "Weibull life by maximum likelihood, machines that still run as censored; a shape above 1 goes with wear, "
            "one below 1 with early failures"
        )
        _show(opened, "weibull", tables.weibull_table(fitted), caption)


def changed(opened: Opened) -> None:
    """Display what re-runs changed in verdicts, and why."""
    table = tables.reruns_table(reruns(opened.collection))
    none = "No case has an earlier result kept beside it."
    _show(opened, "changed", table, "Old cases run again: what changed, and what else differs", none=none)
