"""Custody item by item: who had it from whom, and where the chain of hand-overs has a gap."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from forensics.case.job import Custody
from forensics.case.schema import CaseFile
from forensics.case.values import local_to_utc


@dataclass(frozen=True, slots=True)
class CustodyGap:
    """A break or a missing entry in the chain of one item."""

    where: str
    what: str
    contradicts: bool = False


def custody_chains(case: CaseFile) -> Mapping[str, tuple[Custody, ...]]:
    """Hand-overs of each item in the order in which they are written, items in the order of their first entry."""
    chains: dict[str, list[Custody]] = {}
    for row in case.custody:
        chains.setdefault(row.item.strip(), []).append(row)
    return {item: tuple(rows) for item, rows in chains.items()}


def custody_gaps(case: CaseFile) -> tuple[CustodyGap, ...]:
    """Missing entries, hand-overs that do not join, times that run backwards, hashes that differ, items without any.

    An item without any entry is looked for only where custody is kept at all.
    """
    chains = custody_chains(case)
    found = [gap for item, rows in chains.items() for gap in _chain(item, rows, case.case.time_zone)]
    if chains:
        found += _without(case, set(chains))
    return tuple(found)


def _chain(item: str, rows: tuple[Custody, ...], zone: str) -> list[CustodyGap]:
    out = []
    wanted = (("received_from", "from whom"), ("how", "how"), ("time", "when"), ("by", "by whom"))
    for n, row in enumerate(rows, 1):
        where = f"custody of {item}, hand-over {n}"
        out += [CustodyGap(where, f"{words} ({key})") for key, words in wanted if getattr(row, key) in ("", None)]
        if row.file and not row.sha256:
            out.append(CustodyGap(where, "the hash of the file (sha256)"))
        if n == 1:
            continue
        before = rows[n - 2]
        if before.by and row.received_from and before.by.casefold() != row.received_from.casefold():
            words = f"received from {row.received_from}, and the last who had it is {before.by}"
            out.append(CustodyGap(where, words, contradicts=True))
        if before.time and row.time and local_to_utc(row.time, zone) < local_to_utc(before.time, zone):
            out.append(CustodyGap(where, "received before the hand-over before it", contradicts=True))
        if before.sha256 and row.sha256 and before.sha256 != row.sha256:
            out.append(CustodyGap(where, "the hash is not that of the hand-over before it", contradicts=True))
    return out


def _without(case: CaseFile, items: set[str]) -> list[CustodyGap]:
    named = {item.casefold() for item in items}
    wanted = [f"{part.part} {part.serial}".strip() for part in case.part]
    wanted += [sample.bottle or f"{sample.kind} sample {n}" for n, sample in enumerate(case.sample, 1)]
    return [
        CustodyGap(f"custody of {item}", "no entry: nobody is told to have it")
        for item in dict.fromkeys(wanted)
        if not any(item.casefold() in name for name in named)
    ]
