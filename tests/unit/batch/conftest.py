"""Batches whose cases are run by a stand-in, so that what is tested is the batch."""

from __future__ import annotations

import functools
import os
import sys
from pathlib import Path

import pytest

from forensics.batch import supervisor

HERE = Path(__file__).resolve().parent


@pytest.fixture
def stand_in(monkeypatch: pytest.MonkeyPatch) -> None:
    """Lets batches on this machine run their cases in the stand-in process."""
    paths = [str(HERE.parent), str(HERE.parents[2]), os.environ.get("PYTHONPATH", "")]
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(p for p in paths if p))
    worker = functools.partial(supervisor.Worker, (sys.executable, str(HERE / "child.py")))
    monkeypatch.setattr("forensics.batch.run.Worker", worker)
    monkeypatch.setattr("forensics.batch.cluster.Worker", worker)
    # a file of the package that is saved while the tests run must not look like other software
    for user in ("run", "job"):
        monkeypatch.setattr(f"forensics.batch.{user}.software_hash", lambda: "same")
