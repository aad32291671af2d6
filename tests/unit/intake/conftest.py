"""Fixtures that read an export the way a case does."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest
from intake_reading import MESSY, Point, Read, read_case


@pytest.fixture
def messy() -> Callable[..., Read]:
    """Reads files of one of the messy folders, by its number."""

    def read(number: str, files: str | Sequence[str], points: Sequence[Point] = (), **more: Any) -> Read:
        folder = next(MESSY.glob(f"{number}-*"))
        return read_case(folder, [files] if isinstance(files, str) else files, points, **more)

    return read


@pytest.fixture
def text(tmp_path: Path) -> Callable[..., Read]:
    """Reads an export whose text or bytes are given."""

    def read(content: str | bytes, points: Sequence[Point] = (), *, name: str = "log.csv", **more: Any) -> Read:
        (tmp_path / name).write_bytes(content.encode() if isinstance(content, str) else content)
        return read_case(tmp_path, [name], points, **more)

    return read
