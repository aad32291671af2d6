"""Machines of many builds with faults of three severities and onsets: simulated once, sampled as sites sample them.

`simulate` gives a `Simulation`. The names of builds, faults, severities and onsets are those of `BUILDS`, `FAULTS`,
`SEVERITIES`, `ONSETS`; `possible` tells which build can have which fault.
"""

from .builds import BUILDS, Build
from .command_table import command_table, profile_toml
from .faults import FAULTS, ONSETS, SEVERITIES, combinations, possible
from .simulation import DISTURBANCES, FINEST_S, Simulation, simulate

__all__ = [
    "BUILDS",
    "DISTURBANCES",
    "FAULTS",
    "FINEST_S",
    "ONSETS",
    "SEVERITIES",
    "Build",
    "Simulation",
    "combinations",
    "command_table",
    "possible",
    "profile_toml",
    "simulate",
]
