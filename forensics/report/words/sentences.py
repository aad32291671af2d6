"""Quantities inside the project's own sentences, shown in the unit system of the case.

Findings keep their sentences in canonical units, so that findings.json never depends on how a report is shown. Only
the report turns them over, and only sentences that the project wrote: what stands between quotation marks, and
texts that were read from the case or its exports, stay letter for letter.

What a sentence means by a unit is fixed: ``degC`` is a temperature, ``K`` a difference of temperatures, ``kPa abs`` an
absolute pressure, ``kPa`` a difference of pressures. A number that stands without a unit is never touched.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from functools import cache

from forensics.report.words.units import Shown, shown_unit
from forensics.results.schema import FindingsFile

_NUMBER = r"[+\-−]?\d+(?:\.\d+)?(?:e[+\-]?\d+)?"
_JOIN = r"(?:\s+to\s+|\s+or\s+|\s*±\s*|\s*\+/-\s*|\s*–\s*|(?<=\d)-(?=\d)|\0)"
_BASE = r"kPa abs(?:olute)?|kPa|degC|°C|K|mm/s|mm2|mm²"
_RATE = r"(?:/(?:s|min|h)|\s(?:a|an|per)\s(?:second|minute|hour|day))?"
_QUANTITY = re.compile(rf"(?<![\w.\-])({_NUMBER})((?:{_JOIN}{_NUMBER})*)(\s?)({_BASE})({_RATE})(?![\w²/])")
_BETWEEN = re.compile(rf"\b(between\s+{_NUMBER})\s+and\s+(?={_NUMBER}\s?(?:{_BASE}){_RATE}(?![\w²/]))")
_PART = re.compile(rf"({_JOIN})({_NUMBER})")
_POWER = re.compile(r"(?<![\w.])[+\-]?\d(?:\.\d+)?e[+\-]?\d+(?![\w.])")
# nothing has no sign: what was rounded to zero is said as zero
_SIGNED_ZERO = re.compile(r"(?<![\w.)])[+\-−](0(?:\.0+)?)(?![\w.:])")
_QUOTED = r"(?<!\w)'[^']*(?:'(?=\w)[^']*)*'(?!\w)|“[^”]*”|\"[^\"]*\""
_SAYS_DIFFERENCE = re.compile(
    r"\b(superheats?|subcooling|approach|by|fell|rose|rise|from|steps?|stepped|swings?|range|difference|error|"
    r"disagree|apart|saturation|colder|warmer|hotter|changed)\b",
    re.IGNORECASE,
)
_GOES_ON = re.compile(r"\s(?:or more\s)?(?:above|below|of|from|colder|warmer|hotter)\b")
_LETTER = re.compile(r"[^\W\d_]")
_SENTENCE = re.compile(r"[.]\s")
_TOLERANCE = ("±", "+/-")
_CANONICAL = {"kPa absolute": "kPa abs", "°C": "degC", "mm²": "mm2"}
_INCH_MM = 25.4
_PLAIN_BELOW = 1e7


def in_display(text: str, display: str, *, source_texts: frozenset[str] = frozenset()) -> str:
    """One sentence of the project with its quantities in the unit system of the case.

    Parameters
    ----------
    text
        In canonical units.
    display
        ``si`` or ``inch-pound``; for ``si`` only the signs of the units change (``degC`` is shown as °C).
    source_texts
        Texts from the case or its exports that the sentence may quote; they are left as they are.

    Returns
    -------
    str
        Each converted number is printed at least as finely as the one it stands for, so that converting it back gives
        the canonical number to the digits that were printed.

    Notes
    -----
    A difference of temperatures is marked as such (``°F difference``) unless the words before it say so already.
    """
    if not any(char.isdigit() for char in text):
        return text
    parts, at = [], 0
    for found in _kept(source_texts).finditer(text):
        parts += [_own_words(text[at : found.start()], display), found[0]]
        at = found.end()
    return "".join([*parts, _own_words(text[at:], display)])


@cache
def _kept(source_texts: frozenset[str]) -> re.Pattern[str]:
    """What stays letter for letter: text between quotation marks, and source texts that hold a quantity and a word."""
    risky = [t for t in source_texts if _QUANTITY.search(t) and _LETTER.search(_QUANTITY.sub("", t))]
    quoted = [re.escape(t) for t in sorted(risky, key=lambda t: (-len(t), t))]
    return re.compile(f"'?(?:{'|'.join(quoted)})|{_QUOTED}" if quoted else _QUOTED)


def _own_words(text: str, display: str) -> str:
    text = _QUANTITY.sub(lambda found: _quantity(found, display), _BETWEEN.sub(r"\1\0", text))
    text = _POWER.sub(lambda found: _plain(found[0]), text.replace("\0", " and "))
    return _SIGNED_ZERO.sub(r"\1", text)


def _quantity(found: re.Match[str], display: str) -> str:
    first, more, space, base, rate = found.groups()
    shown, unit = _shown(_CANONICAL.get(base, base), rate, display)
    if display == "inch-pound" and base == "K" and not rate:
        before, after = _SENTENCE.split(found.string[: found.start()])[-1], found.string[found.end() :]
        if not (_SAYS_DIFFERENCE.search(before) or _GOES_ON.match(after)):
            unit = shown_unit("K", display).text
    words = _number(first, shown.factor, shown.offset)
    for join, number in _PART.findall(more):
        words += join + _number(number, shown.factor, 0.0 if join.strip() in _TOLERANCE else shown.offset)
    return f"{words}{space or ' '}{unit}{rate}"


@cache
def _shown(base: str, rate: str, display: str) -> tuple[Shown, str]:
    """Scale of a unit, and the unit's sign in a sentence."""
    inch_pound = display == "inch-pound"
    if base == "mm2":
        return (Shown("in²", 1.0 / _INCH_MM**2), "in²") if inch_pound else (Shown("mm²"), "mm²")
    shown = shown_unit(base, display)
    if rate:
        shown = Shown(shown.text, shown.factor)
    return shown, "°F" if inch_pound and base == "K" else shown.text


