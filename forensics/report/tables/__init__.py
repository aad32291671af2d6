"""Tables for people, made from a findings file: words, display units, local time with its offset."""

from forensics.report.tables.case import (
    clocks_table,
    detection_table,
    events_table,
    facts_table,
    limits_table,
    missing_cells_table,
    observability_table,
    order_table,
    overrides_table,
    packages_table,
    set_aside_table,
    sources_table,
    states_table,
)
from forensics.report.tables.verdict import (
    EFFECTS,
    findings_table,
    hypotheses_table,
    matrix_table,
    robustness_table,
    starts_table,
    stops_table,
)

__all__ = [
    "EFFECTS",
    "clocks_table",
    "detection_table",
    "events_table",
    "facts_table",
    "findings_table",
    "hypotheses_table",
    "limits_table",
    "matrix_table",
    "missing_cells_table",
    "observability_table",
    "order_table",
    "overrides_table",
    "packages_table",
    "robustness_table",
    "set_aside_table",
    "sources_table",
    "starts_table",
    "states_table",
    "stops_table",
]
