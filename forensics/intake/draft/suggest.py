"""Which role a column's name suggests, and how well: its words against the alias table (``rules/aliases.toml``).

A suggestion is only that: the engineer confirms it in the case file. A name that fits two roles suggests none.
"""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from typing import Annotated

from pydantic import StringConstraints

from forensics.model.vocabulary import Role
from forensics.rules import FOLDER
from forensics.rules.strict import Form, read_form

_SPLIT = re.compile(r"[^a-z0-9%]+")
_CAMEL = re.compile(r"(?<=[a-z])(?=[A-Z])|(?<=\d)(?=[A-Za-z]{3})")
_SHORTEST_PIECE = 3
_GLUED = 6
_LONGEST_SKELETON = 3


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A role and how well the name fits it, 0 to 1."""

    role: Role
    score: float


@dataclass(frozen=True, slots=True)
class Aliases:
    """The alias table, ready to compare.

    Attributes
    ----------
    matching
        Thresholds by name.
    words
        One spelling for each word: to the words that the aliases use (none: the word is left out).
    phrases
        Role and words of each alias.
    known
        Every word that an alias uses.
    """

    matching: Mapping[str, float]
    words: Mapping[str, tuple[str, ...]]
    phrases: tuple[tuple[Role, frozenset[str]], ...]
    known: frozenset[str]


class _Matching(Form):
    suggest_min: float
    mention_min: float
    margin_min: float
    qualifier: float
    unknown_word: float
    fuzzy_ratio: float
    shared_share: float


class _File(Form):
    """``rules/aliases.toml``."""

    matching: _Matching
    words: Mapping[str, str]
    roles: Mapping[Role, Mapping[Annotated[str, StringConstraints(pattern=r"^(any|[a-z]{2})$")], list[str]]]


@cache
def read_aliases() -> Aliases:
    """Read the alias table once."""
    data = read_form(_File, FOLDER / "aliases.toml")
    words = {_plain(word): tuple(_SPLIT.split(_plain(full))) if full else () for word, full in data.words.items()}
    phrases: list[tuple[Role, frozenset[str]]] = []
    for name, by_language in data.roles.items():
        for phrase in (phrase for group in by_language.values() for phrase in group):
            own = frozenset(full for word in _SPLIT.split(_plain(phrase)) if word for full in words.get(word, (word,)))
            if own:
                phrases.append((name, own))
    known = frozenset(word for _, own in phrases for word in own)
    return Aliases(data.matching.model_dump(), words, tuple(dict.fromkeys(phrases)), known)


def _plain(text: str) -> str:
    """Lower case without accents."""
    apart = unicodedata.normalize("NFKD", text.replace("ß", "ss"))
    return "".join(sign for sign in apart if not unicodedata.combining(sign)).casefold()


def shared_words(names: Sequence[str]) -> tuple[frozenset[str], str]:
    """Words that most names carry, and the letters that all begin with: tags of the machine, not of the point."""
    aliases = read_aliases()
    count = Counter(word for name in names for word in set(_raw_words(name)))
    least = max(3.0, aliases.matching["shared_share"] * len(names))
    shared = frozenset(word for word, number in count.items() if number >= least and _full(word) is None)
    prefix = _begin([_plain(name) for name in names]) if len(names) > 2 else ""  # noqa: PLR2004 - two may agree by chance
    digits = re.match(r"^[a-z]*[\W_]*\d+", prefix)
    return shared, digits[0] if digits else ""


def _begin(names: Sequence[str]) -> str:
    """Letters with which all names begin."""
    first, last = min(names), max(names)
    length = next((at for at, (one, other) in enumerate(zip(first, last, strict=False)) if one != other), len(first))
    return first[:length]


def _raw_words(name: str) -> list[str]:
    return [word for word in _SPLIT.split(_plain(_CAMEL.sub(" ", name))) if word]


def _full(word: str) -> tuple[str, ...] | None:
    """The words that a word stands for; None where it stands in no list."""
    aliases = read_aliases()
    if word in aliases.words:
        return aliases.words[word]
    if word in aliases.known:
        return (word,)
    if word.endswith("s") and word[:-1] in aliases.known:
        return (word[:-1],)
    return None


def words_of(name: str, shared: frozenset[str] = frozenset(), prefix: str = "") -> tuple[frozenset[str], int]:
    """Words of a name in the spelling of the aliases, and how many of its words stand in no list."""
    text = name
    if prefix and _plain(name).startswith(prefix) and len(name) > len(prefix):
        text = name[len(prefix) :]
    found: set[str] = set()
    unknown = 0
    for word in _raw_words(text):
        if word in shared:
            continue
        full = _full(word)
        if full is None:
            full = _near(word)
        if full is None and len(word) >= _GLUED:
            full = _unglued(word)
        if full is None:
            unknown += 1
        else:
            found.update(full)
    return frozenset(found), unknown


@cache
def _near(word: str) -> tuple[str, ...] | None:
    """The word of the lists that this one is a cut or slightly other spelling of; None for none or several."""
    from rapidfuzz import fuzz, process

    aliases = read_aliases()
    if len(word) < _SHORTEST_PIECE or any(sign.isdigit() for sign in word):
        return None
    cut = [known for known in aliases.known if known.startswith(word)]
    if len(cut) == 1 or (cut and len({known[: len(word) + 2] for known in cut}) == 1):
        return (min(cut, key=len),)
    if cut:
        return None
    close = process.extract(word, aliases.known, scorer=fuzz.ratio, score_cutoff=aliases.matching["fuzzy_ratio"])
    if close:
        return (close[0][0],)
    letters = [known for known in aliases.known if known[0] == word[0] and _is_skeleton(word, known)]
    return (letters[0],) if len(letters) == 1 else None


def _is_skeleton(short: str, full: str) -> bool:
    """Whether the letters of a short form follow each other in a word, its consonants in front: ``pwr``, ``cndsr``."""
    rest = iter(full)
    return (
        len(short) < len(full) <= _LONGEST_SKELETON * len(short)
        and all(letter in rest for letter in short)
        and not set(short[1:]) & set("aeiou")
    )


@cache
def _unglued(word: str) -> tuple[str, ...] | None:
    """Words written together and cut short, as in ``dischpres``: the fewest pieces that each begin a known word."""
    aliases = read_aliases()
    lexicon = sorted(aliases.known | aliases.words.keys())
    best: dict[int, tuple[str, ...]] = {0: ()}
    for start in range(len(word)):
        if start not in best:
            continue
        for end in range(start + 1, len(word) + 1):
            piece = word[start:end]
            last = end == len(word)
            if len(piece) < _SHORTEST_PIECE and not (last and start > 0):
                continue
            full = _piece(piece, lexicon, exact=len(piece) <= _SHORTEST_PIECE and not last)
            if full is None and last and len(piece) < _SHORTEST_PIECE:
                full = ()  # one or two letters of a word that was cut off: too little to tell which
            if full is not None and (end not in best or len(best[start]) + len(full) <= len(best[end])):
                best[end] = (*best[start], *full)
    return best.get(len(word)) or None


def _piece(piece: str, lexicon: Sequence[str], *, exact: bool) -> tuple[str, ...] | None:
    aliases = read_aliases()
    if piece in aliases.words:
        return aliases.words[piece] or None
    if piece in aliases.known:
        return (piece,)
    if exact:
        return None
    begins = [word for word in lexicon if word.startswith(piece)]
    stands_for = {aliases.words.get(word, (word,)) for word in begins} - {()}
    if len(stands_for) == 1:
        return next(iter(stands_for))
    shortest = min(begins, key=len, default="")
    if shortest and all(word.startswith(shortest) for word in begins):
        return aliases.words.get(shortest, (shortest,)) or None
    return None


def suggest(
    name: str, allowed: frozenset[Role], shared: frozenset[str] = frozenset(), prefix: str = ""
) -> tuple[Suggestion, ...]:
    """Roles that a name suggests, best first.

    Parameters
    ----------
    name
        Column, point or channel name as the export has it.
    allowed
        Roles that the content and the unit of the column allow.
    shared, prefix
        From :func:`shared_words`.
    """
    aliases = read_aliases()
    own, unknown = words_of(name, shared, prefix)
    if not own:
        return ()
    best: dict[Role, float] = {}
    for role, phrase in aliases.phrases:
        if role in allowed:
            both = len(own & phrase)
            if both:
                # A known word that the alias lacks is a qualifier: it makes another point of it.
                beside = aliases.matching["qualifier"] * (len(own) - both) + aliases.matching["unknown_word"] * unknown
                score = 2 * both / (both + len(phrase) + beside)
                best[role] = max(best.get(role, 0.0), score)
    found = [
        Suggestion(role, round(score, 2)) for role, score in best.items() if score >= aliases.matching["mention_min"]
    ]
    return tuple(sorted(found, key=lambda one: (-one.score, one.role.value)))


def is_clear(found: Sequence[Suggestion]) -> bool:
    """Whether the first suggestion is good enough, and far enough ahead of the next, to be written down."""
    matching = read_aliases().matching
    if not found or found[0].score < matching["suggest_min"]:
        return False
    return all(first.score - second.score >= matching["margin_min"] for first, second in [*pairwise(found)][:1])