def _number(text: str, factor: float, offset: float) -> str:
    """A number on another scale, printed no coarser than it was; a plus sign is kept."""
    clean = text.replace("−", "-")
    if factor == 1.0 and offset == 0.0:
        return _plain(clean)
    mantissa, _, power = clean.partition("e")
    decimals = len(mantissa.partition(".")[2])
    value = float(clean) * factor + offset
    step = 10.0 ** (int(power or 0) - decimals) * abs(factor)
    places = max(0, math.ceil(-math.log10(step) - 1e-9))
    if not decimals:
        places = max(places, 1)
    shown = f"{value:.{places}f}"
    if not decimals and "." in shown:
        shown = shown.rstrip("0").rstrip(".")
    if float(shown) == 0.0:
        shown = shown.removeprefix("-")
    return f"+{shown}" if clean.startswith("+") and not shown.startswith("-") else shown


def _plain(text: str) -> str:
    """A number without a power of ten, where it is not huge; else as it was."""
    if "e" not in text or not 1.0 <= abs(float(text)) < _PLAIN_BELOW:
        return text
    return f"{'+' if text.startswith('+') else ''}{float(text):.0f}"


def told_in(findings: FindingsFile, say: Callable[[str], str]) -> FindingsFile:
    """A copy of the findings for people: every sentence of the project goes through ``say``, nothing else changes.

    Values, ids, stamps, sources and what the case itself states (facts, replaced limits) stay as they are; numbers
    are converted by the tables and figures that show them.
    """
    verdict = findings.verdict
    changed: dict[str, object] = {
        "verdict": verdict.model_copy(
            update={
                "statement": say(verdict.statement),
                "would_change_it": [say(line) for line in verdict.would_change_it],
            }
        ),
        "hypotheses": [h.model_copy(update={"next_test": say(h.next_test)}) for h in findings.hypotheses],
        "findings": [
            f.model_copy(update={"statement": say(f.statement), "why_not": say(f.why_not), "basis": say(f.basis)})
            for f in findings.findings
        ],
        "observability": [
            o.model_copy(update={"why": say(o.why), "unlocked_by": say(o.unlocked_by)}) for o in findings.observability
        ],
        "robustness": [r.model_copy(update={"changed": say(r.changed)}) for r in findings.robustness],
        "assumptions": [say(line) for line in findings.assumptions],
    }
    return findings.model_copy(update=changed)
