"""From the arguments to one command, and from what it comes to, to text and an exit code."""

from __future__ import annotations

import difflib
import io
import sys
from collections.abc import Callable, Sequence
from importlib import metadata
from pathlib import Path
from typing import Any

from forensics.cli import bags, batch, case_commands, demo, draft, papers, reference, report, sites, study
from forensics.cli.answer import CORRECT, FAILED, STOPPED, Answer, document, problems_document
from forensics.cli.options import Parser
from forensics.cli.speech import Speech, log, open_log, say, tell, written
from forensics.errors import ForensicsError, InputError, Problem
from forensics.model.outside_text import for_line, for_terminal

CAUTION = (
    "Findings are technical. Before anybody opens, tests or restarts the machine: isolate, lock out, prove dead, "
    "release stored pressure; local codes and licensed practice govern."
)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit code."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a terminal of another encoding shows a code, and no traceback
            stream.reconfigure(errors="backslashreplace")
    given = list(sys.argv[1:] if arguments is None else arguments)
    parser, names = make_parser()
    try:
        refuse_unknown(given, names)
        parsed = parser.parse_args(given)
    except InputError as fault:
        return _written_fault(fault, as_json="--json" in given)
    except SystemExit as left:
        raise SystemExit(written(left.code if isinstance(left.code, int) else CORRECT)) from None
    return written(_run(parsed, given))


def make_parser() -> tuple[Parser, tuple[str, ...]]:
    """The parser of all commands, and their names."""
    parser = Parser(
        prog="forensics", description="Root-cause workbook for twin-screw chiller compressors.", epilog=CAUTION
    )
    version = f"screw-forensics {metadata.version('screw-forensics')}"
    parser.add_argument("--version", action="version", version=version, help="say which version this is")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND", parser_class=Parser)
    for family in (report, demo, case_commands, draft, bags, batch, sites, papers, study, reference):
        family.add(commands)
    return parser, tuple(commands.choices)


def refuse_unknown(given: Sequence[str], names: Sequence[str]) -> None:
    """Refuse a command that is none, naming the nearest.

    Raises
    ------
    InputError
        The first argument that is no option is not a command.
    """
    command = next((one for one in given if not one.startswith("-")), None)
    if command is None or command in names:
        return
    near = difflib.get_close_matches(command, names, n=1)
    hint = f" (did you mean '{near[0]}'?)" if near else ""
    remedy = f"There are: {', '.join(names)}."
    raise InputError([Problem(f"there is no command '{command}'{hint}", remedy=remedy)])


def _run(parsed: Any, given: Sequence[str]) -> int:
    speech = Speech(quiet=parsed.quiet, verbose=parsed.verbose, as_json=parsed.json)
    code = FAILED
    try:
        if parsed.log is not None:
            open_log(Path(parsed.log))
        log.info("forensics %s", for_line(" ".join(given)))
        run: Callable[[Any, Speech], Answer] = parsed.run
        answer = run(parsed, speech)
        code = answer.code
        _speak(answer, speech)
    except InputError as fault:
        code = _written_fault(fault, as_json=speech.as_json)
    except KeyboardInterrupt:
        code = _failed("stopped", speech, STOPPED)
    except BrokenPipeError:
        code = FAILED
    except OSError as fault:
        where = f": {fault.filename}" if fault.filename else ""
        code = _failed(f"could not be read or written ({fault.strerror or type(fault).__name__}){where}", speech)
    except ForensicsError as fault:
        code = _failed(str(fault), speech)
    except Exception:
        log.exception("the program failed")
        raise
    log.info("exit code %d", code)
    return code


def _speak(answer: Answer, speech: Speech) -> None:
    for note in answer.notes:
        speech.note(note)
    if speech.verbose:
        for line in answer.more:
            say(line)
    if speech.as_json:
        print(answer.document())
        return
    if answer.plain:
        # what goes to a file goes there letter for letter
        print(for_terminal(answer.plain) if sys.stdout.isatty() else answer.plain, end="")
    for line in answer.lines:
        tell(line)


def _failed(text: str, speech: Speech, code: int = FAILED) -> int:
    log.error(for_line(text))
    if speech.as_json:
        print(document({"exit_code": code, "failed": text}))
    say(text)
    return code


def _written_fault(fault: InputError, *, as_json: bool) -> int:
    """Every problem of the input, on the error stream or as a document."""
    for problem in fault.problems:
        log.error(for_line(str(problem)))
    if as_json:
        print(problems_document(fault))
        return CORRECT
    count = len(fault.problems)
    say(f"{count} {'problem' if count == 1 else 'problems'} to correct:")
    for problem in fault.problems:
        say(f"  {for_line(str(problem))}")
    return CORRECT
