"""Lets these tests use the invented finished cases of the unit tests."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.append(str(Path(__file__).resolve().parents[1] / "unit"))
