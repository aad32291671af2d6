"""Stops: what the pressures and the rotors did after the current ended."""

from __future__ import annotations

from forensics.signatures.stop_table import list_stops

__all__ = ["list_stops"]
