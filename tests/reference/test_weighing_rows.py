"""Weighing: rows of area ST on Bayes' rule, and rows of area FE on the ladder of certainty.

Sources: Bayes' rule (computed), the guideline for evaluative reporting of ENFSI, 2015 (from memory), NFPA 921 by clause
(secondary sources, not checked against the standard). The modes here are invented: every likelihood is the row's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest
from check_values import Row, numbers

from forensics.errors import InputError
from forensics.hypotheses.answers import answers
from forensics.hypotheses.judge import Circumstances, Judgement, judge
from forensics.hypotheses.modes import FailureMode, Modes, read_modes
from forensics.hypotheses.scale import Scale, points_of, read_scale
from forensics.hypotheses.score import Score, tally
from forensics.model.findings import Finding
from forensics.model.vocabulary import Grade, Outcome, VerdictStatus
from forensics.rules import FOLDER, read_checks

Rows = dict[str, Row]
Sign = tuple[str, str, str]
WORDS = ("decisive", "strong", "moderate", "weak")


def scale_of(**ratio: float) -> Scale:
    """The scale that ships, with the likelihood ratios of a row.

    The rows speak of the half alone: a closed list, equal priors and one finding. What the scale asks beside it (two
    effects, other priors, a cause that is not in the list) is taken off here and has tests of its own.
    """
    bare = replace(read_scale(), prior_change=1.0, effects_min=1, unlisted_prior=1e-12)
    return replace(bare, ratio={**bare.ratio, **ratio})


def made(name: str, *signs: Sign, against: tuple[Sign, ...] = (), needs: str = "x.seen") -> FailureMode:
    """A mode whose signs are (check, weight, effect)."""

    def listed(given: tuple[Sign, ...]) -> list[dict[str, str]]:
        return [{"check": c, "weight": w, "effect": e, "basis": "invented"} for c, w, e in given]

    return FailureMode.model_validate(
        {
            "id": name,
            "title": name,
            "chain": [name],
            "for": listed(signs),
            "against": listed(against),
            "required": [{"any": [needs], "basis": "invented"}],
            "action": "none",
            "caution": "none",
            "source": "invented",
        }
    )


def found(check: str, outcome: str = "present") -> Finding:
    return Finding(check, check, Outcome(outcome), check, samples=20)


def account(mode: FailureMode, scale: Scale, *findings: Finding) -> Score:
    return tally(mode, answers(findings, polarity_confirmed=True), (), scale)


def posterior(prior: float, points: float) -> float:
    """Posterior of a prior share after evidence of so many points: odds times likelihood ratio."""
    odds = prior / (1.0 - prior) * 10.0 ** (points / 10.0)
    return odds / (1.0 + odds)


def test_posterior_of_a_diagnostic_test(rows: Rows) -> None:
    """ST-053."""
    prior, hit, false_alarm = (percent / 100.0 for percent in rows["ST-053"].given)
    assert posterior(prior, points_of(hit / false_alarm)) == rows["ST-053"].about()


def test_points_of_independent_findings_add(rows: Rows) -> None:
    """ST-054: ratios 4, 0.5 and 10; what speaks against takes its points off."""
    prior, four, half, ten = numbers(rows["ST-054"].quantity)
    scale = scale_of(strong=ten, moderate=four, weak=1.0 / half)
    mode = made("a", ("x.a", "strong", ""), ("x.b", "moderate", ""), against=(("x.c", "weak", ""),))
    net = account(mode, scale, found("x.a"), found("x.b"), found("x.c")).net
    assert net == pytest.approx(points_of(four * half * ten))
    assert posterior(prior, net) == rows["ST-054"].about()


def test_one_effect_shown_twice_counts_once(rows: Rows) -> None:
    """ST-055: named as two effects the same signal would lift 0.5 to 0.8."""
    twice, once = rows["ST-055"].values
    scale = scale_of(moderate=4.0)
    both = (found("x.a"), found("x.b"))
    one_effect = made("a", ("x.a", "moderate", "same"), ("x.b", "moderate", "same"))
    assert posterior(0.20, account(one_effect, scale, *both).net) == pytest.approx(once)
    two_effects = made("a", ("x.a", "moderate", ""), ("x.b", "moderate", ""))
    assert posterior(0.20, account(two_effects, scale, *both).net) == pytest.approx(twice)


def judged(likelihoods: Mapping[str, float]) -> tuple[Judgement, dict[str, Score], Scale]:
    """One finding that all modes explain, each with its own likelihood (times a thousand); every mode starts equal."""
    sizes = sorted(set(likelihoods.values()), reverse=True)
    word = dict(zip(sizes, WORDS, strict=False))
    scale = scale_of(**{name: 1000.0 * size for size, name in word.items()})
    modes = Modes({name: made(name, ("x.seen", word[size], "")) for name, size in likelihoods.items()})
    tallies = {name: account(mode, scale, found("x.seen")) for name, mode in modes.by_id.items()}
    return judge(tallies, modes, scale, Circumstances("trip")), tallies, scale


def test_posterior_of_several_hypotheses(rows: Rows) -> None:
    """ST-056: priors times likelihoods, over their sum; the one above a half is the one that is named."""
    row = rows["ST-056"]
    priors, likelihoods = row.given[:4], row.given[4:]
    joint = {name: p * q for name, p, q in zip("abcd", priors, likelihoods, strict=True)}
    judgement, tallies, _ = judged(joint)
    ratios = {name: 10.0 ** (one.net / 10.0) for name, one in tallies.items()}
    shares = [ratio / sum(ratios.values()) for ratio in ratios.values()]
    for place, share in enumerate(shares):
        assert share == row.about(place)
    assert (judgement.status, judgement.cause) == (VerdictStatus.DETERMINED, "b")


def test_what_is_missing_changes_nothing(rows: Rows) -> None:
    """ST-057: cannot-tell, and a check that nobody answered, have the ratio 1."""
    assert rows["ST-057"].expected == "unchanged"
    mode = made("a", ("x.a", "decisive", ""), ("x.b", "strong", ""), against=(("x.c", "strong", ""),))
    silent = account(mode, read_scale(), found("x.a", "cannot-tell"), found("x.c", "cannot-tell"))
    assert silent.net == 0.0
    assert posterior(0.20, silent.net) == pytest.approx(0.20)
    assert not silent.excluded_by


def test_no_word_claims_more_than_the_verbal_scale(rows: Rows) -> None:
    """ST-058: a word stands for a ratio no higher than where the scale of reporting begins to use it."""
    words = [word.strip() for word in rows["ST-058"].expected.split(";")]
    begins = dict(zip(words, (1.0, 2.0, 10.0, 100.0, 1e3, 1e4, 1e6), strict=True))
    ratio = read_scale().ratio
    assert ratio["weak"] <= begins["weak"]
    assert ratio["moderate"] <= begins["moderate"]
    assert ratio["strong"] <= begins["strong"]
    assert ratio["decisive"] <= begins["extremely strong"]
    text = (FOLDER / "weighing.toml").read_text(encoding="utf-8")
    assert "ENFSI" in text
    assert "a finding counts for less here than there" in " ".join(text.replace("# ", "").split())


# -- the ladder of certainty ------------------------------------------------------------------------------------------


def test_equal_likelihoods_are_never_probable(rows: Rows) -> None:
    """FE-007, NFPA 921-2014 clause 4.5.1(2): 0.45, 0.45 and 0.10."""
    assert rows["FE-007"].expected == "level must be possible, never probable"
    judgement, _, _ = judged({"a": 0.45, "b": 0.45, "c": 0.10})
    assert judgement.status is VerdictStatus.UNDETERMINED
    assert judgement.cause is None
    assert {judgement.grades[name] for name in "ab"} == {Grade.POSSIBLE}
    assert Grade.PROBABLE not in judgement.grades.values()


def test_a_share_above_a_half_is_probable(rows: Rows) -> None:
    """FE-008, NFPA 921-2014 clause 4.5.1(1): 0.62 against a runner-up of 0.20."""
    assert rows["FE-008"].given[:2] == (0.62, 0.20)
    judgement, _, _ = judged({"a": 0.62, "b": 0.20, "c": 0.18})
    assert (judgement.cause, judgement.grades["a"]) == ("a", Grade.PROBABLE)
    assert judgement.grades["b"] is not Grade.PROBABLE


@pytest.mark.parametrize(("share", "grade"), [(0.51, Grade.PROBABLE), (0.50, Grade.POSSIBLE), (0.49, Grade.POSSIBLE)])
def test_levels_of_certainty(rows: Rows, share: float, grade: Grade) -> None:
    """FE-006: probable is above a half, possible is feasible, and there is no word for a suspicion."""
    assert "probable = likelihood above 50 %" in rows["FE-006"].expected
    judgement, _, _ = judged({"a": share, "b": 1.0 - share})
    assert judgement.grades["a"] is grade
    assert not [word for word in Grade if "suspect" in word.value]


def test_elimination_alone_is_no_finding(rows: Rows, tmp_path: Path) -> None:
    """FE-003: the last mode that is left has nothing for it, and a mode without a strong sign is refused."""
    assert rows["FE-003"].expected == "top hypothesis needs positive evidence"
    scale = read_scale()
    modes = Modes(
        {
            "a": made("a", ("x.a", "decisive", ""), needs="x.a"),
            "b": made("b", ("x.b", "decisive", ""), needs="x.b"),
            "c": made("c", ("x.c", "decisive", ""), needs="x.c"),
        }
    )
    seen = (found("x.a", "cannot-tell"), found("x.b", "absent"), found("x.c", "absent"))
    judgement = judge(
        {name: account(mode, scale, *seen) for name, mode in modes.by_id.items()}, modes, scale, Circumstances("trip")
    )
    assert (judgement.status, judgement.cause) == (VerdictStatus.UNDETERMINED, None)
    assert judgement.grades["a"] is Grade.NOT_OBSERVABLE
    assert {judgement.grades["b"], judgement.grades["c"]} == {Grade.EXCLUDED}
    text = (FOLDER / "modes" / "high-head.toml").read_text(encoding="utf-8")
    weakened = text.replace('weight = "decisive"', 'weight = "moderate"').replace(
        'weight = "strong"', 'weight = "weak"'
    )
    (tmp_path / "high-head.toml").write_text(weakened, encoding="utf-8")
    with pytest.raises(InputError, match="elimination alone never makes a cause"):
        read_modes(read_checks(), tmp_path)


def test_undetermined_is_an_answer(rows: Rows) -> None:
    """FE-004: nothing passes, several stay equal, or the data are insufficient."""
    assert rows["FE-004"].expected.startswith("undetermined emitted when no hypothesis passes")
    scale = read_scale()
    weak = made("a", ("x.seen", "weak", ""))
    blind = made("a", ("x.seen", "decisive", ""))
    for mode, outcome in ((weak, "present"), (blind, "cannot-tell")):
        modes = Modes({"a": mode})
        judgement = judge({"a": account(mode, scale, found("x.seen", outcome))}, modes, scale, Circumstances("trip"))
        assert judgement.status is VerdictStatus.UNDETERMINED
    tie, _, _ = judged({"a": 0.3, "b": 0.3, "c": 0.3})
    assert tie.status is VerdictStatus.UNDETERMINED


# -- what the scale asks beside the half ------------------------------------------------------------------------------


@pytest.mark.parametrize(("change", "cause"), [(1.0, "a"), (10.0, None)])
def test_a_prior_ten_times_lower_must_not_change_a_probable(change: float, cause: str | None) -> None:
    """20 x 2 to 1 against 5 to 1 and what is not in the list: likelier than both, not so at a tenth of its prior."""
    scale = replace(read_scale(), prior_change=change)
    modes = Modes({"a": made("a", ("x.a", "strong", ""), ("x.b", "weak", "")), "b": made("b", ("x.c", "moderate", ""))})
    seen = (found("x.a"), found("x.b"), found("x.c"))
    tallies = {name: account(mode, scale, *seen) for name, mode in modes.by_id.items()}
    assert judge(tallies, modes, scale, Circumstances("trip")).cause == cause


@pytest.mark.parametrize(("prior", "cause"), [(0.5, "a"), (50.0, None)])
def test_a_cause_that_is_not_in_the_list_is_held_against_each(prior: float, cause: str | None) -> None:
    scale = replace(read_scale(), unlisted_prior=prior)
    modes = Modes({"a": made("a", ("x.a", "strong", ""), ("x.b", "moderate", ""))})
    tallies = {"a": account(modes["a"], scale, found("x.a"), found("x.b"))}
    assert judge(tallies, modes, scale, Circumstances("trip")).cause == cause


def test_one_effect_is_never_probable_however_decisive() -> None:
    scale = read_scale()
    modes = Modes({"a": made("a", ("x.a", "decisive", "one"), ("x.b", "decisive", "one"))})
    tallies = {"a": account(modes["a"], scale, found("x.a"), found("x.b"))}
    assert judge(tallies, modes, scale, Circumstances("trip")).cause is None
