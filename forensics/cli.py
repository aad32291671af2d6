"""The command line: arguments to one call, errors to plain text and an exit code.

Exit codes: 0 done, whatever the verdict; 2 the input must be corrected; 1 the program itself failed or was stopped.
"""

from __future__ import annotations

import argparse
import io
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TextIO

from forensics.errors import ForensicsError, InputError
from forensics.model.outside_text import for_terminal

DONE, FAILED, CORRECT = 0, 1, 2
CAUTION = (
    "Findings are technical. Before anybody opens, tests or restarts the machine: isolate, lock out, prove dead, "
    "release stored pressure; local codes and licensed practice govern."
)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit code."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a terminal of another encoding shows a code, and no traceback
            stream.reconfigure(errors="backslashreplace")
    try:
        parsed = _parser().parse_args(arguments)
    except SystemExit as left:
        raise SystemExit(_written(left.code if isinstance(left.code, int) else CORRECT)) from None
    return _written(_answer(parsed))


def _answer(parsed: argparse.Namespace) -> int:
    run: Callable[[argparse.Namespace], int] = parsed.run
    try:
        return run(parsed)
    except InputError as fault:
        _say(f"{len(fault.problems)} to correct:" if len(fault.problems) != 1 else "1 to correct:")
        for problem in fault.problems:
            _say(f"  {problem}")
        return CORRECT
    except ForensicsError as fault:
        _say(str(fault))
        return FAILED
    except KeyboardInterrupt:
        _say("stopped")
        return FAILED
    except BrokenPipeError:
        return FAILED
    except OSError as fault:
        where = f": {fault.filename}" if fault.filename else ""
        _say(f"could not be read or written ({fault.strerror or type(fault).__name__}){where}")
        return FAILED


def _written(code: int) -> int:
    """The exit code, once all that was said is out: a full disk or a closed pipe at the other end is a failure."""
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        code = FAILED
    except OSError as fault:
        _say(f"the answer could not be written ({fault.strerror})")
        code = FAILED
    else:
        return code
    _give_up(sys.stdout)
    return code


def _give_up(stream: TextIO) -> None:
    """Let what is left in a stream go nowhere, so that the end of the program does not stumble over it."""
    try:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)
    except (OSError, ValueError):
        return


def _tell(text: object) -> None:
    print(for_terminal(str(text)))


def _say(text: str) -> None:
    try:
        print(for_terminal(text), file=sys.stderr, flush=True)
    except (OSError, ValueError):  # where nobody listens there is nobody to tell
        _give_up(sys.stderr)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="forensics", description="Root-cause workbook for twin-screw chiller compressors.", epilog=CAUTION
    )
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")

    report = commands.add_parser("report", help="run the incident notebook on a case")
    report.add_argument("case", type=Path, metavar="CASE.toml")
    _report_options(report)
    report.set_defaults(run=_report)

    demo = commands.add_parser("demo", help="the same on a demonstration case that ships")
    demo.add_argument("name", nargs="?", default="loaded-starts", help="which one (default: loaded-starts)")
    _report_options(demo)
    demo.set_defaults(run=_demo)

    notebooks = commands.add_parser("notebooks", help="copy the notebooks and a demonstration case, ready to open")
    notebooks.add_argument("folder", type=Path, metavar="DIR")
    notebooks.set_defaults(run=_notebooks)

    draft = commands.add_parser("draft", help="read exports and draft a case file")
    draft.add_argument("exports", type=Path, nargs="+", metavar="EXPORT")
    draft.add_argument("--out", type=Path, default=None, help="where to write it (default: print it)")
    draft.set_defaults(run=_draft)

    check = commands.add_parser("check", help="read everything and say what is missing; judges nothing")
    check.add_argument("case", type=Path, metavar="CASE.toml")
    check.set_defaults(run=_check)

    seal = commands.add_parser("seal", help="pack a finished case as a BagIt bag")
    seal.add_argument("folder", type=Path, metavar="DIR")
    seal.add_argument("--out", type=Path, default=None, help="the bag (default: DIR with -sealed)")
    seal.add_argument("--by", default="", help="who seals it, for custody.csv")
    unnamed = "where it is not found from the results"
    seal.add_argument("--case", type=Path, default=None, metavar="CASE.toml", help=unnamed)
    seal.add_argument("--key", type=Path, default=None, metavar="PRIVATE.pem", help="sign with this Ed25519 key")
    seal.set_defaults(run=_seal)

    verify = commands.add_parser("verify", help="check a bag and make its results again")
    verify.add_argument("bag", type=Path, metavar="BAG|ZIP")
    verify.add_argument("--key", type=Path, default=None, metavar="PUBLIC.pem", help="key that must have signed it")
    verify.add_argument("--seal-id", default="", metavar="ID", help="seal id that it must have")
    verify.set_defaults(run=_verify)

    batch = commands.add_parser("batch", help="many cases; one that fails never stops the others")
    # texts, not paths: an address such as s3://… must keep its two slashes
    batch.add_argument("cases", nargs="+", metavar="CASE.toml", help="paths, or addresses that fsspec knows")
    batch.add_argument("--out", default="batch", help="folder of all results, or an address")
    where = batch.add_mutually_exclusive_group()
    where.add_argument("--workers", type=int, default=1, help="processes on this machine")
    where.add_argument("--scheduler", default="", metavar="ADDRESS", help="a running dask.distributed scheduler")
    batch.add_argument("--resume", action="store_true", help="skip cases whose inputs and software are unchanged")
    batch.add_argument("--case-limit", type=float, default=None, metavar="SECONDS")
    batch.add_argument("--memory-limit", type=float, default=None, metavar="MIB")
    batch.set_defaults(run=_batch)

    sites = commands.add_parser("sites", help="compare finished cases across sites")
    sites.add_argument("folders", type=Path, nargs="+", metavar="DIR")
    sites.add_argument("--out", type=Path, default=Path("sites"))
    exposure = "exposure: machine, from, to, hours, starts, still running"
    sites.add_argument("--fleet", type=Path, default=None, metavar="fleet.csv", help=exposure)
    sites.set_defaults(run=_sites)

    study = commands.add_parser("study", help="how often checks, grades and verdicts are right on simulated machines")
    study.add_argument("--cases", type=int, default=60, help="cases to judge (default: 60)")
    study.add_argument("--seed", type=int, default=1, help="another seed, other machines (default: 1)")
    where = study.add_mutually_exclusive_group()
    where.add_argument("--workers", type=int, default=1, help="processes on this machine")
    where.add_argument("--scheduler", default="", metavar="ADDRESS", help="a running dask.distributed scheduler")
    study.add_argument("--out", type=Path, default=Path("study"), help="folder; what it holds is not made again")
    study.set_defaults(run=_study)
    return parser


