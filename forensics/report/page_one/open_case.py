"""An undetermined case in plain words: what leads and by how much, what is missing, and which test would settle it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from forensics.hypotheses.evidence import NextTest
from forensics.hypotheses.modes import FailureMode, read_modes
from forensics.hypotheses.scale import Scale, read_scale
from forensics.model.vocabulary import Grade, Mode
from forensics.report.words.plain import LIVE, check_words, finding_says, mode_name, small
from forensics.report.words.units import readable
from forensics.results.schema import FindingsFile, HypothesisRow, UnlistedRow
from forensics.rules import read_checks

MOST_MISSING, MOST_SIGNS = 3, 2
_LEVEL, _FAR = 1.5, 1000.0
_HEAVY = ("decisive", "strong", "moderate", "weak")
BARE_SETTLED = (
    "the memories of controller, protection and recorder, an export with shorter intervals if one was kept, and an "
    "inspection of the machine"
)


@dataclass(frozen=True)
class Row:
    """One line of what is open: its name, and what there is to say."""

    name: str
    says: str


def leader_and_next(findings: FindingsFile) -> tuple[HypothesisRow | None, HypothesisRow | UnlistedRow | None]:
    """The live cause with most decibans, and the next: another live one, else the likeliest that is not ruled out."""
    live = [h for h in findings.graded if h.grade in LIVE and h.mode is not Mode.NONE]
    live.sort(key=lambda h: (-h.decibans, h.mode.value))
    if not live:
        return None, None
    others: list[HypothesisRow | UnlistedRow] = list(live[1:])
    if not others:
        others = [
            h for h in findings.hypotheses if h.mode not in (live[0].mode, Mode.NONE) and h.grade is not Grade.EXCLUDED
        ]
        others.sort(key=lambda h: (-h.decibans, str(h.mode)))
    return live[0], others[0] if others else None


def open_rows(findings: FindingsFile, tests: Sequence[NextTest]) -> list[Row]:
    """What leads, by how much, what is missing and what would settle it; nothing is left out where it is nothing.

    Parameters
    ----------
    tests
        What may be tested, the first first; a reading of the same record is none.
    """
    leader, second = leader_and_next(findings)
    if leader is None:
        return _bare(findings)
    rule = read_modes(read_checks()).by_id.get(leader.mode.value)
    by_id = {f.id: f for f in findings.findings}
    signs = [small(finding_says(by_id[i])) for i in leader.for_ if i in by_id][:MOST_SIGNS]
    seen = f" – {'; '.join(dict.fromkeys(signs))}" if signs else ""
    rows = [Row("What leads", f"{mode_name(leader.mode.value)}{seen}")]
    if second is not None:
        rows.append(Row("By how much", f"{_lead(leader, second)}. {_bar(read_scale())}"))
    rivals = _rivals(findings, leader, rule)
    rows.append(Row("What is missing", _missing(findings, leader, rivals, rule)))
    rows.append(Row("What would settle it", _settles(leader, rivals, tests)))
    return rows


def _bare(findings: FindingsFile) -> list[Row]:
    causes = [h for h in findings.graded if h.mode is not Mode.NONE]
    out = sum(h.grade is Grade.EXCLUDED for h in causes)
    return [
        Row("What leads", f"no cause; of {len(causes)} that were weighed, {out or 'none'} could be ruled out"),
        Row("What is missing", "readings close enough together, or of the right quantities, to show what happened"),
        Row("What would settle it", BARE_SETTLED),
    ]


def _lead(leader: HypothesisRow, second: HypothesisRow | UnlistedRow) -> str:
    name = "a cause that is not in the list" if isinstance(second, UnlistedRow) else small(mode_name(second.mode.value))
    ratio = 10.0 ** ((leader.decibans - second.decibans) / 10.0)
    if ratio < _LEVEL:
        return f"on these data no likelier than the next, {name}"
    told = f"more than {readable(_FAR)}" if ratio > _FAR else f"about {readable(float(f'{ratio:.1g}'))}"
    return f"on these data {told} times as likely as the next, {name}"


def _bar(scale: Scale) -> str:
    effects = {2: "two"}.get(scale.effects_min, str(scale.effects_min))
    return (
        "A verdict asks more: it must stay the likeliest even if any other cause is held "
        f"{readable(scale.prior_change)} times as common, and show in at least {effects} separate ways"
    )


def _rivals(findings: FindingsFile, leader: HypothesisRow, rule: FailureMode | None) -> list[HypothesisRow]:
    """Causes that are live beside the leader, then its look-alikes that are not ruled out."""
    alike = [] if rule is None else [look.mode for look in rule.look_alikes]
    rows = {h.mode.value: h for h in findings.graded if h.mode not in (leader.mode, Mode.NONE)}
    live = [h for h in rows.values() if h.grade in LIVE]
    near = [rows[m] for m in alike if m in rows and rows[m].grade is not Grade.EXCLUDED]
    order = (*sorted(live, key=lambda h: -h.decibans), *sorted(near, key=lambda h: -h.decibans))
    return list({h.mode: h for h in order}.values())


def _missing(
    findings: FindingsFile, leader: HypothesisRow, rivals: Sequence[HypothesisRow], rule: FailureMode | None
) -> str:
    """What the record cannot show: what would part the leader from a rival first, then by the weight of the sign."""
    checks = {f.id: f.check for f in findings.findings}
    shared = {i for h in rivals for i in h.cannot_tell}
    weights = {} if rule is None else {s.check: _HEAVY.index(s.weight) for s in (*rule.for_, *rule.against)}
    silent = sorted(leader.cannot_tell, key=lambda i: (i not in shared, weights.get(checks.get(i, ""), len(_HEAVY))))
    words = [w for i in silent if (w := check_words(checks.get(i, ""))) is not None]
    named = list(dict.fromkeys(f"whether {w.whether}" for w in words))[:MOST_MISSING]
    if named:
        return f"the record cannot show {'; '.join(named)}"
    names = [small(mode_name(h.mode.value)) for h in rivals][:MOST_SIGNS]
    if names:
        return f"what would rule out {' and '.join(names)}; the record holds no more on it"
    return "the record has told what it can; only an inspection or a test tells more"


def _settles(leader: HypothesisRow, rivals: Sequence[HypothesisRow], tests: Sequence[NextTest]) -> str:
    """The test that parts the leader from a live rival; else what shows the leader itself, and the rival itself."""
    live = [h for h in rivals if h.grade in LIVE]
    for rival in live:
        both = _first(tests, {leader.mode.value, rival.mode.value})
        if both is not None:
            return f"{small(both.test)}; it parts the leading cause from {small(mode_name(rival.mode.value))}"
    told = []
    for row in (leader, *live[:1]):
        shows = _first(tests, {row.mode.value}, alone=True) or _first(tests, {row.mode.value})
        if shows is not None and small(shows.test) not in told:
            told.append(small(shows.test))
    if len(told) > 1:
        return f"{told[0]}; and for {small(mode_name(live[0].mode.value))}: {told[1]}"
    return told[0] if told else BARE_SETTLED


def _first(tests: Sequence[NextTest], modes: set[str], *, alone: bool = False) -> NextTest | None:
    """The first test that bears on all of these causes; with ``alone`` on no other."""
    splits = [(t, {str(m) for m in t.splits}) for t in tests]
    return next((t for t, on in splits if (on == modes if alone else modes <= on)), None)
