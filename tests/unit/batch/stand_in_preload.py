"""Loaded into the workers of a test's cluster: their cases are run by the stand-in, as on this machine."""

from __future__ import annotations

import functools
import os
import sys
from pathlib import Path

from forensics.batch import cluster, job, watch

cluster.Worker = functools.partial(watch.Worker, (sys.executable, str(Path(__file__).with_name("child.py"))))
job.software_hash = lambda: "same"

HERE = Path(__file__).resolve().parent
os.environ["PYTHONPATH"] = os.pathsep.join([str(HERE.parent), str(HERE.parents[2])])
