"""The sheets of tests, teardown and samples, with the results that the case already holds."""

from __future__ import annotations

from forensics.case.job import FieldTest, Part
from forensics.case.schema import JobFile
from forensics.papers.first_sheets import cautions_of, gaps_of
from forensics.papers.live import Live
from forensics.papers.sheet import Drawing, Field, Fields, PaperPart, Sheet, Table, Words, joined, said
from forensics.report.evidence.damage_map import STATE_WORDS, damage_map
from forensics.rules.papers_forms import PlannedTest, read_paper_rules

TEST_HEAD = (
    "Test",
    "Instrument, condition",
    "Limit and its basis",
    "Caution; evidence; tell first",
    "Result, by, time",
)
TEST_WIDTHS = (25, 19, 20, 20, 16)


def planned_tests(live: Live) -> tuple[PlannedTest, ...]:
    """Tests for the live causes, those that leave evidence alone first, running tests last; then by causes split."""
    ids = live.ids
    chosen = [test for test in read_paper_rules().tests.test if test.always or not ids or ids & set(test.modes)]
    return tuple(sorted(chosen, key=lambda t: (t.running, t.opens, t.changes_evidence, -len(ids & set(t.modes)))))


def test_sheet(job: JobFile, live: Live) -> Sheet:
    """The plan for the live causes, and tests of the case's own with what they still lack."""
    rules = read_paper_rules()
    zone = job.case.time_zone
    plan = planned_tests(live)
    done: dict[str, list[FieldTest]] = {}
    for test in job.test:
        done.setdefault(test.method, []).append(test)
    rows = [_planned(n, test, tuple(done.get(test.id, ())), live, zone) for n, test in enumerate(plan, 1)]
    own = [test for test in job.test if test.method not in {test.id for test in plan}]
    parts: list[PaperPart] = [
        Fields((Field("Fit to be tested: released by, date"), Field("Parties told: who, when")), columns=2),
        Words(
            f"Chosen by {live.basis}. Tests that leave evidence as it is come first, running tests last. "
            "A result is filed in [[test]] with method = the name in brackets."
        ),
        Table(TEST_HEAD, tuple(rows), TEST_WIDTHS, title="Plan", blank=0 if own else 2),
    ]
    if own:
        parts.append(Table(TEST_HEAD, tuple(_own(test, zone) for test in own), TEST_WIDTHS, title="Own tests", blank=2))
    inspections = _inspections(live)
    if inspections:
        head = ("Cause", "What would show it", "Caution", "Evidence", "Seen, by, time")
        parts.append(Table(head, inspections, (18, 32, 25, 10, 15), title="What shows a cause itself"))
    return Sheet(
        "tests",
        "Test plan",
        "Each with method, condition, limit and room for the result. Initials beside each result.",
        cautions_of(rules.cautions.tests),
        tuple(parts),
        gaps_of(job, "test"),
    )


def _planned(number: int, test: PlannedTest, done: tuple[FieldTest, ...], live: Live, zone: str) -> tuple[str, ...]:
    evidence = "CHANGES EVIDENCE: tell the parties first" if test.changes_evidence else "leaves evidence as it is"
    if test.running:
        evidence = f"RUNNING TEST, {evidence}"
    causes = [mode.id for mode in live.modes if mode.id in test.modes]
    return (
        joined(
            f"{number}. {test.part}: {test.method} [{test.id}]", f"splits {', '.join(causes)}" if causes else "", by=" "
        ),
        joined(test.instrument, test.condition),
        test.limit_words,
        joined(test.caution, evidence),
        " / ".join(_result(row, zone) for row in done),
    )


def _own(test: FieldTest, zone: str) -> tuple[str, ...]:
    changes = {True: "CHANGES EVIDENCE", False: "leaves evidence as it is", None: ""}[test.changes_evidence]
    told = f"told: {said(test.notice_to)}" if test.notice_to else ""
    return (
        joined(test.part, test.method, by=": "),
        joined(test.instrument, test.condition),
        joined(test.limit, f"({test.basis})" if test.basis else "", by=" "),
        joined(test.caution, changes, told),
        _result(test, zone),
    )


def _result(test: FieldTest, zone: str) -> str:
    value = "" if test.value is None else f"{test.value:g} {test.unit}".strip()
    verdict = {True: "passed", False: "NOT passed", None: ""}[test.passed]
    return joined(test.result, value, verdict, test.by, said(test.time, zone), by=", ") or "planned"


