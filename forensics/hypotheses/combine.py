"""What several signs of one mode add together: one effect once, one sensor and one chain by falling shares.

Independent evidence adds in decibans (Good 1950). Signs that a mode names as one effect are one. Findings that rest on
the same rows of the same columns are one look at one sensor and share its errors. What follows from another link of a
causal chain is expected once that is seen, so each further link adds a falling share. The chains are those of the
machine, the same for every mode: a rival gains no more from a chain than the mode that is held against it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace

from forensics.hypotheses.evidence import Cell
from forensics.hypotheses.scale import Scale
from forensics.model.findings import Finding
from forensics.model.vocabulary import Outcome

Rows = Mapping[tuple[str, str], tuple[int, int]]


def rows_by_column(finding: Finding) -> Rows:
    """First and last row that a finding rests on, by source and column."""
    found: dict[tuple[str, str], tuple[int, int]] = {}
    for cite in finding.cites:
        first, last = found.get((cite.source, cite.column), cite.rows)
        found[(cite.source, cite.column)] = (min(first, cite.rows[0]), max(last, cite.rows[1]))
    return found


def read_together(a: Rows, b: Rows) -> bool:
    """Whether two findings rest on the same columns and on rows that overlap: one sensor, looked at once."""
    return bool(a) and set(a) == set(b) and any(a[one][0] <= b[one][1] and b[one][0] <= a[one][1] for one in a)


@dataclass(frozen=True, slots=True)
class Combined:
    """The cells with what each adds, heaviest first, and the heads: the heaviest cell of each effect."""

    cells: tuple[Cell, ...]
    heads: tuple[Cell, ...]

    @property
    def points(self) -> float:
        """Decibans of all together."""
        return sum(cell.points for cell in self.cells if cell.counted)


def combine(cells: Collection[Cell], cited: Mapping[str, Rows], scale: Scale) -> Combined:
    """Mark what each cell adds.

    Parameters
    ----------
    cells
        With the decibans that each would carry alone.
    cited
        For each finding the rows it rests on, by source and column; a finding without was told by no sensor.
    """
    counted: list[Cell] = []
    doubles: list[Cell] = []
    links: Counter[str] = Counter()
    for cell in sorted(cells, key=lambda one: (-one.full, one.finding)):
        if any(cell.group == one.group for one in counted):
            doubles.append(replace(cell, points=cell.full, counted=False))
            continue
        share = 1.0
        if cell.outcome is Outcome.PRESENT and cell.check in scale.chains:
            share = scale.chain_share ** links[scale.chains[cell.check]]
            links[scale.chains[cell.check]] += 1
        mine = cited.get(cell.finding, {})
        looked = sum(read_together(mine, cited.get(one.finding, {})) for one in counted)
        share = min(share, scale.sensor_share**looked)
        counted.append(replace(cell, points=cell.full * share, counted=True))
    whole = sorted([*counted, *doubles], key=lambda one: (-one.full, one.finding))
    return Combined(tuple(whole), tuple(counted))
