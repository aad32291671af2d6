"""Answers that many checks ask for, kept with the record or subject that they were made of."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any, Concatenate, ParamSpec, Protocol, TypeVar


class Remembers(Protocol):
    """Something that keeps what was made of it; a copy with other values begins anew."""

    @property
    def memo(self) -> dict[Any, Any]:
        """Answers by function and further arguments."""
        ...


Owner = TypeVar("Owner", bound=Remembers)
Given = ParamSpec("Given")
Made = TypeVar("Made")


def kept_with_owner(make: Callable[Concatenate[Owner, Given], Made]) -> Callable[Concatenate[Owner, Given], Made]:
    """Keep what a function makes of its first argument with that argument, and as long as it lives.

    Further arguments are told apart by identity, since records and subjects hold arrays and have no hash; they are held
    with the answer, so that no other object can take the place of one that went.
    """

    @wraps(make)
    def answer(owner: Owner, /, *given: Given.args, **named: Given.kwargs) -> Made:
        key = (make, *map(id, (*given, *named.values())))
        if key not in owner.memo:
            owner.memo[key] = ((given, named), make(owner, *given, **named))
        made: Made = owner.memo[key][1]
        return made

    return answer
