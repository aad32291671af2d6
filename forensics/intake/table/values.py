"""What the cells of a column say: numbers with their marks, state words, and what means that there was no reading."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forensics.intake.lexicon import plain, read_words
from forensics.model.points import OFF, ON, UNKNOWN

_SPACES = " \u00a0\u202f\u2009"
EMPTY = "empty"
_MOST_REASONS = 200
BAD_QUALITY = "quality: "
NOT_A_NUMBER = "not a number: "
NO_COLUMN = "no such column under the header of line "
_TOLD_MISSING = (BAD_QUALITY, NO_COLUMN)


@dataclass(frozen=True, slots=True)
class Marks:
    """Decimal and thousands marks of a file; empty where none occurs."""

    decimal: str = "."
    thousands: str = ""

    def pattern(self) -> str:
        """Regular expression of a number that is written with these marks."""
        exponent = "(?:[eE][+-]?[0-9]+)?"
        tail = f"(?:{re.escape(self.decimal)}[0-9]*)?"
        plain_number = f"[+-]?(?:[0-9]+{tail}|{re.escape(self.decimal)}[0-9]+){exponent}"
        if not self.thousands:
            return f"^(?:{plain_number})$"
        mark = f"[{_SPACES}]" if self.thousands == " " else re.escape(self.thousands)
        if self.thousands == "'":
            mark = "['\u2019]"
        return rf"^(?:{plain_number}|[+-]?[0-9]{{1,3}}(?:{mark}[0-9]{{3}})+{tail})$"


@dataclass(slots=True)
class Reasons:
    """Reasons for missing cells, numbered from 1 (0 is a reading)."""

    names: list[str] = field(default_factory=lambda: [""])

    def code(self, name: str) -> int:
        """Number of a reason; a column keeps at most 200 different ones."""
        if name in self.names:
            return self.names.index(name)
        if len(self.names) > _MOST_REASONS:
            name = "not a number"
            if name in self.names:
                return self.names.index(name)
        self.names.append(name)
        return len(self.names) - 1

    def count(self, codes: NDArray[np.uint16]) -> dict[str, int]:
        """Number of cells by reason."""
        if len(self.names) == 1 or not codes.any():
            return {}
        counts = np.bincount(codes, minlength=len(self.names))
        return {name: int(counts[i]) for i, name in enumerate(self.names) if i and counts[i]}


@dataclass(slots=True)
class Numbers:
    """A column of numbers.

    Attributes
    ----------
    values, reason
        Readings (NaN without one) and the reason of each missing one, shape (n,).
    marks
        What stands behind the number in some cells: a unit, or a letter or sign.
    marked
        Number of its mark for each cell, from 1; 0 where the number stands alone; None where all do.
    as_level
        They were states of a level switch: 100 for on, 0 for off.
    """

    values: NDArray[np.float64]
    reason: NDArray[np.uint16]
    marks: list[str] = field(default_factory=list)
    marked: NDArray[np.int16] | None = None
    as_level: bool = False

    def take(self, chosen: NDArray[Any]) -> Numbers:
        """Some of the cells, by mask or position."""
        marked = None if self.marked is None else self.marked[chosen]
        return Numbers(self.values[chosen], self.reason[chosen], self.marks, marked, self.as_level)


_FLAGGED = re.compile(r"(?P<bare>[^{}]*\S)\s*\{(?P<flags>[^{}]*)\}")


def flagged(word: str) -> tuple[str, bool]:
    """A cell without the states that stand in braces behind it, and whether one of them says that it is no reading."""
    match = _FLAGGED.fullmatch(word.strip())
    if match is None:
        return word, False
    words = read_words()
    flags = [plain(flag) for flag in match["flags"].split(",")]
    if any(flag in words.missing for flag in flags):
        return match["bare"], True
    return (match["bare"] if all(flag in words.quality_good for flag in flags) else word), False


_FULL_WIDTH = {0xFF10 + digit: str(digit) for digit in range(10)} | {0xFF0E: ".", 0xFF0C: ",", 0xFF0D: "-", 0xFF0B: "+"}
_FORMULA = re.compile(r'="?([^"]*)"?')  # what keeps a sheet from reading a cell
SUFFIXED = re.compile(
    r"^(?P<number>[+-]?[\d.,'\u2019 \u00a0\u202f]*\d(?:[eE][+-]?\d+)?)\s*(?P<unit>[^\d\s+\-.,;:][^\d]*(?:2)?)$"
)


def read_numbers(texts: Any, marks: Marks, reasons: Reasons, glued: list[str] | None = None) -> Numbers:
    """Read a column of text as numbers.

    Parameters
    ----------
    texts
        pyarrow string array, shape (n,).
    marks
        Decided for the whole file.
    glued
        Marks behind numbers that are known already, to be gone on with.

    Returns
    -------
    Numbers
        A cell that is no number is NaN with a reason: ``empty``, the word that means no reading, or the text itself.
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    texts = _one(texts)
    clean = pc.utf8_trim_whitespace(pc.fill_null(texts, ""))
    matches = pc.match_substring_regex(clean, marks.pattern()).to_numpy(zero_copy_only=False)
    values = np.full(len(texts), np.nan)
    reason = np.zeros(len(texts), np.uint16)
    glued = [] if glued is None else glued
    marked: NDArray[np.int16] | None = None
    if matches.any():
        values[matches] = _cast(clean.filter(pa.array(matches)), marks)
    rest = np.flatnonzero(~matches)
    if len(rest):
        words = clean.take(pa.array(rest)).dictionary_encode()
        codes = words.indices.to_numpy()
        meaning = []
        pattern = re.compile(marks.pattern())
        for word in words.dictionary.to_pylist():
            meaning.append(_odd_cell(word, marks, pattern, reasons))
        table_values = np.array([m[0] for m in meaning])
        table_reasons = np.array([m[1] for m in meaning], np.uint16)
        values[rest] = table_values[codes]
        reason[rest] = table_reasons[codes]
        if any(mark for _, _, mark in meaning):
            marked = np.zeros(len(texts), np.int16)
            marked[rest] = np.array([_number_of(mark, glued) for _, _, mark in meaning], np.int16)[codes]
    wild = ~np.isfinite(values) & (reason == 0)
    if wild.any():
        reason[wild] = reasons.code("not a finite number")
        values[wild] = np.nan
    return Numbers(values, reason, glued, marked)


