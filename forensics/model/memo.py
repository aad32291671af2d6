"""Answers that many checks ask for and that are made once for the object they are made of."""

from __future__ import annotations

import weakref
from collections.abc import Callable
from functools import wraps
from typing import Any, Concatenate, ParamSpec, TypeVar

Owner = TypeVar("Owner")
Given = ParamSpec("Given")
Made = TypeVar("Made")


def made_once(make: Callable[Concatenate[Owner, Given], Made]) -> Callable[Concatenate[Owner, Given], Made]:
    """Remember what a function made of its first argument, until it is asked for another one.

    Records and subjects hold arrays and have no hash, so they are known by identity, the first argument only weakly:
    what was made of it goes with the next. Further arguments are told apart by identity as well.
    """
    held: list[tuple[weakref.ref[Any], dict[tuple[int, ...], tuple[Any, Made]]]] = []

    @wraps(make)
    def answer(owner: Owner, /, *given: Given.args, **named: Given.kwargs) -> Made:
        if not held or held[0][0]() is not owner:
            held[:] = [(weakref.ref(owner), {})]
        known = held[0][1]
        key = tuple(map(id, (*given, *named.values())))
        if key not in known:
            # what an id stands for is held with the answer, so that no other object can take its place
            known[key] = ((given, named), make(owner, *given, **named))
        return known[key][1]

    return answer
