"""Which exports are the files of one logger: the same columns in one folder, under names that a pattern fits alone."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from forensics.intake.draft.inspect import Preview
from forensics.intake.exhibits import source_files
from forensics.intake.lexicon import plain


def one_logger(looks: Sequence[Preview]) -> list[list[Preview]]:
    """Put the exports together that may be the files of one logger, in the order in which they were given.

    Whether they are shows when they are read: files that cover the same time with rows that differ are not.
    """
    groups: dict[object, list[Preview]] = {}
    for number, look in enumerate(looks):
        groups.setdefault(_key(look) or number, []).append(look)
    out: list[list[Preview]] = []
    for group in groups.values():
        out += [group] if len(group) > 1 and pattern_of(group) else [[look] for look in group]
    return out


def _key(look: Preview) -> object:
    """What the files of one logger have in common; None for what is read alone."""
    if look.problem is not None or look.keys.get("kind") != "trend":
        return None
    keys = tuple(sorted((key, value) for key, value in look.keys.items() if key != "sheet"))
    # in a long layout the points of a file may be others each day: its columns tell
    names = (
        frozenset(plain(column.name) for column in look.columns) if look.keys.get("layout") == "wide" else frozenset()
    )
    # what a name says beside its date or number tells one machine from the next
    stem = re.sub(r"^\d+(?:-\d+)*[_. -]*|[_. -]*\d+(?:-\d+)*$", "", look.file.name.partition(".")[0])
    return look.file.parent, look.file.suffix, stem, keys, names


def pattern_of(looks: Sequence[Preview]) -> str:
    """Pattern that fits these files and no other of their folder; empty where there is none."""
    names = [look.file.name for look in looks]
    begin = _common(names)
    end = _common([name[len(begin) :][::-1] for name in names])[::-1]
    folder = looks[0].file.parent
    for shorter in (begin.rstrip("0123456789"), begin):  # a number is varied as a whole
        pattern = f"{shorter}*{end.lstrip('0123456789') if shorter != begin else end}"
        if (shorter or end.strip(".")) and set(source_files(pattern, folder)) == set(names):
            return pattern
    return ""


def _common(names: Sequence[str]) -> str:
    """What all names begin with."""
    first, last = min(names), max(names)
    same = (place for place, (one, other) in enumerate(zip(first, last, strict=False)) if one != other)
    return first[: next(same, len(first))]


def as_one(looks: Sequence[Preview]) -> Preview:
    """The files of one logger as one export: the path is a pattern, examples come from all."""
    first = looks[0]
    if len(looks) == 1:
        return first
    pattern = pattern_of(looks)
    path = f"{first.path.rpartition('/')[0]}/{pattern}" if "/" in first.path else pattern
    columns = {column.name: column for look in reversed(looks) for column in look.columns}
    return replace(
        first, path=path, columns=first.columns if first.keys.get("layout") == "wide" else [*columns.values()]
    )
