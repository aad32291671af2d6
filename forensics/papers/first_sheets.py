"""The sheets of the first hours: telephone call, evidence on hold, request to the site, photographs as found."""

from __future__ import annotations

from pathlib import Path

from forensics.case.job import Hold
from forensics.case.schema import JobFile
from forensics.case.stage import Gap, job_gaps, minutes_apart
from forensics.papers.asking import missing_of, points_asked
from forensics.papers.live import Live
from forensics.papers.sheet import Drawing, Field, Fields, PaperPart, Sheet, Table, Ticks, Words, joined, said
from forensics.report.evidence.damage_map import damage_map
from forensics.rules.papers_forms import StepCautions, read_paper_rules

__all__ = ["call_sheet", "hold_sheet", "photo_sheet", "request_sheet"]


def cautions_of(step: StepCautions) -> tuple[str, ...]:
    """Cautions of a step, headed by the one that stands over all."""
    return (read_paper_rules().cautions.first, *step.cautions)


def gaps_of(job: JobFile, *steps: str) -> tuple[Gap, ...]:
    """Gaps of some steps; none where the step was not begun, since then the whole sheet is empty."""
    return tuple(gap for gap in job_gaps(job) if gap.step in steps)


def call_sheet(job: JobFile) -> Sheet:
    """Questions of the telephone call with the answers so far; the caller's time and the panel's stand apart."""
    rules = read_paper_rules()
    zone = job.case.time_zone
    answers = {} if job.call is None else {key: getattr(job.call, key) for key in type(job.call).model_fields}
    fields = [
        Field("Call taken (date, time, by)", joined(said(answers.get("time"), zone), said(answers.get("by")), by=", "))
    ]
    fields += [Field(q.ask, said(answers.get(q.key), zone), q.lines) for q in rules.call.question]
    parts: list[PaperPart] = [Fields(tuple(fields))]
    apart = minutes_apart(job)
    if apart is not None:
        way = "after" if apart > 0 else "before"
        parts.append(
            Words(
                f"The panel's time lies {abs(apart):.1f} min {way} the caller's. Neither is the true time until a "
                "clock has been photographed beside one that is right."
            )
        )
    return Sheet(
        "call",
        "Telephone call",
        "People first, then evidence, then the story. Write words as they are spoken.",
        cautions_of(rules.cautions.call),
        tuple(parts),
        tuple(gap for gap in gaps_of(job, "call") if gap.contradicts),  # what is missing stands as an empty line
    )


def hold_sheet(job: JobFile) -> Sheet:
    """Evidence in the order in which it is overwritten, with what the case already holds; own items stand below."""
    rules = read_paper_rules()
    zone = job.case.time_zone
    held = {row.item: row for row in job.hold}
    rows = [
        (
            str(n),
            f"{item.what} ({item.place})",
            f"{item.overwritten_by}: {item.lost_after}",
            item.how,
            _saved(held.get(item.id), zone),
        )
        for n, item in enumerate(rules.hold.item, 1)
    ]
    known = {item.id for item in rules.hold.item}
    own = [row for row in job.hold if row.item not in known]
    rows += [
        (
            str(len(rules.hold.item) + n),
            joined(row.item, row.place, by=" "),
            joined(row.overwritten_by, said(row.lost_after, zone), by=": "),
            row.text,
            _saved(row, zone),
        )
        for n, row in enumerate(own, 1)
    ]
    head = ("No.", "What, where", "Overwritten by, how soon", "How", "Saved: yes or no, when, by, file")
    table = Table(head, tuple(rows), (5, 28, 22, 25, 20), blank=3)
    purpose = "In the order in which it is lost. Work from the top; a clock is photographed before anybody sets it."
    return Sheet("hold", "Evidence on hold", purpose, cautions_of(rules.cautions.hold), (table,), gaps_of(job, "hold"))


def _saved(row: Hold | None, zone: str) -> str:
    if row is None:
        return ""
    return joined(said(row.saved), said(row.time, zone), row.by, said(row.file), by=", ")


def request_sheet(case: Path, job: JobFile, live: Live) -> Sheet:
    """The letter to the site: exports, points with their longest interval, what check finds missing, open questions."""
    rules = read_paper_rules().request
    asked = {row.what: row for row in job.request}
    saved = {row.item for row in job.hold if row.saved}
    came = {what for what, row in asked.items() if row.received}
    exports = [(joined(f"{e.title}: {e.ask}", e.format), e.id in came | saved) for e in rules.export]
    exports += [
        (joined(what, row.text), bool(row.received))
        for what, row in asked.items()
        if what not in {e.id for e in rules.export}
    ]
    points = [
        (
            point.words,
            "any" if point.longest_interval_s is None else f"{point.longest_interval_s:g} s",
            str(point.causes),
            "have it" if point.bound else "",
        )
        for point in points_asked(job, live)
    ]
    missing = missing_of(case, job, live)
    trip = "" if job.call is None else joined(job.call.panel_text, job.call.words)
    when = said(job.case.failure, job.case.time_zone)
    if not when and job.call is not None:
        when = joined(
            f"by the caller: {said(job.call.caller_time, job.case.time_zone)}" if job.call.caller_time else "",
            f"by the panel: {said(job.call.panel_time, job.case.time_zone)}" if job.call.panel_time else "",
        )
    to = ", ".join(dict.fromkeys(row.of for row in job.request if row.of))
    parts: list[PaperPart] = [
        Fields((Field("To", to), Field("Date"), Field("What happened", trip), Field("When", when)), columns=2),
        Words(rules.opening),
        Ticks(tuple((rule.text, False) for rule in rules.rule), title="How"),
        Ticks(tuple(exports), title="Which records"),
        Words(f"The points below are chosen by {live.basis}. Where one of them does not exist, the next best will do."),
        Table(
            ("Point", "At least every", "Causes that need it", "Sent"), tuple(points), (58, 14, 14, 14), title="Points"
        ),
    ]
    if missing.changes:
        parts.append(
            Ticks(tuple((line, False) for line in missing.changes), title="What reading the data found missing")
        )
    if missing.questions:
        parts.append(
            Ticks(tuple((line, False) for line in missing.questions), title="Questions about files already sent")
        )
    parts += [Words(rules.closing), Fields((Field("Signed, date"),))]
    return Sheet(
        "request",
        "Request to the site",
        "A letter to send as it stands.",
        cautions_of(read_paper_rules().cautions.request),
        tuple(parts),
        gaps_of(job, "request"),
    )


def photo_sheet(job: JobFile) -> Sheet:
    """Photographs as found, before anything is touched, each with scale, orientation and serial."""
    rules = read_paper_rules()
    rows = [(str(n), photo.what, photo.why, photo.orientation, "", "") for n, photo in enumerate(rules.photos.photo, 1)]
    head = ("No.", "What", "Why", "Orientation", "Scale, serial", "File, time, by")
    table = Table(head, tuple(rows), (5, 30, 17, 18, 13, 17), blank=4)
    drawing = Drawing(
        damage_map((), key="photo-map").svg, "Where on the machine: mark each photograph's number. Not to scale."
    )
    purpose = "Before anything is touched. A scale in every picture; one far, one near."
    return Sheet("photos", "Photographs as found", purpose, cautions_of(rules.cautions.photos), (table, drawing))
