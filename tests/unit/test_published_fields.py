"""Every field of the public findings file, from an investigation whose values all differ.

No two values of the stand-in below are equal, so a field that is left out, copied twice or taken from its neighbour
(high for low, after for before) gives another row than the one that is written out here by hand.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from forensics.clocks import ClockFit
from forensics.hypotheses import Hypothesis, Observability, Robustness, Unlisted, Verdict
from forensics.intake import SourceResult
from forensics.intake.exhibits import Exhibit
from forensics.intake.result import Accounting
from forensics.investigation import Investigation
from forensics.machine.runs import StateSpan
from forensics.model.findings import (
    Bounds,
    Cite,
    Finding,
    Ordered,
    Share,
    Start,
    Stop,
    SwitchEvent,
)
from forensics.model.points import OFF, ON, Reading
from forensics.model.vocabulary import (
    Answer,
    ClockMethod,
    Grade,
    Outcome,
    PreviousStop,
    Provable,
    Role,
    Starter,
    State,
    StopKind,
    VerdictStatus,
)
from forensics.results import publish
from forensics.results.machine_rows import StopRow
from forensics.results.publish import CLAIM_FACTS, row_of, to_findings_file
from forensics.results.schema import FindingsFile
from forensics.rules import Limit
from forensics.rules.error_rate import ErrorRate

UNKNOWN = -1
EPOCH_NS = 1_900_000_000 * 1_000_000_000  # 2030-03-17T17:46:40Z, by the calendar


def at(second: int) -> int:
    """A time of its own, ns UTC."""
    return EPOCH_NS + second * 1_000_000_000


def stamp(second: int) -> str:
    return f"2030-03-17T17:46:{40 + second:02d}.000Z"


FINDING = Finding(
    id="oil.difference_low@2",
    check="oil.difference_low",
    outcome=Outcome.CANNOT_TELL,
    statement="words of the finding",
    from_ns=at(1),
    to_ns=at(2),
    value=3.5,
    low=2.5,
    high=4.5,
    unit="kPa",
    limit=5.5,
    limit_name="oil.difference_low",
    above=False,
    basis="basis of the limit",
    cites=(Cite("one.csv", "Oil", (11, 12)), Cite("two.csv", "Suction", (13, 14))),
    sample_interval_s=6.5,
    samples=7,
    why_not="what was missing",
    unlocked_by="what would unlock it",
    detectable=8.5,
    reason="no-point motor_amps",
)
FINDING_ROW = {
    "id": "oil.difference_low@2",
    "check": "oil.difference_low",
    "outcome": "cannot-tell",
    "from_utc": stamp(1),
    "to_utc": stamp(2),
    "value": 3.5,
    "low": 2.5,
    "high": 4.5,
    "unit": "kPa",
    "limit": 5.5,
    "basis": "basis of the limit",
    "cites": [
        {"source": "one.csv", "column": "Oil", "rows": [11, 12]},
        {"source": "two.csv", "column": "Suction", "rows": [13, 14]},
    ],
    "sample_interval_s": 6.5,
    "statement": "words of the finding",
    "why_not": "what was missing",
    "strength": 9.25,
    "detectable": 8.5,
    "reason": "no-point motor_amps",
}

EVENT = SwitchEvent(
    earliest_ns=at(3),
    latest_ns=at(4),
    role=Role.LOAD_SOLENOID,
    to=ON,
    before={Role.MOTOR_AMPS: Reading(21.5, 22.5, 23), Role.OIL_PRESSURE: Reading(24.5, 25.5, 26)},
    after={Role.SUCTION_PRESSURE: Reading(27.5, 28.5, 29)},
    source="one.csv",
    column="Load",
    row=30,
)
EVENT_ROW = {
    "earliest_utc": stamp(3),
    "latest_utc": stamp(4),
    "point": "load_solenoid",
    "to": "on",
    "before": {"motor_amps": {"value": 21.5, "age_s": 22.5}, "oil_pressure": {"value": 24.5, "age_s": 25.5}},
    "after": {"suction_pressure": {"value": 27.5, "age_s": 28.5}},
}

START = Start(
    time_ns=at(6),
    earliest_ns=at(5),
    latest_ns=at(7),
    inrush_amps=31.5,
    inrush_low=31.4,
    inrush_high=31.6,
    inrush_censored="above",
    settled_amps=32.5,
    settled_low=32.4,
    settled_high=32.6,
    settled_censored="below",
    ratio=34.5,
    low=33.5,
    high=35.5,
    ratio_censored="below",
    unloaded=Answer.YES,
    reverse_rotation=Outcome.ABSENT,
    previous_stop=PreviousStop.POWER_LOSS,
    off_s=36.5,
    ran_s=37.5,
    slide_percent=38.5,
)
START_ROW = {
    "time_utc": stamp(6),
    "inrush_amps": 31.5,
    "inrush_amps_low": 31.4,
    "inrush_amps_high": 31.6,
    "inrush_amps_censored": "above",
    "settled_amps": 32.5,
    "settled_amps_low": 32.4,
    "settled_amps_high": 32.6,
    "settled_amps_censored": "below",
    "ratio": 34.5,
    "low": 33.5,
    "high": 35.5,
    "ratio_censored": "below",
    "unloaded": "yes",
    "reverse_rotation": "absent",
    "previous_stop": "power-loss",
}

STOP = Stop(
    time_ns=at(9),
    earliest_ns=at(8),
    latest_ns=at(10),
    kind=StopKind.TRIP,
    reverse_rotation=Outcome.PRESENT,
    reverse_basis="measured",
    bypass_released=Answer.NO,
    equal_at_motor_off=True,
    bypass_opened_s=Bounds(41.1, 41.0, 41.2),
    check_valve_area=Bounds(42.1, 42.0, 42.2),
    equalisation_s=Bounds(None, 43.0, 43.2, "below"),
    high_side_decay_s=44.1,
    high_side_decay_error_s=0.5,
    residual_difference_kpa=45.1,
    residual_error_kpa=0.5,
    reverse_speed_rpm=Bounds(None, 46.0, None, "above"),
    difference_at_stop_kpa=47.5,
)
STOP_ROW = {
    "time_utc": stamp(9),
    "kind": "trip",
    "reverse_rotation": "present",
    "reverse_basis": "measured",
    "bypass_released": "no",
    "equal_at_motor_off": True,
    "bypass_opened_s": 41.1,
    "bypass_opened_s_low": 41.0,
    "bypass_opened_s_high": 41.2,
    "bypass_opened_s_censored": None,
    "check_valve_area_ratio": 42.1,
    "check_valve_area_ratio_low": 42.0,
    "check_valve_area_ratio_high": 42.2,
    "check_valve_area_ratio_censored": None,
    "equalisation_time_constant_s": None,
    "equalisation_time_constant_s_low": 43.0,
    "equalisation_time_constant_s_high": 43.2,
    "equalisation_time_constant_s_censored": "below",
    "high_side_decay_s": 44.1,
    "high_side_decay_s_low": 44.1 - 1.96 * 0.5,
    "high_side_decay_s_high": 44.1 + 1.96 * 0.5,
    "high_side_decay_s_censored": None,
    "residual_difference_kpa": 45.1,
    "residual_difference_kpa_low": 45.1 - 0.5,
    "residual_difference_kpa_high": 45.1 + 0.5,
    "residual_difference_kpa_censored": None,
    "reverse_speed_rpm": None,
    "reverse_speed_rpm_low": 46.0,
    "reverse_speed_rpm_high": None,
    "reverse_speed_rpm_censored": "above",
}

CLOCK = ClockFit(
    clock="panel",
    offset_s=51.5,
    uncertainty_s=52.5,
    method=ClockMethod.ESTIMATED,
    drift_ppm=53.5,
    utc_error_s=54.5,
    candidates_s=(55.5, 56.5),
)
CLOCK_ROW = {
    "clock": "panel",
    "offset_s": 51.5,
    "uncertainty_s": 52.5,
    "drift_ppm": 53.5,
    "utc_error_s": 54.5,
    "method": "estimated",
    "candidates_s": [55.5, 56.5],
}

SOURCE = SourceResult(
    exhibit=Exhibit("exports/one.csv", Path("elsewhere.csv"), "5" * 64, 61, 62),
    kind="trend",
    layout="wide",
    clock="panel",
    accounting=Accounting(
        rows_read=100,
        rows_kept=63,
        set_aside={"duplicate": 20, "no time": 17},
        cells_missing={"no reading": 64, "not a number": 65},
    ),
)
SOURCE_ROW = {
    "path": "exports/one.csv",
    "sha256": "5" * 64,
    "bytes": 61,
    "rows_read": 100,
    "rows_kept": 63,
    "set_aside": {"duplicate": 20, "no time": 17},
    "cells_missing": {"no reading": 64, "not a number": 65},
}

VERDICT = Verdict(
    status=VerdictStatus.DETERMINED,
    mode="slide-stuck",
    grade=Grade.PROBABLE,
    also=("high-head",),
    chain=("a link", "another link"),
    statement="words of the verdict",
    because=("slide.stuck",),
    against=("heat.oil_hot",),
    would_change_it=("an inspection",),
    plain="plain words of the verdict",
)
VERDICT_ROW = {
    "status": "determined",
    "mode": "slide-stuck",
    "grade": "probable",
    "also": ["high-head"],
    "chain": ["a link", "another link"],
    "statement": "words of the verdict",
    "because": ["slide.stuck"],
    "against": ["heat.oil_hot"],
    "would_change_it": ["an inspection"],
    "plain": "plain words of the verdict",
    "error_rate": {"grade": "probable", "right": 861, "of": 862, "low": 0.863, "study": "which cases of which run"},
}

HYPOTHESIS = Hypothesis(
    mode="low-suction",
    grade=Grade.EXCLUDED,
    for_=("f.for",),
    against=("f.against",),
    cannot_tell=("f.open",),
    next_test="the next test",
    reason="the reason",
    decibans=-7.25,
    plain="plain words of the mode",
    detail="a narrower kind",
)
HYPOTHESIS_ROW = {
    "mode": "low-suction",
    "grade": "excluded",
    "for": ["f.for"],
    "against": ["f.against"],
    "cannot_tell": ["f.open"],
    "next_test": "the next test",
    "decibans": -7.25,
    "plain": "plain words of the mode",
    "detail": "a narrower kind",
}
UNLISTED_ROW = {
    "mode": "unlisted",
    "grade": None,
    "for": [],
    "against": [],
    "cannot_tell": [],
    "next_test": "",
    "decibans": 1.25,
    "plain": "why it is a rival",
    "detail": None,
}


@pytest.fixture(autouse=True)
def study(monkeypatch: pytest.MonkeyPatch) -> None:
    """A study that has a rate for two grades, whichever ships."""

    def rate(grade: str, build: str | None, sampling_s: float | None) -> ErrorRate | None:
        known = {"probable": 861, "no-fault-found": 851}
        return ErrorRate(grade, known[grade], 862, 0.863, "which cases of which run") if grade in known else None

    monkeypatch.setattr(publish, "error_rate_of", rate)


def weighed(**changed: Any) -> SimpleNamespace:
    """A weighing that holds nothing but a verdict, and what is given."""
    bare = {"verdict": VERDICT, "hypotheses": (), "observability": (), "robustness": ()}
    return SimpleNamespace(**{**bare, "unlisted": Unlisted(0.0, ""), "strength": {}, **changed})


def investigation(**changed: Any) -> Investigation:
    """An investigation, as far as the findings file reads one; every value differs from every other."""
    case = SimpleNamespace(id="C-1", site="Plant", machine_tag="CH-2", revision=71)
    machine = SimpleNamespace(
        refrigerant="R134a",
        starter=Starter.STAR_DELTA,
        rated_load_amps=72.5,
        run_hours=73.5,
        start_count=74.5,
        serial="S-75",
    )
    facts = (SimpleNamespace(what="in_period", value=True, source="folder, page 3"),)
    weighing = SimpleNamespace(
        verdict=VERDICT,
        hypotheses=(HYPOTHESIS,),
        observability=(Observability("flooded-start", "partly", "why it is partly seen", "a faster log"),),
        robustness=(Robustness("what was changed", "the other verdict", flips=True, effect="changed"),),
        unlisted=Unlisted(1.25, "why it is a rival"),
        strength={FINDING.id: 9.25},
    )
    overridden = Limit("heat.oil_max", 81.5, "kPa", "site document 4", "site", 82.5, given_by="run")
    parts = {
        "casefile": SimpleNamespace(case=case, machine=machine, fact=facts, action=(), follow_up=None),
        "case": SimpleNamespace(path=Path("folder/mine.toml")),
        "record": SimpleNamespace(failure_ns=at(0), samples={}),
        "weighing": weighing,
        "findings": (FINDING,),
        "events": (EVENT,),
        "order": (Ordered("first event", "second event", Provable.AFTER),),
        "starts": (START,),
        "unloaded_starts": Share(count=91, of=92, cannot_tell=93, fraction=0.95, low=0.94, high=0.96),
        "stops": (STOP,),
        "spans": (StateSpan(State.HOLD, at(11), at(12), inferred=True),),
        "clocks": (CLOCK,),
        "readings": (SOURCE,),
        "assumptions": ("one assumption", "another"),
        "limits": SimpleNamespace(overridden=(overridden,)),
        "version": "0.97",
        "packages": {"numpy": "98.1", "scipy": "99.2"},
        "rules_sha256": "a" * 64,
        "inputs_sha256": "b" * 64,
    }
    return cast(Investigation, SimpleNamespace(**{**parts, **changed}))


PUBLISHED: dict[str, Any] = {
    "schema": 1,
    "case": {"id": "C-1", "site": "Plant", "machine_tag": "CH-2", "failure_utc": stamp(0), "revision": 71},
    "machine": {
        "refrigerant": "R134a",
        "starter": "star-delta",
        "rated_load_amps": 72.5,
        "run_hours": 73.5,
        "start_count": 74.5,
        "serial": "S-75",
    },
    "verdict": VERDICT_ROW,
    "hypotheses": [HYPOTHESIS_ROW, UNLISTED_ROW],
    "findings": [FINDING_ROW],
    "events": [EVENT_ROW],
    "order": [{"a": "first event", "b": "second event", "order": "after"}],
    "starts": [START_ROW],
    "unloaded_starts": {"count": 91, "of": 92, "cannot_tell": 93, "fraction": 0.95, "low": 0.94, "high": 0.96},
    "stops": [STOP_ROW],
    "states": [{"state": "hold", "from_utc": stamp(11), "to_utc": stamp(12), "inferred": True}],
    "clocks": [CLOCK_ROW],
    "sources": [SOURCE_ROW],
    "observability": [
        {"mode": "flooded-start", "observable": "partly", "why": "why it is partly seen", "unlocked_by": "a faster log"}
    ],
    "robustness": [{"changed": "what was changed", "verdict": "the other verdict", "flips": True, "effect": "changed"}],
    "facts": [
        {"what": "in_period", "value": "yes", "source": "folder, page 3"},
        {"what": "restarts_after_trip", "value": "not searched", "source": "not searched"},
        {"what": "supply_in_tolerance", "value": "not searched", "source": "not searched"},
        {"what": "operated_in_limits", "value": "not searched", "source": "not searched"},
        {"what": "settings_changed", "value": "not searched", "source": "not searched"},
        {"what": "maintenance_done", "value": "not searched", "source": "not searched"},
        {"what": "earlier_repair", "value": "not searched", "source": "not searched"},
        {"what": "parts_retained", "value": "not searched", "source": "not searched"},
    ],
    "assumptions": ["one assumption", "another"],
    "overrides": [
        {"limit": "heat.oil_max", "value": 81.5, "default": 82.5, "source": "site document 4", "given_by": "run"}
    ],
    "software": {"version": "0.97", "packages": {"numpy": "98.1", "scipy": "99.2"}, "rules_sha256": "a" * 64},
    "reproduce": {"command": "forensics report mine.toml --out report", "inputs_sha256": "b" * 64},
}


def published(**changed: Any) -> dict[str, Any]:
    return to_findings_file(investigation(**changed)).model_dump(mode="json", by_alias=True)


def _leaves(value: Any) -> Iterator[Any]:
    if isinstance(value, dict):
        for item in value.values():
            yield from _leaves(item)
    elif isinstance(value, list):
        for item in value:
            yield from _leaves(item)
    else:
        yield value


@pytest.mark.parametrize("part", list(PUBLISHED))
def test_every_field_of_a_part_is_that_of_the_investigation(part: str) -> None:
    assert published()[part] == PUBLISHED[part]


def test_no_part_of_the_findings_file_is_left_out_here() -> None:
    assert list(PUBLISHED) == [field.alias or name for name, field in FindingsFile.model_fields.items()]


def test_the_values_that_are_published_all_differ() -> None:
    numbers = [x for x in _leaves(PUBLISHED) if isinstance(x, int | float) and not isinstance(x, bool)]
    assert len(numbers) == len(set(numbers))
    # a rate is that of the verdict's own grade
    twice = ("above", "below", PUBLISHED["verdict"]["grade"])
    words = [x for x in _leaves({**PUBLISHED, "facts": []}) if isinstance(x, str) and x not in twice]
    assert len(words) == len(set(words))


def test_a_published_field_that_the_result_lacks_is_no_default() -> None:
    """Fields that joined later have defaults for older files; what is published now takes none of them."""
    with pytest.raises(AttributeError, match="bypass_opened_s"):
        row_of(
            StopRow,
            SimpleNamespace(
                **dict.fromkeys(("kind", "reverse_rotation", "reverse_basis")),
                time_ns=0,
                bypass_released=None,
                equal_at_motor_off=None,
            ),
        )


@pytest.mark.parametrize(("to", "word"), [(ON, "on"), (OFF, "off"), (UNKNOWN, "unknown")])
def test_the_new_state_of_a_switch_in_words(to: int, word: str) -> None:
    assert published(events=(replace(EVENT, to=to),))["events"][0]["to"] == word


@pytest.mark.parametrize(("basis", "word"), [("measured", "measured"), ("inferred", "inferred"), (None, None)])
def test_what_reverse_rotation_was_read_from(basis: str | None, word: str | None) -> None:
    assert published(stops=(replace(STOP, reverse_basis=basis),))["stops"][0]["reverse_basis"] == word


@pytest.mark.parametrize("observable", ["yes", "partly", "no"])
def test_how_far_a_mode_can_be_seen(observable: str) -> None:
    rows = (Observability("high-head", observable, "", ""),)
    weighing = SimpleNamespace(
        verdict=VERDICT, hypotheses=(), observability=rows, robustness=(), unlisted=Unlisted(0.0, ""), strength={}
    )
    assert published(weighing=weighing)["observability"][0]["observable"] == observable


def test_a_verdict_that_is_open_names_no_mode() -> None:
    open_ = replace(VERDICT, status=VerdictStatus.UNDETERMINED, mode=None, grade=None)
    weighing = SimpleNamespace(
        verdict=open_, hypotheses=(), observability=(), robustness=(), unlisted=Unlisted(0.0, ""), strength={}
    )
    row = published(weighing=weighing)["verdict"]
    assert (row["status"], row["mode"], row["grade"]) == ("undetermined", None, None)


def test_a_finding_without_times_and_numbers_has_nulls() -> None:
    row = published(findings=(Finding("a.b", "a.b", Outcome.CANNOT_TELL, "words", why_not="why"),))["findings"][0]
    empty = {"from_utc", "to_utc", "value", "low", "high", "limit", "sample_interval_s", "strength", "detectable"}
    assert {key for key, value in row.items() if value is None} == empty


def test_a_fact_of_the_case_replaces_the_one_not_searched() -> None:
    given = (SimpleNamespace(what="parts_retained", value=False, source=""),)
    casefile = SimpleNamespace(**{**vars(investigation().casefile), "fact": given})
    rows = published(casefile=casefile)["facts"]
    assert rows[0] == {"what": "parts_retained", "value": "no", "source": "source not given"}
    assert [row["what"] for row in rows[1:]] == [what for what in CLAIM_FACTS if what != "parts_retained"]


@pytest.mark.parametrize(
    ("status", "grade", "right"),
    [
        (VerdictStatus.DETERMINED, Grade.PROBABLE, 861),
        (VerdictStatus.DETERMINED, Grade.CONFIRMED, None),
        (VerdictStatus.NO_FAULT_FOUND, None, 851),
        (VerdictStatus.UNDETERMINED, None, None),
    ],
)
def test_a_verdict_quotes_its_rate_where_the_study_has_one(
    status: VerdictStatus, grade: Grade | None, right: int | None
) -> None:
    verdict = replace(VERDICT, status=status, grade=grade, mode=VERDICT.mode if grade else None)
    row = published(weighing=weighed(verdict=verdict))["verdict"]["error_rate"]
    assert (row and row["right"]) == right
    assert row is None or row["grade"] == "probable"


def test_the_sampling_of_a_case_is_that_of_its_slowest_log_of_most_readings() -> None:
    def at(*intervals_s: float) -> tuple[SimpleNamespace, ...]:
        return tuple(SimpleNamespace(interval_s=interval_s) for interval_s in intervals_s)

    record = SimpleNamespace(samples={1: at(0.5, 10.0), 2: at(10.0), 3: at(60.0), 4: at(float("nan")), 5: ()})
    assert publish.sampling_of(cast(Any, record)) == 10.0
    assert publish.sampling_of(cast(Any, SimpleNamespace(samples={}))) is None
