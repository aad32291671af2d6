"""Files of the rules: where they lie, and how one is read."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from forensics.errors import InputError, Problem
from forensics.model.paths import TABLE_BYTES, read_regular

FOLDER = Path(__file__).resolve().parent


def read_toml(path: Path) -> dict[str, Any]:
    """Read a rules file; a fault names the file and the line."""
    try:
        return tomllib.loads(read_regular(path, TABLE_BYTES).decode("utf-8"))
    except OSError as fault:
        raise InputError([Problem(f"can't be read: {fault.strerror}", file=path.name)]) from None
    except RecursionError:
        raise InputError(
            [Problem("can't be read: tables or lists lie too deep in each other", file=path.name)]
        ) from None
    except ValueError as fault:  # no TOML, no UTF-8, or a number with more digits than the reader takes
        raise InputError([Problem(f"can't be read: {fault}", file=path.name)]) from None