def _report_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--out", type=Path, default=None, help="folder for the report (default: beside the case file)")
    parser.add_argument("--tables", action="store_true", help="also write the tables as CSV")
    parser.add_argument(
        "--cell-limit", type=float, default=None, metavar="SECONDS", help="stop a cell that runs longer"
    )


def _report(parsed: argparse.Namespace) -> int:
    return _run_report(parsed.case, parsed.out or parsed.case.with_suffix("").parent / "report", parsed)


def _demo(parsed: argparse.Namespace) -> int:
    from forensics.demo import DEMO_CASES
    from forensics.errors import Problem

    if parsed.name not in DEMO_CASES:
        known = ", ".join(DEMO_CASES)
        raise InputError([Problem(f"there is no demonstration case '{parsed.name}'", remedy=f"There are: {known}.")])
    return _run_report(DEMO_CASES[parsed.name], parsed.out or Path("demo-report"), parsed)


def _run_report(case: Path, out: Path, parsed: argparse.Namespace) -> int:
    from forensics.report import run_report

    result = run_report(case, out, tables=parsed.tables, cell_limit_s=parsed.cell_limit, progress=sys.stderr.isatty())
    for note in result.notes:
        _say(f"note: {note}")
    _tell(result.summary)
    _tell(result.report)
    return DONE


def _notebooks(parsed: argparse.Namespace) -> int:
    from forensics.demo import DEMO_CASES
    from forensics.report.notebook_copies import copy_notebooks

    written = copy_notebooks(parsed.folder, DEMO_CASES["loaded-starts"])
    for path in written:
        print(path)
    if not any(path.name == "case.toml" for path in written):
        _say("note: the folder has a case file of its own; no demonstration case was copied")
    return DONE


def _draft(parsed: argparse.Namespace) -> int:
    from forensics.intake.draft.draft import draft_case

    text = draft_case(parsed.exports, parsed.out)
    if parsed.out is None:
        # what goes to a file goes there letter for letter
        print(for_terminal(text) if sys.stdout.isatty() else text, end="")
    else:
        parsed.out.write_text(text, encoding="utf-8")
        _tell(parsed.out)
    return DONE


def _check(parsed: argparse.Namespace) -> int:
    from forensics.report.check import check_case_folder

    _tell(check_case_folder(parsed.case))
    return DONE


def _seal(parsed: argparse.Namespace) -> int:
    from forensics.seal import seal, seal_id

    bag = seal(
        parsed.folder, parsed.out, by=parsed.by, case=parsed.case, key=parsed.key, passphrase=_passphrase(parsed.key)
    )
    _tell(bag)
    _tell(f"seal id {seal_id(bag)} (note it somewhere else: it stands for every byte of the bag)")
    _tell("signed" if parsed.key is not None else "unsigned: give --key to show who sealed it")
    return DONE


def _passphrase(key: Path | None) -> Callable[[], bytes] | None:
    """Asks for the passphrase of a key where somebody sits at the terminal."""
    if key is None or not sys.stdin.isatty():
        return None

    def ask() -> bytes:
        import getpass

        return getpass.getpass(f"passphrase of {key.name}: ").encode()

    return ask


def _verify(parsed: argparse.Namespace) -> int:
    from forensics.seal import verify

    outcome = verify(parsed.bag, key=parsed.key, wanted_id=parsed.seal_id)
    _tell(outcome.text)
    return DONE if outcome.sound else CORRECT


def _batch(parsed: argparse.Namespace) -> int:
    from forensics.batch import BatchPlan, run_batch

    plan = BatchPlan(
        cases=tuple(parsed.cases),
        out=parsed.out,
        workers=parsed.workers,
        scheduler=parsed.scheduler,
        resume=parsed.resume,
        case_limit_s=parsed.case_limit,
        memory_limit_mib=parsed.memory_limit,
        progress=sys.stderr.isatty(),
    )
    outcome = run_batch(plan)
    _tell(outcome.table)
    return outcome.exit_code


def _sites(parsed: argparse.Namespace) -> int:
    from forensics.sites import compare_sites

    _tell(compare_sites(tuple(parsed.folders), parsed.out, fleet=parsed.fleet, progress=sys.stderr.isatty()))
    return DONE


def _study(parsed: argparse.Namespace) -> int:
    from forensics.study.command import study
    from forensics.study.run import StudyPlan

    asked = StudyPlan(parsed.cases, parsed.out, parsed.seed, parsed.workers, parsed.scheduler)
    _tell(study(asked, progress=sys.stderr.isatty()))
    return DONE