def _inspections(live: Live) -> tuple[tuple[str, ...], ...]:
    """Inspections that show a cause itself, those that destroy nothing first."""
    found = [
        (look.changes_evidence or look.opens, mode.id, look.test, look.caution)
        for mode in live.modes
        for look in mode.inspections
    ]
    return tuple(
        (mode, test, caution, "changes" if changes else "leaves it", "")
        for changes, mode, test, caution in sorted(found, key=lambda row: row[0])
    )


def teardown_sheet(job: JobFile) -> Sheet:
    """The damage map, and a row a part: serial, orientation, place and kind of damage, clean parts photographed too."""
    rules = read_paper_rules()
    chart = damage_map(job.part)
    rows = []
    for row in chart.rows:
        entries = [job.part[n - 1] for n in row.entries]
        rows.append(
            (
                str(row.number),
                f"{row.part.title}: {row.part.look_for}",
                row.part.photograph,
                joined(*(joined(e.serial, e.orientation, by=", ") for e in entries), by=" / "),
                joined(*(_damage(e) for e in entries), by=" / "),
                joined(*(joined(said(e.photo), e.by, by=", ") for e in entries), by=" / "),
            )
        )
    head = (
        "No.",
        "Part: look for",
        "Photograph",
        "Serial, orientation",
        "Place and kind of damage, or clean",
        "Photo, by",
    )
    off = [job.part[n - 1] for n in chart.off_map]
    legend = "; ".join(f"{sign} {words}" for sign, words in _legend())
    parts: list[PaperPart] = [
        Fields((Field("Present: names, parties"), Field("Date, place")), columns=2),
        Drawing(chart.svg, f"Damage map, not to scale. {legend}. Dashed: no entry yet."),
        Table(head, tuple(rows), (5, 25, 18, 15, 22, 15), title="Parts"),
    ]
    more = tuple((e.part, "", e.serial, e.orientation, _damage(e), joined(said(e.photo), e.by, by=", ")) for e in off)
    own = ("Part", "Look for", "Serial", "Orientation", "Place and kind of damage, or clean", "Photo, by")
    parts.append(Table(own, more, (20, 15, 12, 15, 23, 15), title="Parts that are not on the drawing", blank=3))
    purpose = (
        "Every part that is looked at is an entry: a clean part is photographed too, since the absence of damage is "
        "evidence."
    )
    return Sheet(
        "teardown", "Teardown", purpose, cautions_of(rules.cautions.teardown), tuple(parts), gaps_of(job, "part")
    )


def _legend() -> tuple[tuple[str, str], ...]:
    return (
        ("× hatched", STATE_WORDS["damaged"]),
        ("✓", STATE_WORDS["clean"]),
        ("?!", STATE_WORDS["contradictory"]),
        ("…", STATE_WORDS["seen"]),
    )


def _damage(entry: Part) -> str:
    if entry.clean:
        return joined("clean" if not entry.place else f"{entry.place}: clean", entry.text)
    return joined(joined(entry.place, entry.damage, by=": "), entry.text)


def sample_sheet(job: JobFile) -> Sheet:
    """Bottles and bags: where, when against the failure, running hours; values as they came."""
    rules = read_paper_rules()
    zone = job.case.time_zone
    guide = tuple((s.kind, s.place, s.how, s.values, f"{s.read} ({s.basis})") for s in rules.samples.sample)
    rows = tuple(
        (
            joined(sample.kind, sample.bottle, by=" "),
            joined(sample.place, said(sample.time, zone), sample.by, by=", "),
            joined(sample.taken, _hours(sample.hours_since_change, "since change"), _hours(sample.run_hours, "run")),
            joined(sample.lab, sample.method, by=", "),
            joined(*(f"{v.kind} {v.value:g} {v.unit}".strip() for v in sample.value), sample.text),
        )
        for sample in job.sample
    )
    parts: tuple[PaperPart, ...] = (
        Table(("Kind", "Place", "How", "Asked of the laboratory", "How it is read"), guide, (10, 20, 28, 20, 22)),
        Table(
            ("Kind, bottle", "Place, time, by", "Before or after the failure; hours", "Laboratory, method", "Values"),
            rows,
            (14, 24, 20, 18, 24),
            title="Samples",
            blank=max(2, 5 - len(rows)),
        ),
    )
    return Sheet(
        "samples",
        "Samples",
        "A sample without place, time and hours says nothing later.",
        cautions_of(rules.cautions.samples),
        parts,
        gaps_of(job, "sample"),
    )


def _hours(value: float | None, what: str) -> str:
    return "" if value is None else f"{value:g} h {what}"
