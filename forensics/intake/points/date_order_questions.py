"""What is asked where the order of day and month is open: each question with its lines and what to add."""

from __future__ import annotations

import numpy as np

from forensics.intake.table.raw_table import RawTable
from forensics.intake.timestamps.date_order import local_ns
from forensics.intake.timestamps.fields import DAY_NS, OPEN
from forensics.intake.timestamps.wording import between, date_of, in_words, length_of
from forensics.model.row_numbers import said_row


def undecided(gathered: RawTable) -> tuple[str, str]:
    """Question and remedy where every stamp fits both orders."""
    fields, example = gathered.fields(), gathered.orders.example
    if fields is None or example is None:
        raise AssertionError("an order can't be open without its fields")
    spans, times = {}, {}
    for order in ("DMY", "MDY"):
        times[order], good = local_ns(fields, order)
        low, high = int(times[order][good].min()), int(times[order][good].max())
        spans[order] = (date_of(low), date_of(high), (high - low) / DAY_NS)
    day, month = spans["DMY"], spans["MDY"]
    # a stamp of 3/3 is the same day either way, and shows nothing
    places = np.flatnonzero(fields.form == OPEN)
    telling = places[times["DMY"][places] != times["MDY"][places]]
    place = int(telling[0]) if len(telling) else int(places[0])
    row = int(gathered.row()[place])
    quoted = f" '{example.text}'" if row == example.row else ""
    first = {order: in_words(date_of(int(local[place])), year=False) for order, local in times.items()}
    return (
        f"{so_many(gathered)} fit day/month/year and month/day/year. Line {said_row(row)}{quoted} "
        f"is {first['DMY']} or {first['MDY']}. As day-first the file "
        f"spans {length_of(day[2])} ({between(day[0], day[1])}), as month-first {length_of(month[2])} "
        f"({between(month[0], month[1])}).",
        'Give date_order = "DMY" or "MDY" in its [[source]].',
    )


def year_first_or_last(gathered: RawTable) -> tuple[str, str]:
    """Question and remedy where a year of two digits may stand first or last."""
    example = gathered.orders.example
    if example is None:
        raise AssertionError("a year can't be open without a stamp")
    return (
        f"{so_many(gathered)} may have the year first or last: line {said_row(example.row)} '{example.text}'.",
        'Give date_order = "YMD", "DMY" or "MDY" in its [[source]].',
    )


def contradiction(gathered: RawTable) -> tuple[str, str]:
    """Question and remedy where some stamps need the one order and some the other."""
    orders = gathered.orders
    day, month = orders.day_first, orders.month_first
    if day is None or month is None:
        raise AssertionError("a contradiction needs both orders")
    parts = (day, "day-first", "DMY", orders.last_day_first), (month, "month-first", "MDY", orders.last_month_first)
    first, second = sorted(parts, key=lambda part: part[0].row)
    rows = gathered.row()
    start, end, seam, last = int(rows.min()), int(rows.max()), second[0].row, first[3]
    if orders.interleaved:
        remedy = "Export again with one order: rows of both stand among each other."
    else:
        remedy = (
            f"Supply lines {said_row(start)}-{said_row(seam - 1)} and lines {said_row(seam)}-{said_row(end)} as two "
            f"sources, each with its own date_order ({first[2]}, {second[2]})."
        )
        if bool(((rows > last) & (rows < seam)).any()):
            lines = f"{said_row(last + 1)}-{said_row(seam - 1)}"
            remedy += f" Lines {lines} fit both orders: the second part may begin with any of them."
    return (
        f"no single date order fits. Line {said_row(first[0].row)} '{first[0].text.split()[0]}' needs {first[1]}; "
        f"line {said_row(seam)} '{second[0].text.split()[0]}' needs {second[1]}.",
        remedy,
    )


def so_many(gathered: RawTable) -> str:
    """How many of the stamps are open, in words."""
    total, count = gathered.orders.total, len(gathered.row())
    if total < count:
        return f"{total} of {count} stamps"
    return f"all {total} stamps"
