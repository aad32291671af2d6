"""The drawing library that the page carries: one vendored file, known by its version and hash."""

from __future__ import annotations

from importlib import resources

FILE = "plotly-basic.min.js"
VERSION = "4.1.1"
SHA256 = "99784e3abfb07b142a15e521a439e6d9addceadb3f79553fd24c72774f0649ba"
CHART_TYPES = frozenset({"scatter", "bar"})
"""Chart types that figures may use; the bundle knows no others but pies."""


def drawing_library() -> str:
    """Text of the library as it stands in the page."""
    return resources.files("forensics.report.vendored").joinpath(FILE).read_text(encoding="utf-8").replace("\r\n", "\n")
