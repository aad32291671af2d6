"""A program that puts sets of results in place, one after the other, each marked with its number in every file."""

from __future__ import annotations

import sys
from pathlib import Path

from finished_cases import MADE, write_finished

from forensics.errors import ForensicsError

PADDING = 40_000


def write(case: Path, out: Path, number: int, size: int = PADDING) -> None:
    mark = f"set {number}"
    write_finished(
        case,
        out,
        page=f"<!doctype html><p>{mark}</p><p>Made {MADE}.</p>{'x' * size}",
        aside=f"exports/trend.csv,3,{mark},{'y' * size}\n",
        tables={f"t{n}.csv": f"{mark}\n{'z' * (size // 10)}" for n in range(1 + number % 4)},
        version=f"0.1.{number}",
    )


def main() -> None:
    """``case out number size number size …``: prints how each set ended, as an exit code would."""
    case, out = Path(sys.argv[1]), Path(sys.argv[2])
    for number, size in zip(sys.argv[3::2], sys.argv[4::2], strict=True):
        try:
            write(case, out, int(number), int(size))
        except (ForensicsError, OSError) as fault:
            print(fault)
            print("code 1")
        else:
            print("code 0")


if __name__ == "__main__":
    main()
