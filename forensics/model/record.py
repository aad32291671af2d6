"""Waveform, LogLine and Record: all that a case holds, on one time base, each point at its own rate."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from forensics.model.points import NS, Samples, Span
from forensics.model.switches import Switch
from forensics.model.vocabulary import Role


@dataclass(frozen=True, slots=True)
class LogLine:
    """One line of an event or alarm list, as text."""

    time_ns: int
    point: str
    value: str
    text: str
    source: str
    clock: str
    row: int


@dataclass(frozen=True)
class Waveform:
    """One IEEE C37.111 record.

    Attributes
    ----------
    start_ns
        Stamp of the first sample, ns UTC by its own clock.
    time_s
        Seconds from the first sample, float64, shape (n,).
    analog
        Instantaneous primary values by role (V, A), shape (n,) each.
    status
        Status channels by name, int8, shape (n,) each.
    trigger_s
        Trigger, s from the first sample.
    line_hertz
        Nominal frequency of the record.
    """

    source: str
    clock: str
    start_ns: int
    time_s: NDArray[np.float64]
    analog: Mapping[Role, NDArray[np.float64]]
    status: Mapping[str, NDArray[np.int8]]
    trigger_s: float | None
    line_hertz: float
    measured_at: str = ""
    columns: Mapping[Role, str] = field(default_factory=dict)

    @property
    def span(self) -> Span:
        """From the first to the last sample."""
        last_s = float(self.time_s[-1]) if len(self.time_s) else 0.0
        return Span(self.start_ns, self.start_ns + round(last_s * NS))

    @property
    def interval_s(self) -> float:
        """Median sample spacing in s."""
        return float(np.median(np.diff(self.time_s))) if len(self.time_s) > 1 else float("inf")

    def shifted(self, offset_ns: int) -> Waveform:
        """The same record on another clock: ``offset_ns`` is taken off its start."""
        return replace(self, start_ns=self.start_ns - offset_ns) if offset_ns else self


P = TypeVar("P", Samples, Switch)
_ABOUT_AS_MUCH = 0.5


def _widest(found: tuple[P, ...]) -> P | None:
    """The fastest of the points that cover at least half of what the widest covers."""
    if len(found) <= 1:
        return found[0] if found else None
    most_s = max(point.covered_s for point in found)
    return next(point for point in found if point.covered_s >= _ABOUT_AS_MUCH * most_s)


@dataclass(frozen=True)
class Record:
    """All points of a case on one time base, each at its own rate.

    Attributes
    ----------
    samples, switches
        By role; a role may have several points (the fastest first).
    waveforms, log
        Waveform records; lines of event lists in file order per source.
    failure_ns
        The failure, ns UTC on the reference clock.
    window
        What is judged; ``history`` begins before it and serves as the machine's own baseline only.
    clock_uncertainty_s
        Half width of each clock's offset, s; the reference has 0.
    lateness_s
        How late the lines of each list come at most, s, by source.
    memo
        What was made of this record, once; a record that is derived from it begins anew.
    """

    samples: Mapping[Role, tuple[Samples, ...]]
    switches: Mapping[Role, tuple[Switch, ...]]
    waveforms: tuple[Waveform, ...]
    log: tuple[LogLine, ...]
    failure_ns: int
    window: Span
    history: Span
    clock_uncertainty_s: Mapping[str, float] = field(default_factory=dict)
    lateness_s: Mapping[str, float] = field(default_factory=dict)
    memo: dict[Any, Any] = field(init=False, default_factory=dict, repr=False, compare=False)

    def point(self, role: Role) -> Samples | None:
        """The point of a role that tells most of the record: the fastest of those that cover about as much; or None.

        A second log that ran for minutes about a stop says nothing of the days between. See :meth:`fastest`.
        """
        return _widest(self.samples.get(role, ()))

    def switch(self, role: Role) -> Switch | None:
        """The switch of a role that tells most of the record, chosen like :meth:`point`; or None."""
        return _widest(self.switches.get(role, ()))

    def fastest(self, role: Role) -> Samples | None:
        """The fastest point of a role, however little it covers: for what is over within seconds; or None."""
        found = self.samples.get(role, ())
        return found[0] if found else None

    def fastest_switch(self, role: Role) -> Switch | None:
        """The fastest switch of a role, however little it covers: for what is over within seconds; or None."""
        found = self.switches.get(role, ())
        return found[0] if found else None

    @cached_property
    def lists(self) -> frozenset[str]:
        """Sources that are lists of events: their lines come late, some by seconds."""
        return frozenset(line.source for line in self.log)

    def uncertainty_s(self, clock: str) -> float:
        """Half width of a clock's offset in s; 0 for the reference, infinite where no offset could be had.

        Of a record as it was stamped no clock is held against another: there all points are told apart by clock only.
        """
        return self.clock_uncertainty_s.get(clock, float("inf") if self.clock_uncertainty_s else 0.0)

    def late_s(self, source: str) -> float:
        """How late the lines of a source come at most, s: 0 for what is no list of events."""
        return self.lateness_s.get(source, 0.0)

    def without_source(self, source: str) -> Record:
        """The record as if one source had not been supplied."""
        return replace(
            self,
            samples=_drop(self.samples, source),
            switches=_drop(self.switches, source),
            waveforms=tuple(w for w in self.waveforms if w.source != source),
            log=tuple(line for line in self.log if line.source != source),
        )

    def shifted(self, offsets_s: Mapping[str, float], drifts_ppm: Mapping[str, float] | None = None) -> Record:
        """The record with each clock's offset (clock minus reference, s) taken off its stamps.

        Parameters
        ----------
        offsets_s
            Offset at the failure by clock.
        drifts_ppm
            How fast an offset grows, by clock; a stamp an hour before the failure is off by an hour's drift less.
        """
        ns = {clock: round(offset * NS) for clock, offset in offsets_s.items()}
        ppm = {clock: drift for clock, drift in (drifts_ppm or {}).items() if drift}

        def grown(clock: str, t: Any) -> Any:
            """What a drift has added to stamps since the failure, ns."""
            return np.round((t - self.failure_ns - ns.get(clock, 0)) * (ppm.get(clock, 0.0) * 1e-6)).astype(np.int64)

        def moved(point: P) -> P:
            clock = point.origin.clock
            put = point.shifted(ns.get(clock, 0))
            return replace(put, t=put.t - grown(clock, point.t)) if clock in ppm else put

        return replace(
            self,
            samples={r: tuple(moved(s) for s in p) for r, p in self.samples.items()},
            switches={r: tuple(moved(s) for s in p) for r, p in self.switches.items()},
            waveforms=tuple(w.shifted(ns.get(w.clock, 0) + int(grown(w.clock, w.start_ns))) for w in self.waveforms),
            log=tuple(
                replace(x, time_ns=x.time_ns - ns.get(x.clock, 0) - int(grown(x.clock, x.time_ns))) for x in self.log
            ),
        )


def _drop(points: Mapping[Role, tuple[P, ...]], source: str) -> dict[Role, tuple[P, ...]]:
    kept = {role: tuple(p for p in found if p.origin.source != source) for role, found in points.items()}
    return {role: found for role, found in kept.items() if found}
