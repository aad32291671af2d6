"""No violation of the rules of axe-core on a wide screen, a narrow one and in print, everything opened.

Reference: axe-core 4.14.1, vendored beside this file and known by its hash; it covers WCAG 2.2 A and AA as far as a
program can, and good practice.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import pytest

from forensics.report import RunResult

pytestmark = pytest.mark.browser

AXE = Path(__file__).parent / "vendored" / "axe.min.js"
SHA256 = "29348999450cdf2849a8e70b7912fc2da85a849da39c0d0d5394f51d4a9ed95c"
RUN = """
axe.run(document, {resultTypes: ['violations']}).then(r => JSON.stringify(
  r.violations.map(v => [v.id, v.impact, v.nodes.length, v.nodes.slice(0, 3).map(n => n.html.slice(0, 160))])))
"""


def test_the_rules_are_the_pinned_ones() -> None:
    assert hashlib.sha256(AXE.read_bytes()).hexdigest() == SHA256


@pytest.mark.parametrize(("width", "media"), [(1440, "screen"), (375, "screen"), (1440, "print")])
def test_no_violation(browser: Any, finished: RunResult, width: int, media: str) -> None:
    browser.open(finished.report, width=width)
    browser.value("window.dispatchEvent(new Event('open-all'))")
    browser.call("Emulation.setEmulatedMedia", media=media)
    try:
        browser.call("Runtime.evaluate", expression=AXE.read_text(encoding="utf-8"))
        assert json.loads(browser.value(RUN)) == []
    finally:
        browser.call("Emulation.setEmulatedMedia", media="")
