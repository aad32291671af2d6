"""What one change does to a verdict is named as it is: lost is neither holding nor changing to another cause."""

from __future__ import annotations

from dataclasses import replace

import pytest

from forensics.demo import DEMO_CASES
from forensics.investigation import Investigation, investigate
from forensics.report.tables import effect_of
from forensics.results.publish import to_findings_file


@pytest.fixture(scope="module")
def work() -> Investigation:
    return investigate(DEMO_CASES["loaded-starts"])


@pytest.mark.parametrize(
    ("verdict", "flips", "effect"),
    [
        ("unload-path-failed (confirmed)", False, "holds"),
        ("unload-path-failed (probable)", False, "weaker"),
        ("undetermined", False, "lost"),
        ("slide-stuck (probable)", True, "changed"),
    ],
)
def test_effect(work: Investigation, verdict: str, flips: bool, effect: str) -> None:
    changed = replace(work.weighing.robustness[0], verdict=verdict, flips=flips)
    findings = to_findings_file(replace(work, weighing=replace(work.weighing, robustness=(changed,))))
    assert effect_of(findings, findings.robustness[0]) == effect
