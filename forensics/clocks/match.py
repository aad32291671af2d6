"""Which offsets would make two event trains tell the same story.

Every pair of sightings of one event allows an interval of offsets. The offset that most pairs allow wins, unless
another one, well apart, explains nearly as many without contradiction: periodic events fit at several offsets.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forensics.clocks.event_sequences import SeenEvent, Trains
from forensics.model.points import NS
from forensics.rules import Limits

MOTOR_KINDS = ("start", "stop", "trip")
TRIP_AS_STOP = "trip as stop"
Stretch = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Entry:
    """Sightings of one kind by both clocks, and the stretch (ns, each in its own time) that each list covers."""

    kind: str
    ours: list[SeenEvent]
    theirs: list[SeenEvent]
    our_span: Stretch
    their_span: Stretch

    def near(self, centre_ns: int, most: int) -> Entry:
        """Of each list the ``most`` sightings nearest to a time; what they cover shrinks with them."""
        ours, our_span = _nearest(self.ours, self.our_span, centre_ns, most)
        theirs, their_span = _nearest(self.theirs, self.their_span, centre_ns, most)
        return Entry(self.kind, ours, theirs, our_span, their_span)


def _nearest(sightings: list[SeenEvent], span: Stretch, centre_ns: int, most: int) -> tuple[list[SeenEvent], Stretch]:
    if len(sightings) <= most:
        return sightings, span
    kept = sorted(sightings, key=lambda s: abs(s.earliest_ns - centre_ns))[:most]
    kept.sort(key=lambda s: s.earliest_ns)
    return kept, (kept[0].earliest_ns, kept[-1].latest_ns)


@dataclass(frozen=True, slots=True)
class Pair:
    """Two sightings taken for one event, and the offsets (s) that they allow."""

    kind: str
    ours: SeenEvent
    theirs: SeenEvent
    low_s: float
    high_s: float

    @property
    def width_s(self) -> float:
        """Width of what the pair allows, s."""
        return self.high_s - self.low_s


@dataclass(frozen=True, slots=True)
class Candidate:
    """One offset with the pairs that allow it.

    ``contradictions`` counts events that the other clock should have seen at this offset and did not.
    """

    low_s: float
    high_s: float
    pairs: tuple[Pair, ...]
    contradictions: int

    @property
    def offset_s(self) -> float:
        """Middle of the region."""
        return (self.low_s + self.high_s) / 2.0

    def fits(self, share_max: float) -> bool:
        """Whether few enough events lack their partner."""
        return self.contradictions <= share_max * (self.contradictions + len(self.pairs))


def pairings(clock: Trains, reference: Trains) -> list[Entry]:
    """Kinds that both clocks saw, named kinds first; a trip stands for a stop where the other side has no trips.

    Steps of a running current and solenoid edges are used only where starts and stops are not shared: the onset of a
    step is less sharp, and pulses shorter than the sample interval are other pulses in each log.
    """
    ours, theirs = clock.by_kind, reference.by_kind
    spans = clock.extent, reference.extent
    shared = [kind for kind in ours if ours[kind] and theirs.get(kind) and not kind.startswith("line:")]
    if any(kind in MOTOR_KINDS for kind in shared):
        shared = [kind for kind in shared if kind in MOTOR_KINDS]
    named = [Entry(kind, ours[kind], theirs[kind], *spans) for kind in shared]
    if ours.get("trip") and not theirs.get("trip") and theirs.get("stop"):
        named.append(Entry(TRIP_AS_STOP, ours["trip"], theirs["stop"], *spans))
    if theirs.get("trip") and not ours.get("trip") and ours.get("stop"):
        named.append(Entry(TRIP_AS_STOP, ours["stop"], theirs["trip"], *spans))
    return named


def line_pairings(clock: Trains, reference: Trains) -> list[Entry]:
    """Unnamed lines of an event list against each motor kind of the reference: matching finds which it is."""
    return [
        Entry(f"{name} as {kind}", seen, reference.by_kind[kind], clock.extent, reference.extent)
        for name, seen in clock.by_kind.items()
        if name.startswith("line:")
        for kind in MOTOR_KINDS
        if reference.by_kind.get(kind)
    ]


def allowed(entries: list[Entry], search_s: float) -> list[Pair]:
    """Every pair of sightings whose offset lies within the search, with the interval of offsets it allows."""
    pairs: list[Pair] = []
    for entry in entries:
        low = np.array([s.earliest_ns for s in entry.theirs], dtype=np.int64)
        high = np.array([s.latest_ns for s in entry.theirs], dtype=np.int64)
        for mine in entry.ours:
            lows, highs = (mine.earliest_ns - high) / NS, (mine.latest_ns - low) / NS
            for index in np.flatnonzero((highs >= -search_s) & (lows <= search_s)):
                pairs.append(Pair(entry.kind, mine, entry.theirs[index], float(lows[index]), float(highs[index])))
    return pairs


def candidates(pairs: list[Pair], jitter_s: float, limits: Limits) -> list[tuple[float, float, int]]:
    """Regions of offsets that most events allow: ``(low_s, high_s, count)``, best first, well apart.

    A sighting counts once at an offset, however many partners it has there.
    """
    if not pairs:
        return []
    edges, steps = _steps(pairs, jitter_s)
    count = np.cumsum(steps)
    rival_share = limits["clocks.rival_share"]
    # two regions of one offset lie within what a pair allows, jitter on both sides of both
    apart_s = limits["clocks.apart_widths"] * float(np.median([pair.width_s for pair in pairs])) + 4.0 * jitter_s
    found: list[tuple[float, float, int]] = []
    for index in np.argsort(-count, kind="stable"):
        best = int(count[index])
        if best <= 0 or (found and best <= rival_share * found[0][2]):
            break
        low, high = float(edges[index]), float(edges[min(index + 1, len(edges) - 1)])
        middle = (low + high) / 2.0
        if all(abs(middle - (a + b) / 2.0) > apart_s for a, b, _ in found):
            found.append((low, high, best))
    return found


def _steps(pairs: list[Pair], jitter_s: float) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Where the number of allowed sightings changes; intervals of one sighting are merged so that it counts once."""
    grouped: dict[tuple[str, int, str], list[tuple[float, float]]] = {}
    for pair in pairs:
        key = (pair.kind, pair.ours.earliest_ns, pair.ours.source)
        grouped.setdefault(key, []).append((pair.low_s - jitter_s, pair.high_s + jitter_s))
    points: list[tuple[float, int]] = []
    for intervals in grouped.values():
        low, high = None, 0.0
        for a, b in sorted(intervals):
            if low is None:
                low, high = a, b
            elif a <= high:
                high = max(high, b)
            else:
                points += [(low, 1), (high, -1)]
                low, high = a, b
        if low is not None:
            points += [(low, 1), (high, -1)]
    points.sort(key=lambda p: (p[0], -p[1]))
    return np.array([p[0] for p in points]), np.array([p[1] for p in points], dtype=np.int64)


