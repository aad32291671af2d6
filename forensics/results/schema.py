"""The findings file: strict models of ``findings.json`` and the one canonical JSON writer.

Field names are the public interface; no key may be missing, lists may be short. The same findings give the same
bytes: keys keep the order of the models, numbers are written to 9 significant digits, text is UTF-8.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from forensics.errors import InputError, Problem
from forensics.model.paths import FINDINGS_BYTES, read_regular
from forensics.model.vocabulary import (
    Answer,
    ClockMethod,
    Grade,
    Mode,
    Outcome,
    PreviousStop,
    Provable,
    Starter,
    State,
    StopKind,
    VerdictStatus,
)

SIGNIFICANT_DIGITS = 9
Censored = Literal["below", "above"]


class _Model(BaseModel):
    model_config = ConfigDict(
        extra="forbid", frozen=True, populate_by_name=True, from_attributes=True, allow_inf_nan=False
    )


class CaseRow(_Model):
    """Which case the findings are of."""

    id: str
    site: str
    machine_tag: str
    failure_utc: str | None
    revision: int


class MachineRow(_Model):
    """Nameplate data that comparisons across sites need."""

    refrigerant: str
    starter: Starter | None
    rated_load_amps: float | None
    run_hours: float | None
    start_count: float | None
    serial: str


class ErrorRateRow(_Model):
    """How often verdicts of a grade were right in the validation study: ``right`` of ``of``, at least ``low``."""

    grade: Grade
    right: int
    of: int
    low: float
    study: str


class VerdictRow(_Model):
    """What the case came to; mode and grade are null unless determined."""

    status: VerdictStatus
    mode: Mode | None
    grade: Grade | None
    also: list[Mode]
    chain: list[str]
    statement: str
    because: list[str]
    against: list[str]
    would_change_it: list[str]
    plain: str
    error_rate: ErrorRateRow | None


class HypothesisRow(_Model):
    """One mode with its grade and the findings that speak for it, against it, or could not speak."""

    mode: Mode
    grade: Grade
    for_: list[str] = Field(alias="for")
    against: list[str]
    cannot_tell: list[str]
    next_test: str
    decibans: float
    plain: str
    detail: str | None


class UnlistedRow(_Model):
    """A cause that is not in the list: a rival in each comparison, with decibans and no grade, never in the lead."""

    mode: Literal["unlisted"]
    grade: None
    for_: list[str] = Field(alias="for")
    against: list[str]
    cannot_tell: list[str]
    next_test: str
    decibans: float
    plain: str
    detail: str | None


class CiteRow(_Model):
    """Rows of a source, both ends included."""

    source: str
    column: str
    rows: tuple[int, int]


class FindingRow(_Model):
    """One answer of a detector."""

    id: str
    check: str
    outcome: Outcome
    from_utc: str | None
    to_utc: str | None
    value: float | None
    low: float | None
    high: float | None
    unit: str
    limit: float | None
    basis: str
    cites: list[CiteRow]
    sample_interval_s: float | None
    statement: str
    why_not: str
    strength: float | None
    detectable: float | None
    reason: str


class ReadingRow(_Model):
    """A reading held against an event, with its age."""

    value: float
    age_s: float


class EventRow(_Model):
    """An edge of a switch as an interval, with readings before and after it."""

    earliest_utc: str
    latest_utc: str
    point: str
    to: Literal["on", "off", "unknown"]
    before: dict[str, ReadingRow]
    after: dict[str, ReadingRow]


class OrderRow(_Model):
    """Order of two events."""

    a: str
    b: str
    order: Provable


class StartRow(_Model):
    """One start; ``reverse_rotation`` is whether the motor ran backwards during it, not after the stop before it."""

    time_utc: str
    inrush_amps: float | None
    inrush_amps_low: float | None = None
    inrush_amps_high: float | None = None
    inrush_amps_censored: Censored | None = None
    settled_amps: float | None
    settled_amps_low: float | None = None
    settled_amps_high: float | None = None
    settled_amps_censored: Censored | None = None
    ratio: float | None
    low: float | None
    high: float | None
    ratio_censored: Censored | None = None
    unloaded: Answer
    reverse_rotation: Outcome
    previous_stop: PreviousStop


class UnloadedStartsRow(_Model):
    """Share of unloaded starts with its Wilson interval."""

    count: int
    of: int
    cannot_tell: int
    fraction: float | None
    low: float | None
    high: float | None


class StopRow(_Model):
    """One stop.

    ``x_low`` and ``x_high`` are the interval of ``x``. Where only a bound is known ``x`` is None and ``x_censored``
    says ``below`` (``x_high``) or ``above`` (``x_low``).

    Attributes
    ----------
    bypass_released
        None on a machine without an internal unloading valve.
    bypass_opened_s
        When that valve opened, s after the end of current.
    check_valve_area_ratio
        Leak area of the check valve over the area by which the discharge side empties.
    reverse_speed_rpm
        Backward speed that the gas can have given the rotors, by the pressures: median, least and most.
    """

    time_utc: str
    kind: StopKind
    reverse_rotation: Outcome
    reverse_basis: Literal["measured", "inferred"] | None
    bypass_released: Answer | None
    equal_at_motor_off: bool | None
    bypass_opened_s: float | None = None
    bypass_opened_s_low: float | None = None
    bypass_opened_s_high: float | None = None
    bypass_opened_s_censored: Censored | None = None
    check_valve_area_ratio: float | None = None
    check_valve_area_ratio_low: float | None = None
    check_valve_area_ratio_high: float | None = None
    check_valve_area_ratio_censored: Censored | None = None
    equalisation_time_constant_s: float | None = None
    equalisation_time_constant_s_low: float | None = None
    equalisation_time_constant_s_high: float | None = None
    equalisation_time_constant_s_censored: Censored | None = None
    high_side_decay_s: float | None = None
    high_side_decay_s_low: float | None = None
    high_side_decay_s_high: float | None = None
    high_side_decay_s_censored: Censored | None = None
    residual_difference_kpa: float | None = None
    residual_difference_kpa_low: float | None = None
    residual_difference_kpa_high: float | None = None
    residual_difference_kpa_censored: Censored | None = None
    reverse_speed_rpm: float | None = None
    reverse_speed_rpm_low: float | None = None
    reverse_speed_rpm_high: float | None = None
    reverse_speed_rpm_censored: Censored | None = None


class StateRow(_Model):
    """One operating state."""

    state: State
    from_utc: str
    to_utc: str
    inferred: bool


class ClockRow(_Model):
    """Offset of one clock (clock minus reference), with the half width of its interval."""

    clock: str
    offset_s: float | None
    uncertainty_s: float | None
    drift_ppm: float | None
    utc_error_s: float | None
    method: ClockMethod
    candidates_s: list[float]


class SourceRow(_Model):
    """Accounting of one source: rows_read = rows_kept + the sum of set_aside."""

    path: str
    sha256: str
    bytes: int
    rows_read: int
    rows_kept: int
    set_aside: dict[str, int]
    cells_missing: dict[str, int]


class ObservabilityRow(_Model):
    """Whether a mode could be seen with these points and intervals."""

    mode: Mode
    observable: Literal["yes", "partly", "no"]
    why: str
    unlocked_by: str


class RobustnessRow(_Model):
    """What the verdict becomes when one thing is changed."""

    changed: str
    verdict: str
    flips: bool
    effect: Literal["holds", "weaker", "lost", "changed"]


class FactRow(_Model):
    """A claim-relevant fact with where it is written, or ``not searched``."""

    what: str
    value: str
    source: str


class OverrideRow(_Model):
    """A limit that the case replaced, or that was tried in this run; files of the first version do not tell which."""

    limit: str
    value: float
    default: float
    source: str
    given_by: Literal["case", "run"] = "case"


class SoftwareRow(_Model):
    """Versions and the hash of the rules."""

    version: str
    packages: dict[str, str]
    rules_sha256: str


class ReproduceRow(_Model):
    """How to run the case again, and the hash of all its inputs."""

    command: str
    inputs_sha256: str


class FindingsFile(_Model):
    """The whole of ``findings.json``."""

    schema_: Literal[1] = Field(default=1, alias="schema")
    case: CaseRow
    machine: MachineRow
    verdict: VerdictRow
    hypotheses: list[HypothesisRow | UnlistedRow]
    findings: list[FindingRow]
    events: list[EventRow]
    order: list[OrderRow]
    starts: list[StartRow]
    unloaded_starts: UnloadedStartsRow
    stops: list[StopRow]
    states: list[StateRow]
    clocks: list[ClockRow]
    sources: list[SourceRow]
    observability: list[ObservabilityRow]
    robustness: list[RobustnessRow]
    facts: list[FactRow]
    assumptions: list[str]
    overrides: list[OverrideRow]
    software: SoftwareRow
    reproduce: ReproduceRow

    @property
    def graded(self) -> list[HypothesisRow]:
        """The modes of the list: all hypotheses but the cause that is not in it."""
        return [row for row in self.hypotheses if isinstance(row, HypothesisRow)]


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        if not math.isfinite(value):
            return None
        rounded = float(f"{value:.{SIGNIFICANT_DIGITS}g}")
        return 0.0 if rounded == 0 else rounded
    if isinstance(value, Mapping):
        return {key: _rounded(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(item) for item in value]
    return value


def canonical_json(value: Any) -> str:
    """Write any JSON-able value canonically: order kept, 9 significant digits, no NaN, a line feed at the end."""
    return json.dumps(_rounded(value), ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def dump_findings(findings: FindingsFile) -> str:
    """The text of ``findings.json``."""
    return canonical_json(findings.model_dump(mode="json", by_alias=True))


def read_findings(path: Path) -> FindingsFile:
    """Read a findings file.

    Raises
    ------
    InputError
        It is not there, not JSON, or does not keep to the contract: every fault with its key.
    """
    try:
        content = read_regular(path, FINDINGS_BYTES)
    except OSError as fault:
        raise InputError([Problem(f"can't be read: {fault.strerror}", file=str(path))]) from None
    try:
        # read and checked in one pass, twice as fast as by way of a dict: comparisons read a thousand of these
        return FindingsFile.model_validate_json(content)
    except ValidationError as fault:
        raise InputError(
            [
                Problem(
                    f"can't be read as JSON: {e['msg']}" if e["type"] == "json_invalid" else e["msg"],
                    file=str(path),
                    column=".".join(str(p) for p in e["loc"]),
                )
                for e in fault.errors()
            ]
        ) from None
