"""Which causes stand: modes as data, weighing, grades, the verdict and how far it holds."""

from forensics.hypotheses.evidence import (
    Cell,
    Evidence,
    Hypothesis,
    NextTest,
    Observability,
    Robustness,
    TeardownRow,
    Unlisted,
    Verdict,
    Weighing,
)
from forensics.hypotheses.modes import FailureMode, Modes, read_modes
from forensics.hypotheses.rank import weigh
from forensics.hypotheses.weigher import reweigh

__all__ = [
    "Cell",
    "Evidence",
    "FailureMode",
    "Hypothesis",
    "Modes",
    "NextTest",
    "Observability",
    "Robustness",
    "TeardownRow",
    "Unlisted",
    "Verdict",
    "Weighing",
    "read_modes",
    "reweigh",
    "weigh",
]
