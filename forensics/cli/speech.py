"""How the program speaks: answers to standard output, notes and progress to the error stream, all of it to a log."""

from __future__ import annotations

import logging
import os
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

from forensics.cli.answer import FAILED
from forensics.errors import InputError, Problem
from forensics.model.outside_text import for_line, for_terminal

FIRST_BEAT_S, BEAT_S = 1.5, 5.0
log = logging.getLogger("forensics")
log.addHandler(logging.NullHandler())  # without a log nothing goes to the error stream by this way
log.propagate = False


@dataclass(frozen=True)
class Speech:
    """How much is said, and whether to a program."""

    quiet: bool = False
    verbose: bool = False
    as_json: bool = False

    @property
    def bar(self) -> bool:
        """Whether a bar of progress is drawn."""
        return not self.quiet and sys.stderr.isatty()

    def note(self, text: str) -> None:
        """A note for people."""
        text = for_line(text)
        log.info(text)
        if not self.quiet:
            say(f"note: {text}")

    @contextmanager
    def at_work(self, what: str) -> Iterator[None]:
        """Say every few seconds that the program is at work; nothing where a bar is drawn or quiet was asked for."""
        if self.quiet:
            yield
            return
        done = threading.Event()
        beat = threading.Thread(target=_beat, args=(what, done), daemon=True)
        beat.start()
        try:
            yield
        finally:
            done.set()
            beat.join()
            if sys.stderr.isatty():
                _end_line()


def _beat(what: str, done: threading.Event) -> None:
    began, wait_s = time.monotonic(), FIRST_BEAT_S
    while not done.wait(wait_s):
        text = f"{what}: at work, {time.monotonic() - began:.0f} s"
        if sys.stderr.isatty():
            print(f"\r{for_terminal(text)}", end="", file=sys.stderr, flush=True)
            wait_s = 1.0
        else:
            say(text)
            wait_s = BEAT_S


def _end_line() -> None:
    print("\r\033[K", end="", file=sys.stderr, flush=True)


class _Plain(logging.Formatter):
    """Lines of a log that no terminal obeys when it is shown."""

    def format(self, record: logging.LogRecord) -> str:
        """The line."""
        return for_terminal(super().format(record))


def open_log(path: Path) -> None:
    """Let everything that is said, and what went wrong inside, go to a file, too.

    Raises
    ------
    InputError
        It can't be written.
    """
    try:
        handler = logging.FileHandler(path, encoding="utf-8")
    except OSError as fault:
        raise InputError([Problem(f"the log can't be written ({fault.strerror})", file=str(path))]) from None
    handler.setFormatter(_Plain("%(asctime)s %(levelname)s %(message)s"))
    for before in log.handlers:
        before.close()
    log.handlers[:] = [handler]
    log.setLevel(logging.INFO)


def tell(text: object) -> None:
    """A line of the answer."""
    log.info(str(text))
    print(for_terminal(str(text)))


def say(text: str) -> None:
    """A line for the error stream; where nobody listens there is nobody to tell."""
    try:
        print(for_terminal(text), file=sys.stderr, flush=True)
    except (OSError, ValueError):
        give_up(sys.stderr)


def written(code: int) -> int:
    """The exit code, once all that was said is out: a full disk or a closed pipe at the other end is a failure."""
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        code = FAILED
    except OSError as fault:
        say(f"the answer could not be written ({fault.strerror})")
        code = FAILED
    else:
        return code
    give_up(sys.stdout)
    return code


def give_up(stream: TextIO) -> None:
    """Let what is left in a stream go nowhere, so that the end of the program does not stumble over it."""
    try:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)
    except (OSError, ValueError):
        return
