"""What the end of an export says: footers, counts that do not agree, files cut at a sheet's row limit."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

from forensics.intake.job import SourceJob
from forensics.intake.result import SourceResult
from forensics.intake.table.dialect_model import Dialect
from forensics.intake.table.raw_table import RawTable
from forensics.intake.table.row_filter import BLANK, NO_TIME, WIDTH
from forensics.intake.timestamps.date_order import local_ns
from forensics.intake.timestamps.fields import FIXED, OPEN
from forensics.intake.timestamps.parse import read_fields
from forensics.intake.timestamps.wording import date_of
from forensics.intake.timestamps.zones import offset_of
from forensics.model.paths import open_regular
from forensics.model.points import to_datetime
from forensics.model.row_numbers import place_of

FOOTER = "footer"
ROW_LIMITS = {65_536: "an old sheet format", 1_048_576: "a sheet"}
_RECORDS = (
    r"(?:records?|rows?(?:\(s\))?|samples?|lines?|entries|readings|zeilen|datens\u00e4tze|eintr\u00e4ge|messwerte|lignes"
    r"|enregistrements|filas|registros|l\u00edneas|righe|rijen|linhas)"
)
_COUNT = re.compile(rf"(?i)\b{_RECORDS}\b\D{{0,20}}?(\d[\d.,' ]*)\s*\W*$")
_COUNT_FIRST = re.compile(rf"(?i)(?:^|[\s(;,:#])(\d{{1,3}}(?:[.,' ]\d{{3}})+|\d+)\s*{_RECORDS}(?!\w)")
_NOTED_COUNT = re.compile(rf"(?i)^\D{{0,40}}\b{_RECORDS}\b\D{{0,8}}(\d[\d.,' ]*)\W*$")
_BARE_COUNT = re.compile(r"(?i)^\W*(?:count|anzahl|nombre)\W+(\d+)(?:\W+\1)*\W*$")
_BEGINS_LIKE_A_STAMP = re.compile(r"\d{1,4}[-/.:]\d|\d{5,}|\d{1,2}\W*$|\d+\W+[^\W\d_]{3,}\W+\d")
_RANGE = re.compile(r"(\d{1,2}:\d{2}(?::\d{2})?)\s*\"?\W*$")
_RANGE_STAMP = re.compile(
    r"(\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}[ T,]+\d{1,2}:\d{2}(?::\d{2})?(?:\s*[AaPp]\.?[Mm]\.?)?)\s*\"?\W*$"
)
_RANGE_WORDS = ("range", "period", "zeitraum", "from", "bis", "until", "p\u00e9riode", "intervalo")


def footer_rows(gathered: RawTable, dialect: Dialect) -> None:
    """Give the rows below the last record, which are no records, the reason ``footer``."""
    last = max((place_of(int(piece.row[-1]))[1] for piece in gathered.pieces if len(piece.row)), default=0)
    if not last:
        return
    for index, row in enumerate(gathered.aside):
        if row.row <= last or row.reason not in (WIDTH, NO_TIME):
            continue
        first = row.text.split(dialect.delimiter)[0].strip().strip('"')
        if not _BEGINS_LIKE_A_STAMP.match(first):
            gathered.aside[index] = replace(row, reason=FOOTER)


def say_counts(job: SourceJob, dialect: Dialect, reading: SourceResult, gathered: RawTable, lines: int) -> None:
    """State where the export contradicts itself: nothing is invented, the report says so."""
    parts = []
    told, place = _told_count(reading, dialect)
    accounting = reading.accounting
    data_rows = accounting.rows_read - sum(
        count
        for reason, count in accounting.set_aside.items()
        if reason in (FOOTER, BLANK, "repeated header", "repeated units row")
    )
    rows = {data_rows, accounting.rows_kept + accounting.set_aside.get("duplicate", 0) + gathered.outside}
    rows.add(
        accounting.rows_kept + accounting.set_aside.get("duplicate", 0) + accounting.set_aside.get("outside window", 0)
    )
    if told is not None and told not in rows:
        parts.append(f"the {place} {told} records, {data_rows} were read")
    if reading.last_ns is not None:
        parts.extend(_early_end(dialect, _local(job, reading.last_ns), gathered))
    if parts:
        job.note("; ".join(parts) + ". The export may be incomplete.")
    if lines in ROW_LIMITS:
        text = (
            f"the file has exactly {lines:,} lines, the row limit of {ROW_LIMITS[lines]}. The export was probably cut"
        )
        if job.failure_ns is not None and reading.last_ns is not None and reading.last_ns < job.failure_ns:
            stamp = f"{to_datetime(job.failure_ns):%Y-%m-%dT%H:%M:%SZ}"
            text += f"; the stated failure time {stamp} is after the last record: the file does not cover the failure"
        elif job.failure_ns is not None and reading.first_ns is not None and reading.first_ns > job.failure_ns:
            stamp = f"{to_datetime(job.failure_ns):%Y-%m-%dT%H:%M:%SZ}"
            text += f"; the stated failure time {stamp} is before the first record: the file does not cover the failure"
        job.note(text + ".")
    _say_nul(job, reading, gathered)


def _say_nul(job: SourceJob, reading: SourceResult, gathered: RawTable) -> None:
    """State where NUL bytes stand, and whether records come after them."""
    nul = [row for row in reading.accounting.listed if row.reason == "NUL bytes"]
    if not nul or reading.last_ns is None:
        return
    count = nul[0].text.rpartition("(and ")[2].rstrip(")")
    place = _first_nul(job.file)
    where = f" from byte {place}" if place is not None else ""
    last_row = max((place_of(int(piece.row[-1]))[1] for piece in gathered.pieces if len(piece.row)), default=0)
    if last_row > nul[0].row:
        job.note(f"{count}{where} on line {nul[0].row}; the record there is cut, reading goes on below.", nul[0].row)
        return
    stamp = f"{to_datetime(reading.last_ns):%Y-%m-%dT%H:%M:%SZ}"
    job.note(
        f"{count}{where} on line {nul[0].row} to the end; the record there is cut. Last whole record {stamp}: the end "
        "of data is a power loss or an export fault, not a reading.",
        nul[0].row,
    )


def _first_nul(file: Path) -> int | None:
    """Offset of the first NUL byte of a plain file whose text is not in an encoding full of them."""
    position, found = 0, None
    with open_regular(file) as stream:
        while chunk := stream.read(1 << 20):
            if not position and (chunk[:2] in (b"\x1f\x8b", b"PK", b"\xff\xfe", b"\xfe\xff") or b"\0" in chunk[:8]):
                return None
            at = chunk.find(b"\0")
            if at >= 0:
                found = position + at
                break
            position += len(chunk)
    return found


def _told_count(reading: SourceResult, dialect: Dialect) -> tuple[int | None, str]:
    """How many records the export says it has, below its data or above them, and where."""
    for row in reading.accounting.listed:
        if row.reason == FOOTER:
            text = _spaced(row.text)
            match = _COUNT.search(text) or _COUNT_FIRST.search(text) or _BARE_COUNT.search(text)
            if match is not None:
                return int(re.sub(r"\D", "", match[1])), "footer says"
    for note in dialect.preamble:
        match = _NOTED_COUNT.search(_spaced(note.text))
        if match is not None:
            return int(re.sub(r"\D", "", match[1])), "notes say"
    return None, ""


def _spaced(line: str) -> str:
    return line.replace(";", " ").replace(",,", " ").strip()


def _early_end(dialect: Dialect, last: datetime, gathered: RawTable) -> list[str]:
    """What to say where the notes give a range that ends after the last stamp, by its date or by its time of day."""
    for note in dialect.preamble:
        if not any(word in note.text.lower() for word in _RANGE_WORDS):
            continue
        stamp = _RANGE_STAMP.search(note.text)
        end = _stamp_of(stamp[1], gathered) if stamp is not None else None
        if stamp is not None and end is not None:
            shown = f"{last:%Y-%m-%d %H:%M:%S}".removesuffix(":00")
            return [f"the notes say the range ends {stamp[1]}, the last stamp is {shown}"] if end > last else []
        clock = _RANGE.search(note.text)
        if clock is not None:
            seen = f"{last:%H:%M:%S}"[: len(clock[1])]
            return [f"the notes say the range ends {clock[1]}, the last stamp is {seen}"] if clock[1] > seen else []
    return []


def _stamp_of(text: str, gathered: RawTable) -> datetime | None:
    """Wall-clock time of a stamp in the notes, its day and month in the order that the column has."""
    import pyarrow as pa

    fields = read_fields(pa.array([text], pa.string()))
    order = "MDY" if gathered.orders.month_first is not None else "DMY" if gathered.orders.day_first is not None else ""
    form = int(fields.form[0])
    if form not in (FIXED, OPEN) or (form == OPEN and not order):
        return None
    local, good = local_ns(fields, order or "DMY")
    return date_of(int(local[0])).replace(tzinfo=None) if good[0] else None


def _local(job: SourceJob, time_ns: int) -> datetime:
    """Wall-clock time of an instant in the zone of a source."""
    return (to_datetime(time_ns) + timedelta(seconds=offset_of(time_ns, job.zone))).replace(tzinfo=None)
