"""Tables of the whole job in ``case.toml``: from the telephone call to the action that worked. All are optional.

Every row tells ``time`` (when it was said, done or seen) and ``by`` (who), as an observation does. What is missing is
listed by :mod:`forensics.case.stage`; only what contradicts itself inside one row is refused here.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, Field, model_validator

from forensics.case.fields import (
    MOST,
    MOST_FILES,
    MOST_ROWS,
    CheckId,
    Choice,
    Count,
    FilePath,
    Files,
    Hours,
    Lines,
    Modes,
    Named,
    Sha256,
    Shows,
    SpokenTime,
    Strict,
    one_of,
    several,
)
from forensics.case.values import Day, Line, Number, Positive, Stamp, Text, within
from forensics.model.vocabulary import Mode


class Row(Strict):
    """A row of the job: unknown keys are refused; who and when stand in every one."""

    time: Stamp | None = None
    by: Line = ""


class Call(Row):
    """``[call]``: what was said on the telephone. The caller's time and the panel's are never one field.

    ``time`` is when the call was taken and ``by`` who took it; ``words`` are the caller's own.
    """

    caller: Line = ""
    words: Text = ""
    caller_time: SpokenTime = ""
    panel_text: Text = ""
    panel_time: SpokenTime = ""
    safe: bool | None = None
    danger: Text = ""
    isolated: bool | None = None
    running: bool | None = None
    restarts: Count | None = None
    heard: Text = ""
    power_event: Text = ""
    recent_work: Text = ""
    sister_machine: Text = ""
    sister_at_risk: bool | None = None


class Hold(Row):
    """``[[hold]]``: evidence to be kept; ``item`` is an id of ``rules/papers/hold.toml`` or words of one's own."""

    item: Named
    place: Line = ""
    overwritten_by: Line = ""
    lost_after: SpokenTime = ""
    saved: bool | None = None
    file: Files = ()
    text: Text = ""


class Request(Row):
    """``[[request]]``: what was asked of the site, of whom, and what came."""

    what: Named
    of: Line = ""
    due: Day | None = None
    received: bool | None = None
    file: Files = ()
    text: Text = ""


class Judged(Row):
    """A row that may weigh as evidence: what it bears on and what it shows."""

    bears_on: Modes = ()
    shows: Shows = ""
    photo: Files = ()
    document: Files = ()

    @model_validator(mode="after")
    def _bears(self) -> Judged:
        if self.shows in ("cause", "damage", "in-order") and not self.bears_on:
            raise ValueError(f"shows = '{self.shows}' needs bears_on: the mode or modes it is said of")
        return self


class FieldTest(Judged):
    """``[[test]]``: a planned or done test. ``planned`` is the day it is planned for, ``time`` when it was done."""

    part: Named
    method: Line = ""
    instrument: Line = ""
    calibrated: Day | None = None
    condition: Line = ""
    limit: Line = ""
    basis: Line = ""
    planned: Day | None = None
    result: Text = ""
    value: Annotated[Number, within("measured")] | None = None
    unit: Line = ""
    passed: bool | None = None
    changes_evidence: bool | None = None
    notice_to: Lines = ()
    caution: Line = ""
    serial: Line = ""
    place: Line = ""

    @property
    def done(self) -> bool:
        """Whether it has a result: in words, as a value, or passed or not."""
        return bool(self.result.strip()) or self.value is not None or self.passed is not None

    @model_validator(mode="after")
    def _agrees(self) -> FieldTest:
        if self.passed and self.shows in ("cause", "damage"):
            raise ValueError(f"passed = true says that the part is in order, shows = '{self.shows}' that it is not")
        if self.passed is False and self.shows == "in-order":
            raise ValueError("passed = false says that the part is not in order, shows = 'in-order' that it is")
        if self.shows in ("cause", "damage", "in-order") and not self.done:
            raise ValueError(f"shows = '{self.shows}' needs a result: a test that is only planned shows nothing")
        return self


class Part(Judged):
    """``[[part]]``: one part of the teardown; a clean part is an entry too, with its photograph."""

    part: Named
    serial: Line = ""
    orientation: Line = ""
    place: Line = ""
    damage: Text = ""
    clean: bool | None = None
    text: Text = ""

    @model_validator(mode="after")
    def _agrees(self) -> Part:
        if self.clean and self.damage.strip():
            raise ValueError("clean = true and damage speak against each other: say one of them")
        if self.clean and self.shows in ("cause", "damage"):
            raise ValueError(f"clean = true and shows = '{self.shows}' speak against each other")
        if self.shows == "in-order" and self.damage.strip():
            raise ValueError("shows = 'in-order' and damage speak against each other: say one of them")
        return self


