"""How words and amounts become decibans: the strict reading of ``rules/weighing.toml``.

A word of a sign stands for a likelihood ratio; a curve says what part of its decibans a finding carries by how far its
estimate lies beyond the limit; shares say what further links of one chain and further answers of one sensor still add.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Literal

from pydantic import Field

from forensics.errors import InputError, Problem
from forensics.hypotheses.modes import WORDS
from forensics.model.vocabulary import Outcome
from forensics.rules import FOLDER
from forensics.rules.error_rate import StudyOf
from forensics.rules.strict import Form, read_form

SIGNS = FOLDER / "study" / "signs.toml"


class Curve(Form):
    """Parameters of the curve that turns an amount into a part of a word's decibans.

    Attributes
    ----------
    at_limit
        Part of the decibans that an effect surely beyond its limit carries, just beyond it.
    cap
        Most that a gross effect carries, as a multiple of the word's decibans.
    limit_doubt
        Standard uncertainty of the limit itself, as a share of the scale: no limit of practice is a cliff.
    scale
        Distance beyond the limit at which the word carries exactly its decibans, in the unit of the finding; None
        where the rules of the file give it by the limit and its unit.
    source
        ``trade`` or ``study``: where the numbers come from.
    present_share, absent_share
        What the study found the word worth where the check is present, and where it is absent: a share of all the
        decibans; 1 where it found nothing else.
    """

    at_limit: float = Field(ge=0.0, le=1.0)
    cap: float = Field(gt=1.0)
    limit_doubt: float = Field(gt=0.0)
    scale: float | None = Field(default=None, gt=0.0)
    source: Literal["trade", "study"]
    present_share: float = Field(default=1.0, ge=0.0)
    absent_share: float = Field(default=1.0, ge=0.0)


class _Changed(Form):
    """What a check, or a check for one mode, changes of the default curve."""

    at_limit: float | None = Field(default=None, ge=0.0, le=1.0)
    cap: float | None = Field(default=None, gt=1.0)
    limit_doubt: float | None = Field(default=None, gt=0.0)
    scale: float | None = Field(default=None, gt=0.0)
    source: Literal["trade", "study"]


class _OfCheck(_Changed):
    modes: Mapping[str, _Changed] = {}


class _Curves(Form):
    default: Curve
    scale_by_unit: Mapping[str, float] = {}
    check: Mapping[str, _OfCheck] = {}


class Curves:
    """The curve of each check and mode; what nobody measured has the default of the trade."""

    def __init__(self, given: _Curves, shares: Mapping[tuple[str, str, str], float]) -> None:
        self._given = given
        self._shares = shares
        self._made: dict[tuple[str, str], Curve] = {}

    def of(self, check: str, mode: str) -> Curve:
        """The curve of a check for a mode."""
        key = (check, mode)
        if key not in self._made:
            changed = self._given.check.get(check)
            parts: list[_Changed] = [] if changed is None else [changed]
            parts += [changed.modes[mode]] if changed is not None and mode in changed.modes else []
            values = self._given.default.model_dump()
            for part in parts:
                values |= {k: v for k, v in part.model_dump(exclude={"modes"}).items() if v is not None}
            for outcome in (Outcome.PRESENT.value, Outcome.ABSENT.value):
                if (check, mode, outcome) in self._shares:
                    values |= {f"{outcome}_share": self._shares[check, mode, outcome], "source": "study"}
            self._made[key] = Curve(**values)
        return self._made[key]

    def by_unit(self, unit: str) -> float | None:
        """Scale of a unit whose zero means nothing, as that of a temperature in °C; None for others."""
        return self._given.scale_by_unit.get(unit)


@dataclass(frozen=True, slots=True)
class Scale:
    """Likelihood ratios of the four words, curves, and the ratios at which grades change (``rules/weighing.toml``)."""

    ratio: Mapping[str, float]
    curves: Curves
    chains: Mapping[str, str]
    beats_all_others_by: float
    prior_change: float
    effects_min: int
    strong_part_min: float
    possible_ratio_min: float
    possible_behind_best_max: float
    second_fault_ratio_min: float
    unshown_rival_ratio: float
    missed_share: float
    unlisted_share: float
    unlisted_prior: float
    chain_share: float
    sensor_share: float
    exclude_part_min: float
    seen_part_min: float
    clear_part_min: float
    clear_sign_ratio_max: float
    lean_chance_min: float
    clear_change_part_max: float
    clear_chance_max: float
    limit_change: float
    weaker_by_db: float
    alarm_near_s: float
    alarm_words: tuple[str, ...]
    alarm_over: tuple[str, ...]

    def points(self, word: str) -> float:
        """Ten times the decimal logarithm of a word's likelihood ratio."""
        return points_of(self.ratio[word])


