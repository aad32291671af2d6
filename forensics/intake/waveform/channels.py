"""Which channel of a waveform record a point of the case means, its unit, and its primary value."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from forensics.case.exports import Point, Source
from forensics.case.schema import Machine
from forensics.errors import Problem, Problems, Severity
from forensics.intake.waveform.data import Table
from forensics.intake.waveform.header import Header
from forensics.model.points import OFF, ON, UNKNOWN, Origin
from forensics.model.switches import Switch
from forensics.model.units import Unit, fits, read_unit, to_canonical
from forensics.model.vocabulary import ROLE_FACTS, Dimension, Recorded, Role, is_switch

_NAMED = re.compile(r"^(?P<name>.*?)\s*\[col\s+(?P<place>\d+)\]$")
_WORDS = {"ampere": "A", "amperes": "A", "volt": "V", "volts": "V", "watt": "W", "hertz": "Hz"}
_MAX_LISTED_NAMES = 12
_NEAR_PEAK = 0.995  # quantile of the absolute samples that stands for the peak: single spikes are left out
_SUPPLY_SHARE = 0.25  # volts this near those of the nameplate are those of the supply; transformers give 100 to 120 V


def left_out(source: Source, what: str, column: str = "", remedy: str = "") -> Problem:
    """A problem that leaves points of a record out and lets the rest of the case run."""
    return Problem(what, file=source.path, column=column, remedy=remedy, severity=Severity.POINT)


def unique_names(names: Sequence[str]) -> list[str]:
    """Names with the place of the channel where a name comes twice."""
    count = Counter(names)
    return [f"{name} [col {place}]" if count[name] > 1 else name for place, name in enumerate(names, start=1)]


def _read_unit(text: str) -> Unit | None:
    """Unit as recorders write it: also in words, and in millivolts."""
    if text == "mV":
        volt = read_unit("V")
        return replace(volt, text=text, factor=1e-3) if volt is not None else None
    return read_unit(_WORDS.get(text.casefold(), text))


def _scale(unit: Unit) -> tuple[str, float]:
    return unit.dimension, unit.factor


@dataclass(slots=True)
class Channels:
    """Channels bound so far, and what was wrong with the others."""

    source: Source
    header: Header
    table: Table
    problems: Problems
    machine: Machine | None = None
    analog: dict[Role, NDArray[np.float64]] = field(default_factory=dict)
    columns: dict[Role, str] = field(default_factory=dict)
    status: list[tuple[Point, int]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    missing: int = 0

    def add(self, point: Point) -> None:
        """Bind one point; what hinders it becomes a problem of that point alone."""
        switch = is_switch(point.role)
        names = self.header.status if switch else tuple(channel.name for channel in self.header.analog)
        place = self._find(point, names, "status" if switch else "analog")
        if place is None:
            return
        if switch:
            self.status.append((point, place))
        elif point.role in self.analog:
            self._refuse(point, f"role {point.role} is bound twice in this record", "Bind one channel.")
        else:
            self._add_analog(point, place)

    def _refuse(self, point: Point, what: str, remedy: str) -> None:
        self.problems.add(left_out(self.source, what, point.column, remedy))

    def _find(self, point: Point, names: tuple[str, ...], kind: str) -> int | None:
        wanted = point.column.strip()
        places = [place for place, name in enumerate(names) if name == wanted]
        if not places and (match := _NAMED.match(wanted)):
            place = int(match["place"]) - 1
            if 0 <= place < len(names) and names[place] == match["name"]:
                return place
        if not places:
            places = [place for place, name in enumerate(names) if name.casefold() == wanted.casefold()]
        if len(places) == 1:
            return places[0]
        if places:
            named = ", ".join(f"'{wanted} [col {place + 1}]'" for place in places[:_MAX_LISTED_NAMES])
            self._refuse(point, f"{len(places)} {kind} channels have this name", f"Write one of {named}.")
            return None
        if not point.source:
            return None  # bound to no source: another one may hold it
        known = ", ".join(f"'{name}'" for name in unique_names(names)[:_MAX_LISTED_NAMES]) or "none"
        self._refuse(point, f"the record has no such {kind} channel", f"Its {kind} channels: {known}.")
        return None

    def _unit(self, point: Point, written: str) -> Unit | None:
        """Unit of a channel; None, said so, where none is known or the record and the case contradict each other."""
        plain = _read_unit(written) if written else None
        given = read_unit(point.unit) if point.unit else None
        if plain is not None and given is not None and _scale(plain) != _scale(given):
            self._refuse(
                point,
                f"the record gives this channel in {written}, the case file in {point.unit}",
                f'Give unit = "{plain.text}", or leave unit out.',
            )
            return None
        unit = given or plain
        if unit is None or not fits(unit, point.role):
            text = point.unit or written
            found = f"unit '{text}'" if text else "no unit"
            need = ROLE_FACTS[point.role].dimension
            self._refuse(point, f"the channel has {found}, role {point.role} needs a {need}", "Add unit to this point.")
            return None
        return unit

    def _add_analog(self, point: Point, place: int) -> None:
        channel = self.header.analog[place]
        unit = self._unit(point, channel.uu.strip())
        if unit is None:
            return
        size = float(np.nanquantile(np.abs(self.table.analog[place]), _NEAR_PEAK)) / 2**0.5 * unit.factor
        ratio = self._ratio(point, channel.pors, channel.primary, channel.secondary, size)
        if ratio is None:
            return
        raw = self.table.analog[place] * ratio
        try:
            known = self.machine
            values = to_canonical(
                raw,
                unit,
                point.role,
                air_pressure_kpa=None if known is None else known.air_kpa,
                rated_amps=None if known is None else known.rated_load_amps,
            )
        except ValueError as fault:
            self._refuse(point, str(fault), "Give what is missing in the case file.")
            return
        self.missing += int(np.isnan(values).sum())
        if point.range is not None:
            low, high = point.range
            outside = (raw < low) | (raw > high)
            if outside.any():
                self.notes.append(f"channel '{point.column}': {int(outside.sum())} samples outside range")
                self.missing += int(outside.sum())
                values = np.where(outside, np.nan, values)
        if np.isnan(values).all():
            self._refuse(point, "the channel has no reading in this record", "Bind another channel.")
            return
        interval_us = 1e6 * self.header.tick_s
        if abs(channel.skew) > max(interval_us, 1.0):
            self.notes.append(f"channel '{point.column}' states a time skew of {channel.skew:g} us, not corrected")
        self.analog[point.role] = values
        self.columns[point.role] = point.column

    def _ratio(self, point: Point, kind: str, primary: float, secondary: float, size: float) -> float | None:
        """Factor from the record's values to primary ones; None, said so, where it can't be had.

        Parameters
        ----------
        size
            RMS value of the channel near its peak, as recorded, in V or A.
        """
        if kind == "P" or (kind == "?" and primary == secondary):
            return 1.0
        if kind == "S":
            if primary > 0 and secondary > 0 and primary != secondary:
                self.notes.append(f"channel '{point.column}' is secondary: multiplied by {primary:g}/{secondary:g}")
                return primary / secondary
            # low voltage is often connected without a transformer; a current is not (common practice)
            if ROLE_FACTS[point.role].dimension is Dimension.VOLTAGE and self._is_supply(size):
                said = f"with the ratio {primary:g}:{secondary:g}; its volts are those of the supply: taken as primary"
                self.notes.append(f"channel '{point.column}' is secondary {said}")
                return 1.0
            what = f"the channel is secondary with the ratio {primary:g}/{secondary:g}: no primary value can be had"
        elif self.header.revision == "1991":
            self.notes.append(
                f"channel '{point.column}': the 1991 revision does not say primary or secondary; taken as primary"
            )
            return 1.0
        else:
            what = f"the channel does not say whether its values are primary or secondary ('{kind}')"
        self._refuse(point, what, "Export the record with primary values.")
        return None

    def _is_supply(self, rms_volts: float) -> bool:
        """Whether volts are those of the supply as the nameplate gives it, line to line or line to neutral."""
        volts = None if self.machine is None else self.machine.supply_volts
        return volts is not None and any(abs(rms_volts / one - 1.0) < _SUPPLY_SHARE for one in (volts, volts / 3**0.5))

    def switch(self, point: Point, place: int, stamps_ns: NDArray[np.int64], origin: Origin) -> Switch:
        """A status channel as a switch: 1 is on unless the case's words say otherwise."""
        raw = self.table.status[place]
        words = {0: OFF, 1: ON}
        for value in words:
            text = str(value)
            if text in point.on:
                words[value] = ON
            elif text in point.off:
                words[value] = OFF
            elif text in point.unknown:
                words[value] = UNKNOWN
        state = np.where(raw == 1, np.int8(words[1]), np.int8(words[0])).astype(np.int8)
        own = Origin(origin.source, point.column, origin.clock, Recorded.INSTANT, resolution_s=origin.resolution_s)
        return Switch(point.role, own, stamps_ns, state, self.table.number)
