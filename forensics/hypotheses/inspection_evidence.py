"""What was seen, done and measured by hand: how each remark bears on the modes, and the teardown set against the data.

A witness or a document can make a mode worth asking about; only an inspection or a test that shows the cause itself
confirms, and only beside data. A remark that shows mere opportunity, doubt, or a part found in order does not.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Literal

from pydantic import Field, RootModel

from forensics.case.schema import Measurement, Observation, local_to_utc
from forensics.errors import InputError, Problem
from forensics.hypotheses.evidence import Evidence, TeardownRow
from forensics.hypotheses.modes import Modes, Scale
from forensics.model.points import NS
from forensics.model.vocabulary import Mode
from forensics.rules import FOLDER
from forensics.rules.strict import Form, read_form

BY_HAND = ("inspection", "test")
SHORT_WORD = 3


@dataclass(frozen=True, slots=True)
class Remark:
    """One observation or measurement as evidence.

    Attributes
    ----------
    id
        ``observation N`` or ``measurement N``, numbered from 1 in the order of the case file.
    weight
        Word of the scale of weights.
    firm
        False for what a witness or a document says: it never lifts a grade above possible.
    shows_cause
        Whether it shows the cause itself and so can confirm.
    """

    id: str
    mode: str
    supports: bool
    weight: str
    firm: bool
    shows_cause: bool
    basis: str


def remarks_of(evidence: Evidence, scale: Scale) -> tuple[Remark, ...]:
    """Every observation and measurement of the case as it bears on the modes.

    Raises
    ------
    InputError
        A measurement that the rules know has another unit than theirs.
    """
    found: list[Remark] = []
    for number, observation in enumerate(evidence.observations, 1):
        found.extend(_observed(f"observation {number}", observation, evidence, scale))
    problems: list[Problem] = []
    for number, measurement in enumerate(evidence.measurements, 1):
        try:
            found.extend(_measured(f"measurement {number}", measurement, evidence.modes))
        except InputError as fault:
            problems.extend(fault.problems)
    if problems:
        raise InputError(problems)
    return tuple(found)


def _observed(name: str, observation: Observation, evidence: Evidence, scale: Scale) -> list[Remark]:
    by_hand = observation.kind in BY_HAND
    doubt = doubtful(observation.text, supports=observation.supports, scale=scale)
    early = _before_window(observation, evidence)
    shows = by_hand and observation.supports and not doubt and not early
    firm = by_hand and not doubt and not early
    basis = f"{observation.kind} by {observation.by or 'an unnamed author'}"
    if by_hand and doubt:
        basis += f" ({doubt})"
    if by_hand and early:
        basis += " (made before the period that is judged)"
    weight = "strong" if firm else "weak"
    return [
        Remark(name, str(mode), observation.supports, weight, firm, shows, basis)
        for mode in observation.bears_on
        if str(mode) in evidence.modes.by_id
    ]


def doubtful(text: str, *, supports: bool, scale: Scale) -> str:
    """Why an inspection's text does not show what it is filed under; empty where it does."""
    low = text.casefold()
    word = next((word for word in scale.not_shown if word in low), None)
    if word is not None:
        return f"it speaks of opportunity or doubt: '{word}'"
    word = next((word for word in scale.in_order if word in low), None)
    if supports and word is not None:
        return f"it tells of a part found in order: '{word}'"
    return ""


def _before_window(observation: Observation, evidence: Evidence) -> bool:
    if observation.time is None:
        return False
    time_ns = round(local_to_utc(observation.time, evidence.time_zone).timestamp() * NS)
    return time_ns < evidence.window.start_ns


class _MeasurementRule(Form):
    """One table of ``rules/measurements.toml``: the limit of a bench or field test, and which modes it speaks for."""

    unit: str = Field(min_length=1)
    limit: float
    shows_limit: float | None = None
    side: Literal["above", "below"]
    shows: tuple[Mode, ...] = ()
    favours: tuple[Mode, ...] = ()
    consequence: tuple[Mode, ...] = ()
    basis: str = Field(min_length=1)


class _MeasurementFile(RootModel[dict[str, _MeasurementRule]]):
    pass


@cache
def read_measurements() -> Mapping[str, _MeasurementRule]:
    """Rules of the bench and field tests by kind (``rules/measurements.toml``)."""
    return read_form(_MeasurementFile, FOLDER / "measurements.toml").root


