"""What is known of one clock: its offset and drift against the reference, and what they stand on."""

from __future__ import annotations

from dataclasses import dataclass

from forensics.clocks.match import (
    Pair,
)
from forensics.model.vocabulary import ClockMethod

PPM = 1e-6


@dataclass(frozen=True, slots=True)
class ClockFit:
    """What is known of one clock.

    Attributes
    ----------
    offset_s, uncertainty_s
        Clock minus reference at the failure and its half width, s; None where not possible.
    drift_ppm
        Only where the anchors support it.
    utc_error_s
        Clock minus UTC, from a check noted on site.
    candidates_s
        Offsets that fit equally, where none may be chosen.
    anchors
        Pairs of sightings that the offset stands on.
    notes
        Sentences for the report: zone errors, disagreement with a check, what is missing.
    late_s
        How late the lines of a list come at most, s, where the clock stamps one and shared events tell it.
    """

    clock: str
    offset_s: float | None
    uncertainty_s: float | None
    method: ClockMethod
    drift_ppm: float | None = None
    utc_error_s: float | None = None
    candidates_s: tuple[float, ...] = ()
    anchors: tuple[Pair, ...] = ()
    notes: tuple[str, ...] = ()
    late_s: float | None = None

    def at(self, after_s: float) -> float:
        """Offset, s, at a time from the failure."""
        return (self.offset_s or 0.0) + (self.drift_ppm or 0.0) * PPM * after_s
