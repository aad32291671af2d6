"""``report``: the incident notebook on a case."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from forensics.cli.answer import Answer
from forensics.cli.options import Commands, Parser, command, limits_of
from forensics.cli.speech import Speech


def add(commands: Commands) -> None:
    """Add the command."""
    report = command(
        commands,
        "report",
        "run the incident notebook on a case and write its report",
        "forensics report case.toml --out report --limit starts.unloaded_ratio_max=0.45",
    )
    report.add_argument("case", type=Path, metavar="CASE.toml", help="the case file")
    options(report, "folder of the results (default: report, beside the case file)")
    report.set_defaults(run=run_case)


def options(parser: Parser, out: str) -> None:
    """Options of every command that writes a report; ``out`` is the help of its folder."""
    parser.add_argument("--out", type=Path, default=None, metavar="DIR", help=out)
    parser.add_argument("--tables", action="store_true", help="also write the tables as CSV")
    parser.add_argument(
        "--cell-limit", type=float, default=None, metavar="SECONDS", help="stop a cell that runs longer (default: none)"
    )
    parser.add_argument(
        "--limit",
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help="a limit for this run alone, told on page one; may be given several times (names: forensics help limits)",
    )
    parser.add_argument(
        "--notebook",
        type=Path,
        default=None,
        metavar="FILE",
        help="your copy of the incident notebook: its cells tagged 'own' are bound in under your name",
    )


def run_case(parsed: Any, speech: Speech) -> Answer:
    """Run a case."""
    return report_on(parsed.case, parsed.out or parsed.case.parent / "report", parsed, speech)


def report_on(case: Path, out: Path, parsed: Any, speech: Speech) -> Answer:
    """Run the incident notebook on a case into a folder."""
    from forensics.report import run_report
    from forensics.results.findings_json import read_findings

    limits = limits_of(parsed.limit)
    if speech.bar:
        result = _run(run_report, case, out, parsed, limits, bar=True)
    else:
        with speech.at_work("report"):
            result = _run(run_report, case, out, parsed, limits, bar=False)
    verdict = read_findings(result.findings).verdict
    data = {
        "report": str(result.report),
        "findings": str(result.findings),
        "set_aside": str(result.set_aside),
        "notebook": str(result.notebook),
        "tables": None if result.tables is None else str(result.tables),
        "limits": limits,
        "verdict": verdict.model_dump(mode="json"),
        "wall_s": round(result.wall_s, 3),
    }
    more = (f"{result.figures} figures, {result.wall_s:.1f} s",)
    return Answer((result.summary, str(result.report)), data, result.notes, more)


def _run(run_report: Any, case: Path, out: Path, parsed: Any, limits: dict[str, float], *, bar: bool) -> Any:
    return run_report(
        case,
        out,
        tables=parsed.tables,
        cell_limit_s=parsed.cell_limit,
        progress=bar,
        limits=limits,
        own=parsed.notebook,
    )
