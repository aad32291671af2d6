"""Starts: was the machine unloaded, did it lift, did the oil come, how often it was asked to start."""

from __future__ import annotations

from forensics.signatures.start_table import list_starts, unloaded_share, wilson

__all__ = ["list_starts", "unloaded_share", "wilson"]
