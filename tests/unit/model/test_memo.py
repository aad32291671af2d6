"""What is made once for an object: remembered for it, made anew for another, told apart by what else was given."""

from __future__ import annotations

import gc
import weakref
from typing import Any

from forensics.model.memo import kept_with_owner


class Owner:
    """Something that keeps what was made of it."""

    def __init__(self) -> None:
        self.memo: dict[Any, Any] = {}


def test_kept_with_its_owner_and_what_else_was_given() -> None:
    calls: list[tuple[Owner, str]] = []

    @kept_with_owner
    def made(owner: Owner, given: str) -> list[str]:
        calls.append((owner, given))
        return [given]

    one, other = Owner(), Owner()
    a, b = "a", "b"
    assert made(one, a) is made(one, a)
    assert made(one, b) == ["b"]
    assert made(one, a) == ["a"]
    assert len(calls) == 2
    assert made(other, a) == ["a"]
    assert made(one, a) == ["a"]
    assert len(calls) == 3


def test_an_owner_is_not_kept_alive() -> None:
    @kept_with_owner
    def made(owner: Owner) -> int:
        return 1

    one = Owner()
    seen = weakref.ref(one)
    made(one)
    del one
    gc.collect()
    assert seen() is None