def _measured(name: str, measurement: Measurement, modes: Modes) -> list[Remark]:
    rule = read_measurements().get(measurement.kind)
    if rule is None:
        return []
    if measurement.unit and measurement.unit.casefold() != rule.unit.casefold():
        text = f"'{measurement.kind}' is read in {rule.unit}, not in '{measurement.unit}'"
        raise InputError([Problem(text, file="case.toml", column=name, remedy="Give the value in that unit.")])
    beyond = measurement.value < rule.limit if rule.side == "below" else measurement.value > rule.limit
    found = []
    by_key = {"shows": ("strong", rule.shows), "favours": ("moderate", rule.favours)}
    for key, (weight, spoken_for) in {**by_key, "consequence": ("weak", rule.consequence)}.items():
        for mode in spoken_for:
            if mode in modes.by_id and (beyond or key == "shows"):
                shows = key == "shows" and _shows(measurement.value, rule, beyond=beyond)
                told = weight if shows or (beyond and key != "shows") else "moderate"
                firm = key != "consequence"
                found.append(Remark(name, mode, beyond, told, firm, shows, rule.basis))
    return found


def _shows(value: float, rule: _MeasurementRule, *, beyond: bool) -> bool:
    """Whether a value shows the cause itself: beyond its limit, and beyond ``shows_limit`` where there is one."""
    if rule.shows_limit is None:
        return beyond
    return value < rule.shows_limit if rule.side == "below" else value > rule.shows_limit


def teardown(
    evidence: Evidence, remarks: tuple[Remark, ...], present: Mapping[str, tuple[str, ...]], proven: tuple[str, ...]
) -> tuple[TeardownRow, ...]:
    """Each physical finding against the data and each proven mode against the physical findings; what fits nothing.

    Parameters
    ----------
    present
        For each mode the ids of present findings that speak for it.
    proven
        Modes that the data prove: one without a physical counterpart is listed too.
    """
    rows: list[TeardownRow] = []
    things: list[tuple[str, str, str, str]] = []
    for number, seen in enumerate(evidence.observations, 1):
        when = "" if seen.time is None else seen.time.isoformat()
        things.append((f"observation {number}", f"{seen.kind}: {seen.text}", when, seen.by))
    for number, value in enumerate(evidence.measurements, 1):
        when = "" if value.time is None else value.time.isoformat()
        things.append((f"measurement {number}", f"{value.kind} {value.value:g} {value.unit}".strip(), when, value.by))
    met: set[str] = set()
    for name, what, when, by in things:
        mine = [remark for remark in remarks if remark.id == name]
        fits = tuple(remark.mode for remark in mine if remark.supports)
        denies = tuple(remark.mode for remark in mine if not remark.supports)
        data = tuple(dict.fromkeys(one for mode in fits for one in present.get(mode, ())))
        met.update(fits)
        note = _note(mine, fits, denies, data, proven)
        like = _reads_like(what, evidence.modes) if not mine else ()
        if like:
            note += f"; it reads like what {' or '.join(like)} leaves behind: file it with bears_on where it does"
        rows.append(TeardownRow(what, when, by, fits, denies, data, note))
    for mode in proven:
        if things and mode not in met:
            note = "the data show it; no physical finding of the case speaks of it"
            rows.append(TeardownRow(f"data: {mode}", "", "", (mode,), (), present.get(mode, ()), note))
    return tuple(rows)


def _reads_like(text: str, modes: Modes) -> tuple[str, ...]:
    """Modes whose file names a physical trace that the text speaks of, word for word."""
    words = {word.strip(".,;:()").casefold() for word in text.split()}
    return tuple(
        mode.id
        for mode in modes.causes
        if any(
            {word for word in trace.casefold().split() if len(word) > SHORT_WORD} <= words for trace in mode.physical
        )
    )


def _note(
    mine: list[Remark], fits: tuple[str, ...], denies: tuple[str, ...], data: tuple[str, ...], proven: tuple[str, ...]
) -> str:
    if not mine:
        return "bears on no mode as it is filed: it fits nothing in the data"
    against = [mode for mode in denies if mode in proven]
    if against:
        return f"speaks against what the data show ({', '.join(against)})"
    if fits and not data:
        return "has no counterpart in the data"
    if fits:
        return "has a counterpart in the data"
    return "speaks against modes that the data do not show either"
