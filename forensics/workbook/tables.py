"""Results as DataFrames: columns as in the findings file, stamps as UTC times, units in the names."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import pandas as pd
from pydantic import BaseModel

from forensics.intake import SourceResult
from forensics.model.points import Samples
from forensics.model.record import Record
from forensics.model.switches import Switch
from forensics.model.vocabulary import ROLE_FACTS, Role
from forensics.results import machine_rows, schema
from forensics.results.schema import FindingsFile

UTC_TIME = "datetime64[ns, UTC]"
_POINTS = ["role", "column", "source", "clock", "unit", "recorded", "interval_s", "readings", "from_utc", "to_utc"]


def table(rows: Sequence[BaseModel], model: type[BaseModel], index: str | None = None) -> pd.DataFrame:
    """Rows of the findings file; a column that ends in ``_utc`` holds times, and enumerations are their words."""
    names = {field.alias or name: name for name, field in model.model_fields.items()}
    found = [row.model_dump(mode="json", by_alias=True) for row in rows]
    made = pd.DataFrame(found, columns=list(names))
    times = [str(name) for name in made.columns if str(name).endswith("_utc")]
    for name in times:
        made[name] = pd.to_datetime(made[name], utc=True, format="ISO8601")
    made = made.astype(dict.fromkeys(times, UTC_TIME))
    return made if index is None else made.set_index(index)


def points(record: Record) -> pd.DataFrame:
    """Every bound point, the channels of waveform records among them."""
    bound: list[Samples | Switch] = [p for found in record.samples.values() for p in found]
    bound += [p for found in record.switches.values() for p in found]
    rows = [
        (
            p.role.value, p.origin.column, p.origin.source, p.origin.clock, ROLE_FACTS[p.role].unit,
            p.origin.recorded.value, p.interval_s, len(p), *_ends(p.t[:1].tolist(), p.t[-1:].tolist()),
        )
        for p in bound
    ]  # fmt: skip
    for wave in record.waveforms:
        ends = _ends([wave.span.start_ns], [wave.span.end_ns])
        rows += [
            (
                role.value, wave.columns.get(role, role.value), wave.source, wave.clock, ROLE_FACTS[role].unit,
                "waveform", wave.interval_s, len(values), *ends,
            )
            for role, values in wave.analog.items()
        ]  # fmt: skip
    made = pd.DataFrame(rows, columns=_POINTS)
    return made.astype({"from_utc": UTC_TIME, "to_utc": UTC_TIME})


def _ends(first: list[int], last: list[int]) -> tuple[pd.Timestamp | None, pd.Timestamp | None]:
    if not first:
        return None, None
    return pd.Timestamp(first[0], unit="ns", tz="UTC"), pd.Timestamp(last[0], unit="ns", tz="UTC")


def sources(found: FindingsFile) -> pd.DataFrame:
    """Every export with the account of its rows."""
    return table(found.sources, schema.SourceRow, "path")


def set_aside(readings: Iterable[SourceResult]) -> pd.DataFrame:
    """Every listed row that was set aside."""
    rows = [(s.source, s.row, s.reason, s.text) for r in readings for s in r.accounting.listed]
    return pd.DataFrame(rows, columns=["source", "line", "reason", "text"])


def clocks(found: FindingsFile) -> pd.DataFrame:
    """Offset of every clock."""
    return table(found.clocks, machine_rows.ClockRow, "clock")


def order(found: FindingsFile) -> pd.DataFrame:
    """Order of the events near the failure."""
    return table(found.order, machine_rows.OrderRow)[["a", "order", "b"]]


def states(found: FindingsFile) -> pd.DataFrame:
    """Operating states with their length."""
    made = table(found.states, machine_rows.StateRow)
    made["seconds"] = (made["to_utc"] - made["from_utc"]).dt.total_seconds()
    return made.set_index("from_utc")


def starts(found: FindingsFile) -> pd.DataFrame:
    """Starts, numbered from 1 in time order."""
    return _numbered(table(found.starts, machine_rows.StartRow))


def stops(found: FindingsFile) -> pd.DataFrame:
    """Stops, numbered from 1 in time order."""
    return _numbered(table(found.stops, machine_rows.StopRow))


def _numbered(made: pd.DataFrame) -> pd.DataFrame:
    made.insert(1, "number", range(1, len(made) + 1))
    return made.set_index("time_utc")


def events(found: FindingsFile) -> pd.DataFrame:
    """Edges with readings before and after: ``before_<role>_<unit>`` and ``before_<role>_age_s``, likewise after."""
    made = table(found.events, machine_rows.EventRow).drop(columns=["before", "after"])
    for side in ("before", "after"):
        for role in Role:
            read = [getattr(event, side).get(role.value) for event in found.events]
            if any(read):
                name = f"{side}_{role.value}"
                made[f"{name}_{ROLE_FACTS[role].unit}"] = [None if r is None else r.value for r in read]
                made[f"{name}_age_s"] = [None if r is None else r.age_s for r in read]
    return made.set_index("earliest_utc")


def findings(found: FindingsFile) -> pd.DataFrame:
    """Every answer of every check; ``value``, ``low``, ``high`` and ``limit`` are in ``unit``."""
    return table(found.findings, schema.FindingRow, "id")


def hypotheses(found: FindingsFile) -> pd.DataFrame:
    """Every mode."""
    return table(found.hypotheses, schema.HypothesisRow, "mode")
