"""Which unit a column has: told in the case, written in its name, in a units row or in its cells, or asked for.

The only place where units enter.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

from forensics.case.exports import Point
from forensics.intake.result import Detection
from forensics.model.units import Datum, Unit, fits, needs_datum, read_unit
from forensics.model.vocabulary import ROLE_FACTS, Dimension, Role

_BRACKET = re.compile(r"^(?P<name>.*?\S)\s*[\[(](?P<unit>(?:[^\[\]()]|\([^()]*\))+)[\])]\s*$")


@dataclass(slots=True)
class UnitJudge:
    """Decides the unit of a column.

    Attributes
    ----------
    ask
        Puts a question about a point: what, remedy.
    detections, notes
        Take what was found.
    """

    ask: Callable[[Point, str, str], None]
    detections: list[Detection]
    notes: list[str]

    def unit_of(self, point: Point, header: str, units_row: str, in_cells: str) -> Unit | None:
        """Unit of a column: the case file's, else the header's brackets, the units row, the cells, the header's end.

        A unit that can't be read, does not fit the role, or does not say gauge or absolute is asked for by name.

        Parameters
        ----------
        in_cells
            Unit that the cells carry; empty where they carry none.
        """
        role = point.role
        told = self.said_units(point, header, units_row, in_cells)
        if ROLE_FACTS[role].dimension is Dimension.COUNT and not told:
            return read_unit("1")
        if not point.unit and self._disagree(point, told):
            return None
        for text, evidence in told:
            unit = read_unit(text)
            if unit is None and evidence.startswith("header") and len(told) > 1:
                continue
            return self._accept(point, text, unit, evidence, told)
        wanted = ROLE_FACTS[role].dimension.value
        self.ask(point, f"no unit is given for a {wanted}.", "Give unit in its [[point]].")
        return None

    @staticmethod
    def said_units(point: Point, header: str, units_row: str, in_cells: str = "") -> list[tuple[str, str]]:
        """Every place that says a unit of a column, the strongest first: the text of the unit, and where it stands."""
        bracket, tail = _of_header(header, point.role)
        if tail in ("a", "A") and (units_row or in_cells or point.role is Role.AMPS_A):
            tail = None  # the letter of a phase
        told: list[tuple[str, str]] = []
        if point.unit:
            told.append((point.unit, "given in the case file"))
        if bracket is not None:
            told.append((bracket["unit"].strip(), f"header '{header}'"))
        if units_row:
            told.append((units_row, "units row"))
        if in_cells:
            told.append((in_cells, "written in the cells"))
        if tail is not None:
            told.append((tail, f"end of the header '{header}'"))
        return told

    def _accept(
        self, point: Point, text: str, unit: Unit | None, evidence: str, told: list[tuple[str, str]]
    ) -> Unit | None:
        role = point.role
        if unit is None:
            self.ask(point, f"the unit '{text}' ({evidence}) is not known.", "Give unit in its [[point]].")
            return None
        if not fits(unit, role):
            wanted = ROLE_FACTS[role].dimension.value
            self.ask(
                point,
                f"the unit '{text}' ({evidence}) is not one of a {wanted}, which role {role.value} needs.",
                "Correct unit or role.",
            )
            return None
        if needs_datum(unit, role):
            settled = self._datum_elsewhere(unit, told)
            if settled is None:
                self.ask(
                    point,
                    f"'{text}' ({evidence}): gauge or absolute?",
                    f'Give unit = "{text}g" or "{text}a"; if gauge, give the site\'s air pressure or height '
                    "(machine.air_pressure_kpa or altitude_m; 101.325 kPa assumed only if you say so).",
                )
                return None
            unit = settled
        if evidence != "given in the case file":
            self.detections.append(Detection(f"unit of {point.column}", unit.text, evidence))
        else:
            for other, where in told[1:]:
                known = read_unit(other)
                if known is not None and (known.factor, known.dimension) != (unit.factor, unit.dimension):
                    self.notes.append(
                        f"{point.column}: unit '{text}' is given in the case file, {where} says '{other}'"
                    )
        return unit

    def _disagree(self, point: Point, told: list[tuple[str, str]]) -> bool:
        """Ask where two places give units that are not the same."""
        known = [(text, where, unit) for text, where in told if (unit := read_unit(text)) is not None]
        known = [item for item in known if fits(item[2], point.role)]
        for text, where, unit in known[1:]:
            first = known[0]
            other_size = (unit.factor, unit.offset, unit.of_rated_amps) != (
                first[2].factor, first[2].offset, first[2].of_rated_amps,
            )  # fmt: skip
            other_zero = Datum.UNSTATED not in (unit.datum, first[2].datum) and unit.datum is not first[2].datum
            if other_size or other_zero:
                self.ask(
                    point,
                    f"two units are given: '{first[0]}' ({first[1]}) and '{text}' ({where}).",
                    "Give the right unit in its [[point]].",
                )
                return True
        return False

    @staticmethod
    def _datum_elsewhere(unit: Unit, told: list[tuple[str, str]]) -> Unit | None:
        """The same unit with its datum, where another place says it."""
        for text, _ in told:
            other = read_unit(text)
            if other is not None and other.factor == unit.factor and other.datum is not unit.datum:
                return other
        return None


def _of_header(header: str, role: Role) -> tuple[re.Match[str] | None, str | None]:
    """The bracket at the end of a header, else the unit there, which may have brackets of its own: ``kPa(g)``."""
    tail = _trailing_unit(header, role)
    if tail is not None and tail.endswith((")", "]")):
        return None, tail
    bracket = _BRACKET.match(header)
    return bracket, None if bracket is not None else tail


def _trailing_unit(header: str, role: Role) -> str | None:
    """Unit at the end of a header without brackets: ``OilP kPa``, ``SuctP kPa abs``, ``DischT C``."""
    parts = re.split(r"[\s_]+", header.strip())
    for count in (2, 1):
        if len(parts) > count:
            text = " ".join(parts[-count:])
            unit = read_unit(text)
            if unit is not None and fits(unit, role):
                return text
    return None
