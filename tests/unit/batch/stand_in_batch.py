"""The command line with the stand-in in it."""

from __future__ import annotations

import signal

import stand_in_preload  # noqa: F401

from forensics.cli import main

if __name__ == "__main__":
    # a shell that runs the tests behind it has the signal ignored, and what it starts inherits that
    signal.signal(signal.SIGINT, signal.default_int_handler)
    raise SystemExit(main())
