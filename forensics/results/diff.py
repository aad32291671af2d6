"""What differs between two findings files: of a re-run (should be nothing), or of a revision (what, and why).

Method: the files are walked key by key.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from forensics.results.schema import FindingsFile

SIX_DIGITS = 1e-6
_DECIMAL = re.compile(r"\d+\.\d+")


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that reads differently, before and after."""

    what: str
    before: str
    after: str

    def __str__(self) -> str:
        return f"{self.what}: {self.before or 'nothing'} -> {self.after or 'nothing'}"


@dataclass(frozen=True)
class Changes:
    """What changed from one findings file to the next.

    Attributes
    ----------
    verdict
        Status, mode, grade, further modes.
    grades
        Hypotheses whose grade changed.
    findings
        Findings whose outcome changed, or that are new or gone.
    reasons
        What else differs and can be the cause: inputs, rules, limits, versions.
    """

    verdict: tuple[Change, ...]
    grades: tuple[Change, ...]
    findings: tuple[Change, ...]
    reasons: tuple[str, ...]

    @property
    def lines(self) -> tuple[str, ...]:
        """All of it in words, one thing a line."""
        said = [f"verdict, {c}" for c in self.verdict] or ["the verdict is the same"]
        said += [f"grade of {c}" for c in self.grades]
        said += [f"finding {c}" for c in self.findings]
        return (*said, *(f"because: {reason}" for reason in self.reasons))


def compare_findings(before: FindingsFile, after: FindingsFile) -> Changes:
    """Say what changed in verdict, grades and findings, and what can be the cause."""
    return Changes(
        verdict=tuple(_changed(_verdict(before), _verdict(after))),
        grades=tuple(
            _changed(
                {str(h.mode): str(h.grade) for h in before.hypotheses},
                {str(h.mode): str(h.grade) for h in after.hypotheses},
            )
        ),
        findings=tuple(_changed(_outcomes(before), _outcomes(after))),
        reasons=tuple(_reasons(before, after)),
    )


def _verdict(findings: FindingsFile) -> dict[str, str]:
    verdict = findings.verdict
    return {
        "status": str(verdict.status),
        "mode": str(verdict.mode or ""),
        "grade": str(verdict.grade or ""),
        "also": ", ".join(sorted(str(mode) for mode in verdict.also)),
    }


def _outcomes(findings: FindingsFile) -> dict[str, str]:
    return {f.id: str(f.outcome) for f in findings.findings}


def _changed(before: dict[str, str], after: dict[str, str]) -> Iterator[Change]:
    for name in {**before, **after}:
        old, new = before.get(name, ""), after.get(name, "")
        if old != new:
            yield Change(name, old, new)


def _reasons(before: FindingsFile, after: FindingsFile) -> Iterator[str]:
    old = {s.path: s.sha256 for s in before.sources}
    new = {s.path: s.sha256 for s in after.sources}
    for path in {**old, **new}:
        if path not in new:
            yield f"export '{path}' is gone"
        elif path not in old:
            yield f"export '{path}' is new"
        elif old[path] != new[path]:
            yield f"export '{path}' has other content"
    if old == new and before.reproduce.inputs_sha256 != after.reproduce.inputs_sha256:
        yield "the case file has other content"
    limits = {o.limit: f"{o.value:g}" for o in before.overrides}, {o.limit: f"{o.value:g}" for o in after.overrides}
    for change in _changed(*limits):
        yield f"limit {change.what}: {change.before or 'default'} -> {change.after or 'default'}"
    if before.software.rules_sha256 != after.software.rules_sha256:
        yield f"other rules: {before.software.rules_sha256[:12]} -> {after.software.rules_sha256[:12]}"
    yield from version_differences(before, after)


def version_differences(before: FindingsFile, after: FindingsFile) -> list[str]:
    """Versions that differ, each with its name."""
    old = {"screw-forensics": before.software.version, **before.software.packages}
    new = {"screw-forensics": after.software.version, **after.software.packages}
    return [f"version of {c.what}: {c.before or 'none'} -> {c.after or 'none'}" for c in _changed(old, new)]


def differences(before: Any, after: Any, *, tolerance: float = 0.0) -> list[str]:
    """Where two values of JSON differ, each with its place; none where they are the same.

    Parameters
    ----------
    tolerance
        Numbers that differ by less, relative to the larger, count as the same, and so do sentences whose decimal
        fractions differ by one in the last printed digit.
    """
    return list(_walk(before, after, "", tolerance))


def _walk(old: Any, new: Any, place: str, tolerance: float) -> Iterator[str]:
    if isinstance(old, dict) and isinstance(new, dict):
        for key in {**old, **new}:
            yield from _walk(old.get(key), new.get(key), f"{place}.{key}".lstrip("."), tolerance)
    elif isinstance(old, list) and isinstance(new, list):
        if len(old) != len(new):
            yield f"{place}: {len(old)} entries -> {len(new)} entries"
            return
        for number, (first, second) in enumerate(zip(old, new, strict=True)):
            yield from _walk(first, second, f"{place}[{number}]", tolerance)
    elif not _same(old, new, tolerance):
        yield f"{place}: {_short(old)} -> {_short(new)}"


def _same(old: Any, new: Any, tolerance: float) -> bool:
    if old == new and type(old) is type(new):
        return True
    if not tolerance or isinstance(old, bool) or isinstance(new, bool):
        return False
    if isinstance(old, int | float) and isinstance(new, int | float):
        return math.isclose(old, new, rel_tol=tolerance)
    return isinstance(old, str) and isinstance(new, str) and _same_words(old, new)


def _same_words(old: str, new: str) -> bool:
    """Same sentence whose decimal fractions differ by one in the last printed digit at most (a value at the edge)."""
    if _DECIMAL.sub("#", old) != _DECIMAL.sub("#", new):
        return False
    for first, second in zip(_DECIMAL.findall(old), _DECIMAL.findall(new), strict=True):
        places = min(len(text.partition(".")[2]) for text in (first, second))
        if abs(float(first) - float(second)) > 1.01 * 10.0**-places:
            return False
    return True


def _short(value: Any, longest: int = 80) -> str:
    text = "nothing" if value is None else str(value)
    return text if len(text) <= longest else text[: longest - 1] + "…"
