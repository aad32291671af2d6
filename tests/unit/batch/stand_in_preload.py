"""Puts the stand-in into a process of its own: workers of a test's cluster load it, and so does the command line."""

from __future__ import annotations

import functools
import os
import sys
from pathlib import Path

from forensics.batch import cluster, job, run, supervisor

HERE = Path(__file__).resolve().parent

run.Worker = cluster.Worker = functools.partial(supervisor.Worker, (sys.executable, str(HERE / "child.py")))
run.software_hash = job.software_hash = lambda: "same"
os.environ["PYTHONPATH"] = os.pathsep.join([str(HERE.parent), str(HERE.parents[2])])