def _number_of(mark: str, marks: list[str]) -> int:
    """Number of a mark in a list, which takes it in; 0 for none."""
    if not mark:
        return 0
    if mark not in marks:
        marks.append(mark)
    return marks.index(mark) + 1


def _one(texts: Any) -> Any:
    import pyarrow as pa

    if isinstance(texts, pa.ChunkedArray):
        texts = texts.combine_chunks()
        if isinstance(texts, pa.ChunkedArray):
            texts = texts.chunk(0) if texts.num_chunks else pa.array([], pa.string())
    if pa.types.is_dictionary(texts.type):
        texts = texts.dictionary_decode()
    return texts


def _cast(texts: Any, marks: Marks) -> NDArray[np.float64]:
    import pyarrow.compute as pc

    if marks.thousands:
        drop = rf"[{_SPACES}]" if marks.thousands == " " else ("['\u2019]" if marks.thousands == "'" else None)
        texts = (
            pc.replace_substring_regex(texts, drop, "")
            if drop is not None
            else pc.replace_substring(texts, marks.thousands, "")
        )
    if marks.decimal == ",":
        texts = pc.replace_substring(texts, ",", ".")
    texts = pc.utf8_ltrim(texts, "+")
    result: NDArray[np.float64] = pc.cast(texts, "float64").to_numpy(zero_copy_only=False).astype(np.float64)
    return result


def _odd_cell(word: str, marks: Marks, pattern: re.Pattern[str], reasons: Reasons) -> tuple[float, int, str]:
    """Value, reason code and unit suffix of a cell that is not a plain number."""
    if not word:
        return np.nan, reasons.code(EMPTY), ""
    if plain(word) in read_words().missing or word.startswith(_TOLD_MISSING):
        return np.nan, reasons.code(word), ""
    shown = word if len(word) <= 40 else word[:37] + "…"  # noqa: PLR2004 - a reason fits a table cell
    if word.endswith("}"):
        word, lost = flagged(word)
        if lost:
            return np.nan, reasons.code(shown), ""
        if word.endswith("}"):
            return np.nan, reasons.code(f"{NOT_A_NUMBER}{shown}"), ""
    if not word.isascii():
        word = word.translate(_FULL_WIDTH)
    formula = _FORMULA.fullmatch(word)
    word = (formula[1] if formula is not None else word).strip().replace("\u2212", "-")
    if pattern.match(word):
        import pyarrow as pa

        return float(_cast(pa.array([word]), marks)[0]), 0, ""
    match = SUFFIXED.match(word)
    if match is not None and pattern.match(match["number"].strip()):
        import pyarrow as pa

        value = float(_cast(pa.array([match["number"].strip()]), marks)[0])
        return value, 0, match["unit"].strip()
    return np.nan, reasons.code(f"{NOT_A_NUMBER}{shown}"), ""