class SampleValue(Strict):
    """``[[sample.value]]``: one value of a laboratory; ``kind`` as in ``[[measurement]]``."""

    kind: Named
    value: Annotated[Number, within("measured")]
    unit: Line = ""
    method: Line = ""


class Sample(Row):
    """``[[sample]]``: oil, refrigerant, metal or debris; ``time`` is when it was taken."""

    kind: Literal["oil", "refrigerant", "metal", "debris"]
    place: Line = ""
    taken: Literal["before", "after", ""] = ""
    hours_since_change: Hours | None = None
    run_hours: Hours | None = None
    volume_l: Positive | None = None
    bottle: Line = ""
    lab: Line = ""
    method: Line = ""
    document: Files = ()
    text: Text = ""
    value: Annotated[tuple[SampleValue, ...], BeforeValidator(several), Field(max_length=MOST_FILES)] = ()


class Decision(Row):
    """``[decision]``: what is done with the machine meanwhile, and what it needs."""

    choice: Choice | None = None
    because: Text = ""
    conditions: Lines = ()
    watch: Lines = ()
    until: Day | None = None
    released_by: Line = ""


class Action(Row):
    """``[[action]]``: a corrective action and the signature that will prove it.

    ``signature`` is the check whose outcome has to be *absent* after ``proven_after``; ``starts`` and ``hours`` are how
    much of the machine's running has to have been seen by then.
    """

    what: Named
    owner: Line = ""
    due: Day | None = None
    done: Day | None = None
    signature: CheckId = ""
    proven_after: Day | None = None
    starts: Annotated[int, Field(ge=1, le=100_000)] | None = None
    hours: Annotated[Positive, within("run_hours")] | None = None
    text: Text = ""

    @model_validator(mode="after")
    def _in_order(self) -> Action:
        if self.done and self.proven_after and self.proven_after < self.done:
            raise ValueError("proven_after lies before done: what ran before the action can't prove it")
        return self


class FollowUp(Row):
    """``[follow_up]``: in the case on later data, the earlier findings and the number of the action it checks."""

    findings: FilePath
    sha256: Sha256 = ""
    action: Annotated[int, Field(ge=1, le=MOST_ROWS)] = 1
    signature: CheckId = ""
    done: Stamp | Day | None = None
    starts: Annotated[int, Field(ge=1, le=100_000)] | None = None
    hours: Annotated[Positive, within("run_hours")] | None = None


class Closing(Row):
    """``[closing]``: the code that a person closes the case with, beside the workbook's."""

    code: Line = ""
    mode: Annotated[Mode, one_of(Mode)] | None = None
    words: Text = ""
    agrees: bool | None = None


class Custody(Row):
    """``[[custody]]``: one hand-over of one item. ``time`` is when ``by`` received it."""

    item: Named
    received_from: Line = ""
    how: Line = ""
    tool: Line = ""
    place: Line = ""
    file: Files = ()
    sha256: Sha256 = ""


class JobTables(BaseModel):
    """The tables of the whole job, as keys of a case file."""

    call: Call | None = None
    hold: Annotated[tuple[Hold, ...], BeforeValidator(several), MOST] = ()
    request: Annotated[tuple[Request, ...], BeforeValidator(several), MOST] = ()
    test: Annotated[tuple[FieldTest, ...], BeforeValidator(several), MOST] = ()
    part: Annotated[tuple[Part, ...], BeforeValidator(several), MOST] = ()
    sample: Annotated[tuple[Sample, ...], BeforeValidator(several), MOST] = ()
    decision: Decision | None = None
    action: Annotated[tuple[Action, ...], BeforeValidator(several), MOST] = ()
    follow_up: FollowUp | None = None
    closing: Closing | None = None
    custody: Annotated[tuple[Custody, ...], BeforeValidator(several), MOST] = ()


JOB_MODELS: dict[str, type[BaseModel]] = {
    "call": Call,
    "hold": Hold,
    "request": Request,
    "test": FieldTest,
    "part": Part,
    "sample": Sample,
    "value": SampleValue,
    "decision": Decision,
    "action": Action,
    "follow_up": FollowUp,
    "closing": Closing,
    "custody": Custody,
}