def by_words(scale: Scale) -> Scale:
    """The scale with every finding weighed by its word alone, however far beyond its limit it lies."""
    return replace(scale, curves=_Words())


def each_by_itself(scale: Scale) -> Scale:
    """The scale with links of a chain and findings of one sensor weighed as if each told something new."""
    return replace(scale, chains={}, chain_share=1.0, sensor_share=1.0)


class _Words(Curves):
    """One step at the limit, for every check."""

    def __init__(self) -> None:
        self._made = {}

    def of(self, check: str, mode: str) -> Curve:
        """All of the word beyond the limit."""
        return Curve(at_limit=1.0, cap=1.0 + 1e-9, limit_doubt=1e-9, source="trade")

    def by_unit(self, unit: str) -> float | None:
        """Of no matter: a step has no scale."""
        return 1.0


def points_of(ratio: float) -> float:
    """Points (decibans) of a likelihood ratio: ten times its decimal logarithm."""
    return 10.0 * math.log10(ratio)


class _Weight(Form):
    ratio: float = Field(gt=0)
    meaning: str


class _WeighingRules(Form):
    beats_all_others_by: float = Field(gt=0)
    prior_change: float = Field(ge=1)
    effects_min: int = Field(ge=1)
    strong_part_min: float = Field(ge=0, le=1)
    possible_ratio_min: float = Field(ge=1)
    possible_behind_best_max: float = Field(ge=1)
    second_fault_ratio_min: float = Field(ge=1)
    unshown_rival_ratio: float = Field(ge=1)
    missed_share: float = Field(ge=0, le=1)
    unlisted_share: float = Field(ge=0, le=1)
    unlisted_prior: float = Field(gt=0, le=1)
    chain_share: float = Field(ge=0, le=1)
    sensor_share: float = Field(ge=0, le=1)
    exclude_part_min: float = Field(ge=0, le=1)
    seen_part_min: float = Field(ge=0, le=1)
    clear_part_min: float = Field(ge=0, le=1)
    clear_sign_ratio_max: float = Field(ge=1)
    lean_chance_min: float = Field(gt=0.5, le=1)
    clear_change_part_max: float = Field(ge=0, le=1)
    clear_chance_max: float = Field(gt=0, lt=0.5)
    limit_change: float = Field(gt=0)
    weaker_by_db: float = Field(gt=0)
    source: str = Field(min_length=1)


class _Alarms(Form):
    near_s: float
    words: tuple[str, ...]
    over: tuple[str, ...]


class _WeighingFile(Form):
    """``rules/weighing.toml``."""

    words: Mapping[str, _Weight]
    curves: _Curves
    rules: _WeighingRules
    chains: Mapping[str, tuple[str, ...]]
    alarms: _Alarms


class _Fit(Form):
    """What the study found one sign of one mode worth: a share of the decibans of its word, and what it rests on."""

    check: str = Field(min_length=1)
    mode: str = Field(min_length=1)
    outcome: Literal["present", "absent"]
    share: float = Field(ge=0.0)
    low: float = Field(ge=0.0)
    high: float
    true: float = Field(ge=0.0)
    true_of: float = Field(gt=0.0)
    false: float = Field(ge=0.0)
    false_of: float = Field(gt=0.0)


class StudyShares(Form):
    """``rules/study/signs.toml``."""

    study: StudyOf
    fit: tuple[_Fit, ...]


def _shares() -> dict[tuple[str, str, str], float]:
    if not SIGNS.is_file():
        return {}
    return {(fit.check, fit.mode, fit.outcome): fit.share for fit in read_form(StudyShares, SIGNS).fit}


@cache
def read_scale(*, with_study: bool = True) -> Scale:
    """Read the scale of weights; the words must fall in the order decisive, strong, moderate, weak, all above 1.

    Parameters
    ----------
    with_study
        Whether words weigh what the study found them worth; False: the trade's words alone, to fit the study on.
    """
    file = read_form(_WeighingFile, FOLDER / "weighing.toml")
    if set(file.words) != set(WORDS):
        raise InputError(
            [Problem(f"the words are {', '.join(WORDS)}, each once", file="weighing.toml", column="words")]
        )
    ratio = {word: file.words[word].ratio for word in WORDS}
    values = [ratio[word] for word in WORDS]
    if values != sorted(values, reverse=True) or values[-1] <= 1.0:
        raise InputError([Problem("the ratios must fall from decisive to weak and stay above 1", file="weighing.toml")])
    return Scale(
        ratio=ratio,
        curves=Curves(file.curves, _shares() if with_study else {}),
        chains={check: chain for chain, checks in file.chains.items() for check in checks},
        alarm_near_s=file.alarms.near_s,
        alarm_words=file.alarms.words,
        alarm_over=file.alarms.over,
        **file.rules.model_dump(exclude={"source"}),
    )