@dataclass(frozen=True, slots=True)
class StateWords:
    """State words of one point.

    Attributes
    ----------
    on, off, unknown
        Words compared by :func:`plain`.
    told
        Whether the case file gave them: then the language lists are not used, only the words for no reading are.
    """

    on: frozenset[str]
    off: frozenset[str]
    unknown: frozenset[str]
    missing: frozenset[str]

    def meaning(self, word: str) -> int | None:
        """ON, OFF or UNKNOWN; None where the word is not known."""
        key = plain(word)
        if word.startswith(_TOLD_MISSING):
            return UNKNOWN
        if key.startswith("=") and key not in self.on | self.off | self.unknown:
            guarded = _FORMULA.fullmatch(key)
            key = key if guarded is None else guarded[1].strip()
        if key.endswith("}") and key not in self.on | self.off | self.unknown:
            bare, lost = flagged(key)
            if lost:
                return UNKNOWN
            key = plain(bare)
        for forms in _forms(key):
            if forms in self.unknown:
                return UNKNOWN
            if forms in self.on:
                return ON
            if forms in self.off:
                return OFF
        return UNKNOWN if key in self.missing else None


def _forms(key: str) -> Iterable[str]:
    yield key
    try:
        number = float(key.replace(",", "."))
    except ValueError:
        return
    if np.isfinite(number) and number == int(number):
        yield str(int(number))


def state_words(on: Sequence[str], off: Sequence[str], unknown: Sequence[str], role: str) -> StateWords:
    """State words of a point: the case file's where it gives any, else the lists of all languages.

    A list that the case gives replaces that list only; a word that it gives for one state is taken out of the others.
    """
    words = read_words()
    default_on, default_off = words.on, words.off
    missing = words.missing
    if role == "communication":
        default_on, default_off = words.communication_on, words.communication_off
    if role == "trip":
        missing = missing - words.asked_for_trip
    given_on = frozenset(form for word in on for form in _forms(plain(word)))
    given_off = frozenset(form for word in off for form in _forms(plain(word)))
    given_unknown = frozenset(plain(word) for word in unknown)
    chosen_on = given_on or (default_on - given_off)
    chosen_off = given_off or (default_off - given_on)
    return StateWords(
        on=chosen_on - given_unknown,
        off=chosen_off - given_on - given_unknown,
        unknown=given_unknown,
        missing=missing - given_on - given_off,
    )


_PLAIN = re.compile(r"[+-]?\d+")
_ONE_MARK = re.compile(r"[+-]?(\d*)([.,])(\d+)")
_GROUPED = re.compile(r"[+-]?\d{1,3}(?:([.,'\u2019 \u00a0\u202f])\d{3})+(?:([.,])\d+)?")


@dataclass(slots=True)
class MarkCount:
    """Evidence for the marks of a file, gathered from its cells."""

    decimal: dict[str, tuple[int, str]] = field(default_factory=dict)
    thousands: dict[str, tuple[int, str]] = field(default_factory=dict)
    undecided: int = 0

    def look(self, text: str, row: int) -> bool:
        """Take in one cell; True where it may be read with either mark."""
        text = text.strip()
        if not text or _PLAIN.fullmatch(text):
            return False
        suffixed = SUFFIXED.match(text)
        if suffixed is not None:
            text = suffixed["number"].strip()
        grouped = _GROUPED.fullmatch(text)
        if grouped is not None:
            marks = re.findall(r"[.,'\u2019 \u00a0\u202f]", text)
            if len(marks) == 1 and marks[0] in ".,":
                if text.lstrip("+-").startswith("0"):
                    self.decimal.setdefault(marks[0], (row, text))
                    return False
                self.undecided += 1
                return True
            mark = " " if grouped[1] in _SPACES else ("'" if grouped[1] == "\u2019" else grouped[1])
            if grouped[2] and grouped[2] == grouped[1]:
                return False
            self.thousands.setdefault(mark, (row, text))
            if grouped[2]:
                self.decimal.setdefault(grouped[2], (row, text))
            return False
        single = _ONE_MARK.fullmatch(text) or re.fullmatch(r"[+-]?(\d+)([.,])(\d*)[eE][+-]?\d+", text)
        if single is not None:
            self.decimal.setdefault(single[2], (row, text))
        return False
