"""Reading exports: every row accounted for, nothing guessed.

The names below are what the floors above use; the readers behind them load their libraries when they are called.
"""

from __future__ import annotations

from forensics.intake.exhibits import Exhibit, check_untouched
from forensics.intake.read import read_sources
from forensics.intake.result import Accounting, Detection, SetAside, SourceResult, write_set_aside

__all__ = [
    "Accounting",
    "Detection",
    "Exhibit",
    "SetAside",
    "SourceResult",
    "check_untouched",
    "read_sources",
    "write_set_aside",
]
