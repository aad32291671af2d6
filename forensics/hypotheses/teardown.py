"""The teardown set against the data, both ways: what fits, what speaks against it, what fits nothing."""

from __future__ import annotations

from collections.abc import Mapping

from forensics.hypotheses.evidence import Evidence, TeardownRow
from forensics.hypotheses.inspection_evidence import Remark


def teardown(
    evidence: Evidence, remarks: tuple[Remark, ...], present: Mapping[str, tuple[str, ...]], proven: tuple[str, ...]
) -> tuple[TeardownRow, ...]:
    """Each physical finding against the data and each proven mode against the physical findings; what fits nothing.

    Parameters
    ----------
    present
        For each mode the ids of present findings that speak for it.
    proven
        Modes that the data prove: one without a physical counterpart is listed too.
    """
    rows: list[TeardownRow] = []
    things: list[tuple[str, str, str, str]] = []
    for number, seen in enumerate(evidence.observations, 1):
        when = "" if seen.time is None else seen.time.isoformat()
        things.append((f"observation {number}", f"{seen.kind}: {seen.text}", when, seen.by))
    for number, value in enumerate(evidence.measurements, 1):
        when = "" if value.time is None else value.time.isoformat()
        things.append((f"measurement {number}", f"{value.kind} {value.value:g} {value.unit}".strip(), when, value.by))
    met: set[str] = set()
    for name, what, when, by in things:
        mine = [remark for remark in remarks if remark.id == name]
        fits = tuple(remark.mode for remark in mine if remark.supports)
        denies = tuple(remark.mode for remark in mine if not remark.supports)
        data = tuple(dict.fromkeys(one for mode in fits for one in present.get(mode, ())))
        met.update(fits)
        note = _note(mine, fits, denies, data, proven)
        note += "".join(f"; {why}" for why in dict.fromkeys(remark.not_shown for remark in mine) if why)
        rows.append(TeardownRow(what=what, when=when, by=by, fits=fits, speaks_against=denies, data=data, note=note))
    for mode in proven:
        if things and mode not in met:
            note = "the data show it; no physical finding of the case speaks of it"
            rows.append(
                TeardownRow(
                    what=f"data: {mode}",
                    when="",
                    by="",
                    fits=(mode,),
                    speaks_against=(),
                    data=present.get(mode, ()),
                    note=note,
                )
            )
    return tuple(rows)


def _note(
    mine: list[Remark], fits: tuple[str, ...], denies: tuple[str, ...], data: tuple[str, ...], proven: tuple[str, ...]
) -> str:
    if not mine:
        return "assigned to no cause: name in bears_on what it bears on, and in shows what it shows"
    against = [mode for mode in denies if mode in proven]
    if against:
        return f"speaks against what the data show ({', '.join(against)})"
    if fits and not data:
        return "has no counterpart in the data"
    if fits:
        return "has a counterpart in the data"
    return "speaks against modes that the data do not show either"
