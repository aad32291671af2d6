"""Healthy machines of every build: no fault is named for the build alone (invented, data_demo.study)."""

from __future__ import annotations

import pytest
from forensics.demo.study import BUILDS
from forensics.demo.study.build_table import HEAD, SAMPLING_S, healthy


@pytest.mark.slow
@pytest.mark.parametrize("sampling_s", SAMPLING_S)
@pytest.mark.parametrize("build", sorted(BUILDS))
def test_ten_healthy_machines_of_a_build_are_not_named_faulty(
    build: str, sampling_s: float, capsys: pytest.CaptureFixture[str]
) -> None:
    row = healthy(build, range(1, 11), sampling_s)
    with capsys.disabled():
        print("\n" + " | ".join(f"{name}: {cell}" for name, cell in zip(HEAD, row.cells(), strict=True)))
    assert row.machines == 10
    assert dict(row.named) == {}


def test_what_a_build_lacks_does_not_apply_on_a_whole_machine() -> None:
    row = healthy("drive-fixed-slide", [1], 5.0)
    assert {"slide.loaded_at_stop", "slide.drifts_to_load", "sequence.no_unload_before_stop"} <= set(row.void)
    assert row.answered
