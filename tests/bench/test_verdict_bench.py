"""What the checks of robustness cost of a whole investigation, as a ratio in one run (marker ``bench``)."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from forensics.hypotheses import weigh
from forensics.intake.load_case import load_case
from forensics.investigation import evidence_of, judge

pytestmark = pytest.mark.bench

SHARE_MAX = 0.5


def test_robustness_costs_less_than_half_of_the_run(shared: Path) -> None:
    path = next(iter(sorted((shared / "incidents" / "cases").glob("*/case.toml"))), None)
    if path is None:
        pytest.skip("../shared/incidents is not here")
    began = time.process_time()
    found = judge(load_case(path))
    whole_s = time.process_time() - began
    evidence = evidence_of(found)
    began = time.process_time()
    weigh(evidence)
    share = (time.process_time() - began) / whole_s
    print(f"weighing with its checks of robustness: {share:.2f} of the run")
    assert share < SHARE_MAX
