"""What a column file (Parquet, Feather) holds. Its types are its own word: a stamp with a zone is an instant.

Files that unpack to more than they are allowed to are left before they are whole: the count is kept while reading,
whatever the file declares.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from forensics.errors import SheetQuestion
from forensics.intake.typed.cells import DAY_NS, NO_TIME, Cells, CellTable, unique_columns
from forensics.model.paths import open_regular

SUFFIXES = frozenset({".parquet", ".pq", ".feather", ".arrow"})
_MAX_BYTES = 8 << 30
_MAX_ROWS = 200_000_000
_MAX_RATIO = 500
_RATIO_FROM = 256 << 20
_BATCH_ROWS = 1 << 18
_MAX_COLUMNS = 20_000
_UNIT_NS = {"s": 1_000_000_000, "ms": 1_000_000, "us": 1_000, "ns": 1}
_FAR_NS = 9_000_000_000_000_000_000


def read_columns(file: Path, *, wanted: frozenset[str] | None = None) -> CellTable:
    """Read a column file.

    Parameters
    ----------
    wanted
        Columns to read, by name; None reads all. Others stand in the table without cells.

    Raises
    ------
    SheetQuestion
        The file can't be read, or unpacks beyond its bounds.
    """
    import pyarrow as pa

    weight = max(file.stat().st_size, 1)
    try:
        with open_regular(file) as stream:
            table = _table(stream, weight)
    except (pa.ArrowException, OSError, ValueError, NotImplementedError) as fault:
        if isinstance(fault, SheetQuestion):
            raise
        text = str(fault).splitlines()[0][:120] if str(fault) else type(fault).__name__
        raise SheetQuestion(f"the file can't be read ({text})", "Export it again.") from None
    if not table.num_rows:
        raise SheetQuestion("the file holds no rows", "Export it again.")
    names = unique_columns([" ".join(name.split()) for name in table.column_names])
    columns = []
    detections = [("columns", str(len(names)), "schema of the file")]
    for name, column in zip(names, table.columns, strict=True):
        chosen = wanted is None or name in wanted
        columns.append(_cells(column) if chosen else Cells())
        if pa.types.is_timestamp(column.type):
            zone = column.type.tz
            detections.append((f"type of '{name}'", str(column.type), f"zone {zone}" if zone else "no zone: local"))
    return CellTable(
        names=names,
        columns=tuple(columns),
        row=np.arange(1, table.num_rows + 1, dtype=np.int64),
        detections=tuple(detections),
    )


def _table(stream: BinaryIO, weight: int) -> Any:
    import pyarrow as pa

    schema, batches = _open(stream)
    if len(schema.names) > _MAX_COLUMNS:
        raise SheetQuestion(f"the file has {len(schema.names)} columns, more than {_MAX_COLUMNS}")
    kept: list[Any] = []
    rows = unpacked = 0
    for batch in batches:
        rows += batch.num_rows
        unpacked += batch.nbytes
        if rows > _MAX_ROWS or unpacked > _MAX_BYTES or (unpacked > _RATIO_FROM and unpacked > _MAX_RATIO * weight):
            raise SheetQuestion(
                f"the file of {weight} bytes unpacks to more than {unpacked >> 20} MiB: it is not read on",
                "Export the part around the failure.",
            )
        # text is not looked at while it is read: bytes that are none would break wherever they are asked for
        batch.validate(full=True)
        kept.append(batch)
    return pa.Table.from_batches(kept, schema=schema)


def _open(stream: BinaryIO) -> tuple[Any, Iterator[Any]]:
    import pyarrow as pa

    magic = stream.read(6)
    stream.seek(0)
    if magic.startswith(b"PAR1"):
        from pyarrow import parquet

        whole = parquet.ParquetFile(stream)
        return whole.schema_arrow, whole.iter_batches(batch_size=_BATCH_ROWS)
    if magic.startswith(b"ARROW1"):
        reader = pa.ipc.open_file(stream)
        return reader.schema, (reader.get_batch(place) for place in range(reader.num_record_batches))
    if magic.startswith(b"FEA1"):
        raise SheetQuestion("the file is of the first Feather version", "Save it as Feather 2 or Parquet.")
    raise SheetQuestion("the file is neither Parquet nor Feather", "Check the name of the file.")


def _cells(column: Any) -> Cells:
    import pyarrow as pa
    import pyarrow.compute as pc

    column = column.combine_chunks()
    if isinstance(column, pa.ChunkedArray):
        column = column.chunk(0)
    kind = column.type
    if pa.types.is_dictionary(kind) and pa.types.is_string(kind.value_type):
        return Cells(words=column)
    if pa.types.is_boolean(kind):
        return Cells(words=pc.if_else(column, "TRUE", "FALSE"))
    if pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind):
        return Cells(number=column.cast(pa.float64(), safe=False).to_numpy(zero_copy_only=False).astype(np.float64))
    if pa.types.is_date(kind):
        column = column.cast(pa.timestamp("ms"))
        kind = column.type
    if pa.types.is_timestamp(kind):
        return _stamps(column, kind)
    if pa.types.is_time(kind):
        column = column.cast(pa.time64("ns")).cast(pa.int64())
        return Cells(number=column.to_numpy(zero_copy_only=False).astype(np.float64) / (86_400 * 1e9))
    try:
        return Cells(words=column.cast(pa.string()))
    except (pa.ArrowException, NotImplementedError):
        return Cells(words=pa.array([None] * len(column), pa.string()))


def _stamps(column: Any, kind: Any) -> Cells:
    import pyarrow as pa
    import pyarrow.compute as pc

    unit_ns = _UNIT_NS[kind.unit]
    missing = column.is_null().to_numpy(zero_copy_only=False)
    count = pc.fill_null(column.cast(pa.int64()), 0).to_numpy(zero_copy_only=False)
    # Beyond the years 1684 to 2255 a stamp does not fit 64 bits of ns; no export of a machine lies there.
    far = np.abs(count) > _FAR_NS // unit_ns
    wall_ns = np.where(missing | far, NO_TIME, np.where(far, 0, count) * np.int64(unit_ns))
    text = {int(at): str(column[int(at)]) for at in np.flatnonzero(far & ~missing)[:1000]}
    known = wall_ns[wall_ns != NO_TIME]
    finest = next((unit for unit in (DAY_NS, 60 * 10**9, 10**9, 10**6, 10**3) if not (known % unit).any()), 1)
    return Cells(wall_ns=wall_ns, text=text, instant=kind.tz is not None, resolution_ns=finest)