def take(pairs: list[Pair], offset_s: float, slack_s: float) -> tuple[Pair, ...]:
    """One-to-one pairs that allow an offset within a slack, the closest first."""
    miss = [max(pair.low_s - offset_s, offset_s - pair.high_s, 0.0) for pair in pairs]
    chosen: list[Pair] = []
    ours: set[tuple[str, int, str]] = set()
    theirs: set[tuple[str, int, str]] = set()
    for index in sorted(
        range(len(pairs)), key=lambda i: (miss[i], abs((pairs[i].low_s + pairs[i].high_s) / 2 - offset_s))
    ):
        pair = pairs[index]
        if miss[index] > slack_s:
            break
        kind = pair.kind.rsplit(" as ", maxsplit=1)[-1]
        a = (kind, pair.ours.earliest_ns, pair.ours.source)
        b = (kind, pair.theirs.earliest_ns, pair.theirs.source)
        if a in ours or b in theirs:
            continue
        ours.add(a)
        theirs.add(b)
        chosen.append(pair)
    return tuple(chosen)


def one_kind_a_line(pairs: tuple[Pair, ...]) -> tuple[Pair, ...]:
    """Pairs without those that take one unnamed line for several kinds of event: the kind with most pairs stays."""
    often = Counter(pair.kind for pair in pairs)
    best: dict[str, str] = {}
    for kind in sorted(often, key=lambda kind: (-often[kind], kind)):
        best.setdefault(kind.rpartition(" as ")[0], kind)
    return tuple(p for p in pairs if not p.kind.startswith("line:") or best[p.kind.rpartition(" as ")[0]] == p.kind)


def contradictions(entries: list[Entry], chosen: tuple[Pair, ...], offset_s: float) -> int:
    """Events that the other clock covered at this offset and did not see.

    Kinds that only one side names (a trip that stands for a stop, an unnamed line) cannot contradict.
    """
    matched_ours = {p.ours.earliest_ns for p in chosen}
    matched_theirs = {p.theirs.earliest_ns for p in chosen}
    shift = round(offset_s * NS)
    missing = 0
    for entry in entries:
        if " as " in entry.kind:
            continue
        low, high = entry.their_span
        missing += sum(
            s.earliest_ns not in matched_ours and low < s.earliest_ns - shift and s.latest_ns - shift < high
            for s in entry.ours
        )
        low, high = entry.our_span
        missing += sum(
            s.earliest_ns not in matched_theirs and low < s.earliest_ns + shift and s.latest_ns + shift < high
            for s in entry.theirs
        )
    return missing


def near_misses(
    entries: list[Entry],
    anchors: tuple[Pair, ...],
    offset_s: Callable[[float], float],
    failure_ns: int,
    limits: Limits,
) -> list[float]:
    """How far (s) sightings without a partner lie from the nearest one of the other clock that has none either.

    Parameters
    ----------
    offset_s
        Offset of the clock, s, at a time from the failure, s.
    """
    ours = {(pair.kind, pair.ours.earliest_ns) for pair in anchors}
    theirs = {(pair.kind, pair.theirs.earliest_ns) for pair in anchors}
    missed: list[float] = []
    for entry in entries:
        free = [s for s in entry.theirs if (entry.kind, s.earliest_ns) not in theirs]
        for mine in entry.ours:
            if (entry.kind, mine.earliest_ns) in ours or not free:
                continue
            shift = round(offset_s((mine.earliest_ns - failure_ns) / NS) * NS)
            low, high = mine.earliest_ns - shift, mine.latest_ns - shift
            nearest = min(max(other.earliest_ns - high, low - other.latest_ns, 0) for other in free)
            if nearest <= limits["clocks.near_miss_s"] * NS:
                missed.append(nearest / NS)
    return missed
