"""Short runs that several tests look at, each made once."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import pytest
from forensics.demo.scenarios import Run, short_run

Maker = Callable[[str], Run]


@lru_cache(maxsize=64)
def _made(fault: str) -> Run:
    interval_s = 10.0 if fault == "flooded-start" else 1.0
    return short_run(fault, 5, cycles=3, healthy_cycles=1, interval_s=interval_s)


@pytest.fixture(scope="session")
def made() -> Maker:
    """Three short cycles of a fault, the first of them healthy."""
    return _made


@pytest.fixture(scope="session")
def sound() -> Run:
    """Three short cycles of the healthy machine."""
    return _made("none")
