"""Which channels of an IEEE C37.111 record stand for which roles, in primary values, on UTC.

A record is refused rather than cut to fit: where configuration and data do not belong together, where its two
accounts of time disagree, or where the date fits only an order that its revision does not have, it asks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from forensics.case.exports import Point, Source
from forensics.case.schema import Machine
from forensics.errors import Problems, Refused
from forensics.intake.exhibits import sibling
from forensics.intake.result import Accounting, Detection, SetAside
from forensics.intake.timestamps.zones import offset_text, offsets_at
from forensics.intake.unset_clocks import EARLIEST_NS, LATEST_NS
from forensics.intake.waveform.channels import Channels, left_out, unique_names
from forensics.intake.waveform.data import Table, Times, read_table, sample_times
from forensics.intake.waveform.header import Header, read_header, split_single_file
from forensics.intake.waveform.stamps import NS
from forensics.model.paths import read_regular
from forensics.model.points import Origin
from forensics.model.record import Waveform
from forensics.model.switches import Switch

MAX_BYTES = 1 << 30


@dataclass(frozen=True, slots=True)
class WaveformReading:
    """What came of one record.

    Attributes
    ----------
    waveform
        The record with the channels that the case binds, or None where it can't be used.
    switches
        Status channels that the case binds to a role, on the clock of the record.
    channels
        Identifiers of all channels, analog before status.
    files
        The files that were read: the configuration and the data file beside it.
    rows_read, rows_kept, set_aside
        Samples; ``rows_read = rows_kept + sum(set_aside)``.
    cells_missing
        Missing values of bound channels, by reason.
    listed
        Samples set aside, with the line of an ASCII data file or the position of the sample.
    notes
        What the reader of the report must know.
    detections
        What was detected and from what.
    """

    waveform: Waveform | None = None
    switches: tuple[Switch, ...] = ()
    channels: tuple[str, ...] = ()
    files: tuple[Path, ...] = ()
    rows_read: int = 0
    rows_kept: int = 0
    set_aside: dict[str, int] = field(default_factory=dict)
    cells_missing: dict[str, int] = field(default_factory=dict)
    listed: tuple[SetAside, ...] = ()
    notes: tuple[str, ...] = ()
    detections: tuple[Detection, ...] = ()

    @property
    def accounting(self) -> Accounting:
        """The samples' account."""
        return Accounting(self.rows_read, self.rows_kept, self.set_aside, self.cells_missing, self.listed)


def record_files(file: Path) -> tuple[Path, ...]:
    """The files of a record: a .cfg (or .dat) and the one beside it; a .cff alone."""
    if file.suffix.casefold() not in (".cfg", ".dat"):
        return (file,)
    cfg = file if file.suffix.casefold() == ".cfg" else sibling(file, ".cfg")
    dat = file if file.suffix.casefold() == ".dat" else sibling(file, ".dat")
    return tuple(path for path in (cfg, dat) if path is not None)


