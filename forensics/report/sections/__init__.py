"""The sections of the report, each one call of the incident notebook: they display, and change nothing."""

from forensics.report.sections.causes import causes, next_tests, not_known, physical
from forensics.report.sections.findings import findings
from forensics.report.sections.front import chronology, page_one
from forensics.report.sections.method import appendix, method
from forensics.report.sections.record import clocks, evidence, slow_pictures, solenoids, timeline
from forensics.report.sections.show import show_lines, show_table, show_text
from forensics.report.sections.starts_and_stops import UNLOADED_LIMIT, starts, stops, waveforms

__all__ = [
    "UNLOADED_LIMIT",
    "appendix",
    "causes",
    "chronology",
    "clocks",
    "evidence",
    "findings",
    "method",
    "next_tests",
    "not_known",
    "page_one",
    "physical",
    "show_lines",
    "show_table",
    "show_text",
    "slow_pictures",
    "solenoids",
    "starts",
    "stops",
    "timeline",
    "waveforms",
]
