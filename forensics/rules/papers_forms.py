"""What the working papers hold: the strict reading of ``rules/papers/*.toml``."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, model_validator

from forensics.model.vocabulary import Role, known_modes
from forensics.rules.files import FOLDER, read_toml
from forensics.rules.strict import Form, read_form, refused

Text = Annotated[str, Field(min_length=1)]
Texts = Annotated[tuple[Text, ...], BeforeValidator(lambda value: tuple(value) if isinstance(value, list) else value)]
BOX_NUMBERS = 4


class Question(Form):
    """One question of the call sheet; ``key`` is the key of ``[call]`` that holds the answer."""

    key: Text
    ask: Text
    lines: int = Field(ge=1, le=10)
    basis: Text


class HoldItem(Form):
    """One kind of evidence, with what overwrites it and how soon."""

    id: Text
    what: Text
    place: Text
    overwritten_by: Text
    lost_after: Text
    how: Text
    basis: Text


class Ask(Form):
    """One export that a request asks for."""

    id: Text
    title: Text
    ask: Text
    format: Text
    basis: Text


class RequestRule(Form):
    """One rule for all exports."""

    text: Text
    basis: Text


class PointWords(Form):
    """How a point is asked for whose role alone does not say where it is taken."""

    role: Text
    words: Text
    basis: Text

    @model_validator(mode="after")
    def _known(self) -> PointWords:
        known = [role.value for role in Role]
        if self.role not in known:
            raise ValueError(refused(self.role, known, "role"))
        return self


class Photo(Form):
    """One photograph as found."""

    id: Text
    what: Text
    orientation: Text
    why: Text
    basis: Text


class PlannedTest(Form):
    """One test of the plan; the limit is its own, that of a measurement, or both."""

    id: Text
    part: Text
    method: Text
    instrument: Text
    condition: Text
    caution: Text
    measurement: str = ""
    limit: str = ""
    basis: str = ""
    changes_evidence: bool = False
    opens: bool = False
    running: bool = False
    always: bool = False
    modes: Texts

    @model_validator(mode="after")
    def _whole(self) -> PlannedTest:
        known = [mode.value for mode in known_modes()]
        for mode in self.modes:
            if mode not in known:
                raise ValueError(refused(mode, known, "failure mode"))
        if not self.measurement and not self.limit:
            raise ValueError(f"test '{self.id}' needs a limit or a measurement that has one")
        if self.limit and not self.basis:
            raise ValueError(f"the limit of test '{self.id}' needs a basis")
        if self.measurement and self.measurement not in read_toml(FOLDER / "measurements.toml"):
            raise ValueError(f"test '{self.id}' names no kind of measurement: '{self.measurement}'")
        if (self.opens or self.running) and not self.changes_evidence:
            raise ValueError(f"test '{self.id}' opens or runs the machine, so it changes evidence")
        return self

    @property
    def limit_words(self) -> str:
        """The limit with its basis, in words."""
        parts = []
        if self.measurement:
            rule: Mapping[str, Any] = read_toml(FOLDER / "measurements.toml")[self.measurement]
            sign = "at least" if rule["side"] == "below" else "at most"
            parts.append(f"{sign} {rule['limit']:g} {rule['unit']} ({rule['basis']})")
        if self.limit:
            parts.append(f"{self.limit} ({self.basis})")
        return "; ".join(parts)


class MapPart(Form):
    """One part of the damage map; ``box`` is left, top, width and height on the drawing."""

    id: Text
    title: Text
    box: Annotated[tuple[float, ...], BeforeValidator(lambda v: tuple(v) if isinstance(v, list) else v)]
    words: Texts
    look_for: Text
    photograph: Text

    @model_validator(mode="after")
    def _four(self) -> MapPart:
        if len(self.box) != BOX_NUMBERS or min(self.box) < 0:
            raise ValueError("box = [left, top, width, height]")
        return self


class SampleKind(Form):
    """One kind of sample: where, how, what for, how it is read."""

    kind: Text
    place: Text
    how: Text
    values: Text
    read: Text
    basis: Text


class ChoiceOf(Form):
    """One decision and what it needs."""

    id: Text
    title: Text
    needs: Texts
    watch: Text
    basis: Text


class StepCautions(Form):
    """Cautions of one step."""

    cautions: Texts
    source: Text


def _rows(value: object) -> object:
    return tuple(value) if isinstance(value, list) else value


class CallForm(Form):
    """``call.toml``."""

    question: Annotated[tuple[Question, ...], BeforeValidator(_rows)]


class HoldForm(Form):
    """``hold.toml``: in the order in which evidence is overwritten."""

    item: Annotated[tuple[HoldItem, ...], BeforeValidator(_rows)]


class RequestForm(Form):
    """``request.toml``."""

    opening: Text
    closing: Text
    rule: Annotated[tuple[RequestRule, ...], BeforeValidator(_rows)]
    export: Annotated[tuple[Ask, ...], BeforeValidator(_rows)]
    point: Annotated[tuple[PointWords, ...], BeforeValidator(_rows)]


class PhotoForm(Form):
    """``photos.toml``."""

    photo: Annotated[tuple[Photo, ...], BeforeValidator(_rows)]


class TestForm(Form):
    """``tests.toml``."""

    __test__ = False
    test: Annotated[tuple[PlannedTest, ...], BeforeValidator(_rows)]


class PartForm(Form):
    """``parts.toml``."""

    basis: Text
    part: Annotated[tuple[MapPart, ...], BeforeValidator(_rows)]


class SampleForm(Form):
    """``samples.toml``."""

    sample: Annotated[tuple[SampleKind, ...], BeforeValidator(_rows)]


class DecisionForm(Form):
    """``decision.toml``."""

    choice: Annotated[tuple[ChoiceOf, ...], BeforeValidator(_rows)]


class CautionForm(Form):
    """``cautions.toml``: a table a step."""

    first: Text
    call: StepCautions
    hold: StepCautions
    request: StepCautions
    photos: StepCautions
    tests: StepCautions
    teardown: StepCautions
    samples: StepCautions
    decision: StepCautions
    action: StepCautions
    custody: StepCautions


class PaperRules(Form):
    """All that the papers hold."""

    call: CallForm
    hold: HoldForm
    request: RequestForm
    photos: PhotoForm
    tests: TestForm
    parts: PartForm
    samples: SampleForm
    decision: DecisionForm
    cautions: CautionForm


@cache
def read_paper_rules() -> PaperRules:
    """Read ``rules/papers/*.toml``; unknown keys, modes and measurements are refused, each with its file."""
    folder = FOLDER / "papers"
    return PaperRules(
        call=read_form(CallForm, folder / "call.toml"),
        hold=read_form(HoldForm, folder / "hold.toml"),
        request=read_form(RequestForm, folder / "request.toml"),
        photos=read_form(PhotoForm, folder / "photos.toml"),
        tests=read_form(TestForm, folder / "tests.toml"),
        parts=read_form(PartForm, folder / "parts.toml"),
        samples=read_form(SampleForm, folder / "samples.toml"),
        decision=read_form(DecisionForm, folder / "decision.toml"),
        cautions=read_form(CautionForm, folder / "cautions.toml"),
    )


def part_of(words: str) -> MapPart | None:
    """The part of the map that an entry names, by id, title or one of its words; None where it names none."""
    said = " ".join(words.casefold().replace("-", " ").split())
    for part in read_paper_rules().parts.part:
        names = {part.id.replace("-", " "), part.title.casefold().replace(",", ""), *part.words}
        if said.replace(",", "") in names:
            return part
    return None
