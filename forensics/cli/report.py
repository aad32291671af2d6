"""``report`` and ``demo``: the incident notebook on a case."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from forensics.cli.answer import Answer
from forensics.cli.options import Commands, Parser, command, limits_of
from forensics.cli.speech import Speech
from forensics.errors import InputError, Problem

DEMO_OUT = Path("demo-report")


def add(commands: Commands) -> None:
    """Add both commands."""
    report = command(
        commands,
        "report",
        "run the incident notebook on a case and write its report",
        "forensics report case.toml --out report --limit starts.unloaded_ratio_max=0.45",
    )
    report.add_argument("case", type=Path, metavar="CASE.toml", help="the case file")
    _options(report, "folder of the results (default: report, beside the case file)")
    report.set_defaults(run=run_case)
    demo = command(
        commands,
        "demo",
        "the same on a demonstration case that ships",
        "forensics demo loaded-starts --out demo-report",
    )
    demo.add_argument("name", nargs="?", default="loaded-starts", help="which one (default: loaded-starts)")
    demo.add_argument("--list", action="store_true", help="name the demonstration cases and end")
    _options(demo, f"folder of the results (default: {DEMO_OUT})")
    demo.set_defaults(run=run_demo)


def _options(parser: Parser, out: str) -> None:
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
    return _report(parsed.case, parsed.out or parsed.case.parent / "report", parsed, speech)


def run_demo(parsed: Any, speech: Speech) -> Answer:
    """Run a demonstration case, or list them."""
    from forensics.case.read import read_case_file
    from forensics.demo import DEMO_CASES

    if parsed.list:
        titles = {name: read_case_file(path).case.title for name, path in DEMO_CASES.items()}
        lines = tuple(f"{name:<16} {title}" for name, title in titles.items())
        return Answer(lines, {"demonstrations": titles})
    if parsed.name not in DEMO_CASES:
        known = ", ".join(DEMO_CASES)
        raise InputError([Problem(f"there is no demonstration case '{parsed.name}'", remedy=f"There are: {known}.")])
    return _report(DEMO_CASES[parsed.name], parsed.out or DEMO_OUT, parsed, speech)


def _report(case: Path, out: Path, parsed: Any, speech: Speech) -> Answer:
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
