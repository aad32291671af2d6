"""Tests, teardown and samples as evidence: rows of the job become observations and measurements, by their conditions.

A row weighs for or against the modes of ``bears_on`` by what the engineer says that it ``shows``; its text is never
searched. A row that does not say so, or is only planned, weighs nothing. A cause is shown only by a row whose
conditions stand beside it: who, when, and by what instrument and limit, or with which photograph; without them the
row weighs as damage does, and never confirms.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from forensics.case.job import FieldTest, Judged, Part, Sample, SampleValue
from forensics.case.schema import CaseFile, Measurement, Observation
from forensics.rules.files import FOLDER, read_toml

SPEAKS_FOR, SPEAKS_AGAINST = ("cause", "damage"), ("in-order",)


def with_job_evidence(case: CaseFile) -> CaseFile:
    """The case with its done tests, teardown entries and laboratory values behind its own observations and values."""
    seen = [_of_test(n, row) for n, row in enumerate(case.test, 1) if row.done]
    seen += [_of_part(n, row) for n, row in enumerate(case.part, 1)]
    values = [_of_value(row, value) for row in case.sample for value in row.value if value.kind in known_kinds()]
    if not seen and not values:
        return case
    return case.model_copy(
        update={"observation": (*case.observation, *seen), "measurement": (*case.measurement, *values)}
    )


def known_kinds() -> frozenset[str]:
    """Kinds of measurement that the rules can weigh."""
    return frozenset(read_toml(FOLDER / "measurements.toml"))


def conditions_missing(row: FieldTest | Part) -> tuple[str, ...]:
    """Keys without which a row can't show a cause."""
    wanted = ["by", "time"]
    wanted += ["instrument", "limit"] if isinstance(row, FieldTest) else ["photo"]
    return tuple(key for key in wanted if not getattr(row, key))


def weight_of(row: FieldTest | Part) -> str:
    """What a row shows once its conditions are looked at: a cause without them weighs as damage."""
    if row.shows == "cause" and conditions_missing(row):
        return "damage"
    return row.shows


def _of_test(number: int, row: FieldTest) -> Observation:
    value = "" if row.value is None else f"{row.value:g} {row.unit}".strip()
    verdict = {True: "passed", False: "not passed", None: ""}[row.passed]
    what = ", ".join(text for text in (row.result, value, verdict) if text)
    told = f"test {number} ({row.part}): {what}"
    by = ", ".join(text for text in (row.method, row.instrument, row.condition) if text)
    return _observation("test", row, f"{told}; {by}" if by else told)


def _of_part(number: int, row: Part) -> Observation:
    found = row.damage or ("clean" if row.clean else "looked at, result not said")
    place = f", {row.place}" if row.place else ""
    turned = f" (serial {row.serial or 'not told'}, orientation {row.orientation or 'not told'})"
    return _observation("inspection", row, f"part {number}, {row.part}{place}: {found}{turned}")


def _observation(kind: str, row: FieldTest | Part, text: str) -> Observation:
    shows = weight_of(row)
    bears = row.bears_on if shows in (*SPEAKS_FOR, *SPEAKS_AGAINST) else ()
    missing = conditions_missing(row)
    if row.shows == "cause" and missing:
        text += f"; it can't show the cause without: {', '.join(missing)}"
    knows_shows = "shows" in Observation.model_fields
    values: dict[str, Any] = {
        "time": row.time,
        # where an observation can't say what it shows, only a shown cause may stand as what confirms
        "kind": kind if knows_shows or shows == "cause" else "document",
        "by": row.by,
        "text": text,
        "bears_on": bears,
        "supports": shows not in SPEAKS_AGAINST,
        "shows": shows,
        "part": row.part,
        "serial": row.serial,
        "place": row.place,
        **_files(row),
    }
    return Observation.model_validate(_known(Observation.model_fields, values))


def _files(row: Judged) -> dict[str, Any]:
    photo = Observation.model_fields["photo"].default
    return {"photo": row.photo if isinstance(photo, tuple) else next(iter(row.photo), ""), "document": row.document}


def _of_value(row: Sample, value: SampleValue) -> Measurement:
    where = ", ".join(text for text in (row.kind, row.bottle, row.place) if text)
    hours = "" if row.hours_since_change is None else f", {row.hours_since_change:g} h since change"
    values: dict[str, Any] = {
        "time": row.time,
        "kind": value.kind,
        "value": value.value,
        "unit": value.unit,
        "by": row.by,
        "text": f"{where}{hours}{f', taken {row.taken} the failure' if row.taken else ''}",
        "lab": row.lab,
        "method": value.method or row.method,
        "taken": row.taken,
        "place": row.place,
        "document": row.document,
    }
    return Measurement.model_validate(_known(Measurement.model_fields, values))


def _known(fields: Mapping[str, object], values: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in values.items() if key in fields}
