"""The findings file: strict models of ``findings.json``.

Field names are the public interface; no key may be missing, lists may be short. The same findings give the same
bytes: keys keep the order of the models, numbers are written to 9 significant digits, text is UTF-8.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from forensics.model.vocabulary import (
    Grade,
    Mode,
    Outcome,
    Starter,
    VerdictStatus,
)
from forensics.results.machine_rows import (
    ClockRow,
    EventRow,
    OrderRow,
    StartRow,
    StateRow,
    StopRow,
    UnloadedStartsRow,
)
from forensics.results.published import PublishedModel


class CaseRow(PublishedModel):
    """Which case the findings are of."""

    id: str
    site: str
    machine_tag: str
    failure_utc: str | None
    revision: int


class MachineRow(PublishedModel):
    """Nameplate data that comparisons across sites need."""

    refrigerant: str
    starter: Starter | None
    rated_load_amps: float | None
    run_hours: float | None
    start_count: float | None
    serial: str


class ErrorRateRow(PublishedModel):
    """How often verdicts of a grade were right in the validation study: ``right`` of ``of``, at least ``low``."""

    grade: Grade
    right: int
    of: int
    low: float
    study: str


class VerdictRow(PublishedModel):
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


class HypothesisRow(PublishedModel):
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


class UnlistedRow(PublishedModel):
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


class CiteRow(PublishedModel):
    """Rows of a source, both ends included."""

    source: str
    column: str
    rows: tuple[int, int]


class FindingRow(PublishedModel):
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


class SourceRow(PublishedModel):
    """Accounting of one source: rows_read = rows_kept + the sum of set_aside."""

    path: str
    sha256: str
    bytes: int
    rows_read: int
    rows_kept: int
    set_aside: dict[str, int]
    cells_missing: dict[str, int]


class ObservabilityRow(PublishedModel):
    """Whether a mode could be seen with these points and intervals."""

    mode: Mode
    observable: Literal["yes", "partly", "no"]
    why: str
    unlocked_by: str


class RobustnessRow(PublishedModel):
    """What the verdict becomes when one thing is changed."""

    changed: str
    verdict: str
    flips: bool
    effect: Literal["holds", "weaker", "lost", "changed"]


class FactRow(PublishedModel):
    """A claim-relevant fact with where it is written, or ``not searched``."""

    what: str
    value: str
    source: str


class OverrideRow(PublishedModel):
    """A limit that the case replaced, or that was tried in this run; files of the first version do not tell which."""

    limit: str
    value: float
    default: float
    source: str
    given_by: Literal["case", "run"] = "case"


class SoftwareRow(PublishedModel):
    """Versions and the hash of the rules."""

    version: str
    packages: dict[str, str]
    rules_sha256: str


class ReproduceRow(PublishedModel):
    """How to run the case again, and the hash of all its inputs."""

    command: str
    inputs_sha256: str


class FindingsFile(PublishedModel):
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