def read_waveform(
    source: Source,
    points: Sequence[Point],
    file: Path,
    zone: str,
    problems: Problems,
    *,
    machine: Machine | None = None,
    clock: str = "",
) -> WaveformReading:
    """Read one record and bind its channels.

    Parameters
    ----------
    source
        The source as the case file has it.
    points
        Points of the case that belong to this source; ``column`` is the identifier of a channel, with ``[col n]`` for
        the n-th channel of its kind where an identifier comes twice.
    file
        The .cfg, .dat or .cff file.
    zone
        IANA zone of the case, used where neither the source nor the record states one.
    problems
        Collects what is wrong; nothing is raised.
    machine
        Its air pressure and rated amps are needed for channels in gauge pressure and in % of rated amps, its supply
        tells volts of the supply from those behind a transformer.
    clock
        Name of the source's clock; by default its own.

    Returns
    -------
    WaveformReading
        ``waveform`` is None where the record can't be used; the problem says why.
    """
    files = record_files(file)
    try:
        header, table, times = _read(source, files)
        start_ns, zone_text, zone_notes = _start_utc(header, source, zone)
        if not EARLIEST_NS <= start_ns < LATEST_NS:
            year = datetime.fromtimestamp(header.start_ns // NS, UTC).year
            raise Refused(
                f"its first sample is of {year}: the clock was not set", remedy="Give a record with its time."
            )
    except Refused as refused:
        problems.add(refused.problem(source.path))
        return WaveformReading(files=files)
    except OSError as fault:
        problems.add(left_out(source, f"the record can't be read ({fault.strerror or fault})"))
        return WaveformReading(files=files)
    except (ValueError, ArithmeticError, LookupError, MemoryError, TypeError) as fault:
        problems.add(left_out(source, f"the record can't be read ({type(fault).__name__})"))
        return WaveformReading(files=files)
    bound = Channels(source, header, table, problems, machine)
    for point in points:
        bound.add(point)
    names = unique_names([name or f"status {k + 1}" for k, name in enumerate(header.status)])
    origin = Origin(source.path, "", clock or source.clock or source.path, resolution_s=header.tick_s)
    trigger_s, trigger_notes = _trigger(header, times)
    waveform = Waveform(
        source=source.path,
        clock=origin.clock,
        start_ns=start_ns,
        time_s=times.time_s,
        analog=bound.analog,
        status=dict(zip(names, table.status, strict=True)),
        trigger_s=trigger_s,
        line_hertz=header.line_hertz,
        measured_at=source.measured_at,
        columns=bound.columns,
    )
    stamps_ns = start_ns + np.round(times.time_s * NS).astype(np.int64)
    return WaveformReading(
        waveform=waveform,
        switches=tuple(bound.switch(point, place, stamps_ns, origin) for point, place in bound.status),
        channels=(*unique_names([channel.name for channel in header.analog]), *names),
        files=files,
        rows_read=table.rows_read,
        rows_kept=len(table.number),
        set_aside=table.set_aside,
        cells_missing={"missing in record": bound.missing} if bound.missing else {},
        listed=tuple(SetAside(source.path, *row) for row in table.listed),
        notes=(*header.notes, *table.notes, *zone_notes, *trigger_notes, *bound.notes),
        detections=(
            *(Detection(*found) for found in header.detections),
            Detection("zone", *zone_text),
            Detection("sample times", times.basis, times.evidence),
        ),
    )


def _read(source: Source, files: tuple[Path, ...]) -> tuple[Header, Table, Times]:
    if not files:
        raise Refused("the configuration (.cfg) of this record is not beside it", remedy="Put both files side by side.")
    if any(path.stat().st_size > MAX_BYTES for path in files):
        raise Refused(f"the record is larger than {MAX_BYTES >> 20} MiB", remedy="Export the part around the event.")
    first = read_regular(files[0], MAX_BYTES)
    if files[0].suffix.casefold() not in (".cfg", ".dat"):
        cfg, dat = split_single_file(first)
    elif len(files) < 2:  # noqa: PLR2004 - configuration and data
        lacks = ".dat" if files[0].suffix.casefold() == ".cfg" else ".cfg"
        raise Refused(f"the {lacks} file of this record is not beside it", remedy="Put both files side by side.")
    else:
        cfg, dat = first, read_regular(files[1], MAX_BYTES)
    header = read_header(cfg, encoding=source.encoding, date_order=source.date_order)
    table = read_table(header, dat, files[0].stem)
    return header, table, sample_times(header, table, source.waveform_time)


def _start_utc(header: Header, source: Source, zone: str) -> tuple[int, tuple[str, str], list[str]]:
    """UTC of the first sample, (zone, evidence), notes; asks where the local stamp occurs twice or never."""
    notes: list[str] = []
    if header.offset_s is not None and not source.time_zone:
        text = offset_text(header.offset_s)
        local = offsets_at(header.start_ns, zone)
        if header.offset_s not in local:
            notes.append(
                f"the record states its own offset {text}; the zone of the case has {offset_text(local[0])} on that day"
            )
        return header.start_ns - header.offset_s * NS, (text, "stated in the record"), notes
    name = source.time_zone or zone
    evidence = "given for the source" if source.time_zone else "zone of the case"
    offsets = offsets_at(header.start_ns, name)
    if header.offset_s is not None and header.offset_s not in offsets:
        notes.append(
            f"the case says {name} for this source, the record states {offset_text(header.offset_s)}: "
            "the case is followed"
        )
    if len(offsets) > 1:
        stamp = datetime.fromtimestamp(header.start_ns // NS, UTC).strftime("%Y-%m-%d %H:%M:%S")
        if header.offset_s in offsets:
            return header.start_ns - int(header.offset_s or 0) * NS, (name, evidence), notes
        named = [f'"{offset_text(offset)}"' for offset in offsets]
        raise Refused(
            f"the first sample at {stamp} falls into a change of the clocks in {name}: "
            "that hour occurs twice or not at all",
            remedy=f"Give the offset that held: time_zone = {' or '.join(named)}.",
            stop=True,
        )
    return header.start_ns - offsets[0] * NS, (name, evidence), notes


def _trigger(header: Header, times: Times) -> tuple[float | None, list[str]]:
    if header.trigger_ns is None:
        return None, ["the record states no trigger"]
    trigger_s = (header.trigger_ns - header.start_ns) / NS
    if not 0.0 <= trigger_s <= float(times.time_s[-1]) + 1e-3:
        return None, [f"the trigger lies {trigger_s:.6g} s from the first sample, outside the record: not used"]
    return trigger_s, []
