"""The command line with the stand-in in it."""

from __future__ import annotations

import stand_in_preload  # noqa: F401

from forensics.cli import main

if __name__ == "__main__":
    raise SystemExit(main())
