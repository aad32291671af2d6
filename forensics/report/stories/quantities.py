"""The readings behind a quantity of a story, and how its panel is named."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forensics.model.points import NS, Samples
from forensics.model.record import Record
from forensics.model.vocabulary import Role
from forensics.report.figures.downsample import thin
from forensics.report.figures.traces import gap_positions
from forensics.report.figures.trends import difference
from forensics.report.stories.plan import read_plans
from forensics.report.words.units import Shown, shown_role, shown_unit

MOST_POINTS = 420
_DIFFERENCES = {
    "discharge_less_suction": (Role.DISCHARGE_PRESSURE, Role.SUCTION_PRESSURE),
    "condenser_less_suction": (Role.CONDENSER_PRESSURE, Role.SUCTION_PRESSURE),
    "filter_drop": (Role.OIL_FILTER_IN_PRESSURE, Role.OIL_PRESSURE),
    "oil_difference": (Role.OIL_PRESSURE, Role.SUCTION_PRESSURE),
}
_FIRST_OF = {"high_pressure": (Role.CONDENSER_PRESSURE, Role.DISCHARGE_PRESSURE, Role.HIGH_SIDE_PRESSURE)}


@dataclass(frozen=True)
class Quantity:
    """Readings of one quantity with the words and the unit of its panel."""

    name: str
    samples: Samples
    shown: Shown

    @property
    def title(self) -> str:
        """What the panel shows, with its unit."""
        return panel_title(self.name, self.shown.text)


def panel_title(name: str, unit: str) -> str:
    """Words for a quantity, with its unit where it has one."""
    words = read_plans().quantity.get(name, name.replace("_", " "))
    return f"{words}, {unit}" if unit else words


def quantity(record: Record, name: str, display: str) -> Quantity | None:
    """The readings of a named quantity; None where the record has none."""
    if name == "oil_difference" and (direct := record.point(Role.OIL_PRESSURE_DIFFERENCE)) is not None:
        return Quantity(name, direct, shown_unit("kPa", display))
    if name in _DIFFERENCES:
        plus, minus = (record.point(role) for role in _DIFFERENCES[name])
        made = difference(plus, minus)
        return None if made is None or not len(made) else Quantity(name, made, shown_unit("kPa", display))
    roles = _FIRST_OF.get(name) or ((Role(name),) if name in set(Role) else ())
    for role in roles:
        point = record.point(role)
        if point is not None and len(point.usable):
            return Quantity(name, point, shown_role(role, display))
    return None


def runs_between(
    one: Quantity, start_ns: int, end_ns: int, *, zero_ns: int, most: int = MOST_POINTS
) -> list[list[tuple[float, float]]]:
    """Unbroken runs of readings as (seconds from ``zero_ns``, value as shown); thinned to minimum and maximum."""
    cut = one.samples.between(start_ns, end_ns)
    usable = cut.usable
    if not len(usable):
        return []
    values = one.shown.array(usable.v)
    chosen = thin(usable.t, values, gap_positions(cut), most=most)
    seconds = (usable.t[chosen.index] - zero_ns) / NS
    parts = np.split(np.arange(len(chosen.index)), chosen.breaks)
    return [[(float(seconds[i]), float(values[chosen.index[i]])) for i in part] for part in parts if len(part)]
