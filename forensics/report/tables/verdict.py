"""Tables of the answers: findings, starts, stops, hypotheses, the matrix of modes and findings, robustness."""

from __future__ import annotations

import pandas as pd

from forensics.report.tables.words import frame, when, yes_no
from forensics.report.words.units import CANNOT, ReportTime, number, shown_unit
from forensics.results.schema import FindingRow, FindingsFile, HypothesisRow

FOR, AGAINST, CANNOT_TELL = "for", "against", "cannot tell"


def findings_table(findings: FindingsFile, clock: ReportTime, display: str) -> pd.DataFrame:
    """Every answer of every detector with its interval, limit, basis and the rows it stands on."""
    columns = (
        "finding",
        "outcome",
        "statement",
        "value",
        "interval",
        "limit",
        "basis",
        "from",
        "to",
        "every, s",
        "rows",
    )
    return frame(columns, [_finding_row(f, clock, display) for f in findings.findings])


def _finding_row(f: FindingRow, clock: ReportTime, display: str) -> tuple[str, ...]:
    unit = shown_unit(f.unit, display)
    interval = CANNOT if f.low is None or f.high is None else f"{unit.number(f.low)} to {unit.number(f.high)}"
    value = unit.number(f.value)
    return (
        f.id,
        f.outcome.value,
        f.statement,
        f"{value} {unit.text}".strip() if f.value is not None else CANNOT,
        interval,
        unit.number(f.limit),
        f.basis or CANNOT,
        when(f.from_utc, clock),
        when(f.to_utc, clock),
        number(f.sample_interval_s, digits=3),
        "; ".join(_rows(c.source, c.column, c.rows) for c in f.cites) or CANNOT,
    )


def _rows(source: str, column: str, rows: tuple[int, int]) -> str:
    span = f"row {rows[0]}" if rows[0] == rows[1] else f"rows {rows[0]} to {rows[1]}"
    return f"{source}, '{column}', {span}"


def starts_table(findings: FindingsFile, clock: ReportTime) -> pd.DataFrame:
    """Every start with its ratio and interval."""
    rows = [
        (
            when(s.time_utc, clock),
            number(s.inrush_amps),
            number(s.settled_amps),
            number(s.ratio, digits=3),
            CANNOT if s.low is None or s.high is None else f"{number(s.low, digits=3)} to {number(s.high, digits=3)}",
            s.unloaded.value,
            s.reverse_rotation.value,
            s.previous_stop.value,
        )
        for s in findings.starts
    ]
    columns = (
        "start",
        "inrush, A",
        "settled, A",
        "ratio to rated",
        "interval",
        "unloaded",
        "ran backwards during the start",
        "stop before",
    )
    return frame(columns, rows)


def stops_table(findings: FindingsFile, clock: ReportTime, display: str) -> pd.DataFrame:
    """Every stop with what happened in its coast-down."""
    pressure = shown_unit("kPa", display)
    rows = [
        (
            when(s.time_utc, clock),
            s.kind.value,
            s.reverse_rotation.value,
            s.reverse_basis,
            _interval(s.reverse_speed_rpm_low, s.reverse_speed_rpm_high),
            "no such valve" if s.bypass_released is None else s.bypass_released.value,
            yes_no(s.equal_at_motor_off),
            _with_bound(
                s.equalisation_time_constant_s, s.equalisation_time_constant_s_low, s.equalisation_time_constant_s_high
            ),
            number(s.high_side_decay_s, digits=3),
            pressure.number(s.residual_difference_kpa, digits=3),
        )
        for s in findings.stops
    ]
    columns = (
        "stop",
        "kind",
        "reverse rotation",
        "basis",
        "backward speed by the gas, rpm",
        "bypass released",
        "equal at motor off",
        "equalisation, s",
        "high-side decay, s",
        f"residual difference, {pressure.text}",
    )
    return frame(columns, rows)


def _with_bound(value: float | None, low: float | None, high: float | None) -> str:
    """A number; where only a bound is known, that."""
    if value is None and high is not None:
        return f"at most {number(high, digits=3)}"
    if value is None and low is not None:
        return f"at least {number(low, digits=3)}"
    return number(value, digits=3)


def _interval(low: float | None, high: float | None) -> str:
    return CANNOT if low is None or high is None else f"{number(low, digits=3)} to {number(high, digits=3)}"


def hypotheses_table(findings: FindingsFile) -> pd.DataFrame:
    """Every mode with its grade and the findings for, against and silent."""
    rows = [
        (h.mode.value, h.grade.value, *(", ".join(ids) for ids in (h.for_, h.against, h.cannot_tell)), h.next_test)
        for h in findings.graded
    ]
    return frame(("mode", "grade", "for", "against", "cannot tell", "next test"), rows)


def matrix_table(findings: FindingsFile) -> pd.DataFrame:
    """Modes (rows) by findings (columns): for, against, cannot tell, or empty."""
    ids = [f.id for f in findings.findings]
    words = [_matrix_row(h, ids) for h in findings.graded]
    used = [n for n in range(len(ids)) if any(row[n] for row in words)]
    rows = [
        [h.mode.value, h.grade.value, *(row[n] for n in used)] for h, row in zip(findings.graded, words, strict=True)
    ]
    return frame(("mode", "grade", *(ids[n] for n in used)), rows)


def _matrix_row(h: HypothesisRow, ids: list[str]) -> list[str]:
    said = dict.fromkeys(h.cannot_tell, CANNOT_TELL) | dict.fromkeys(h.against, AGAINST) | dict.fromkeys(h.for_, FOR)
    return [said.get(name, "") for name in ids]


EFFECTS = ("holds", "weaker", "lost", "changed")


def robustness_table(findings: FindingsFile) -> pd.DataFrame:
    """What the verdict becomes when one thing is changed."""
    rows = [(r.changed, r.verdict, r.effect) for r in findings.robustness]
    return frame(("what was changed", "verdict then", "the verdict"), rows)
