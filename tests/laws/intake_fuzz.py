"""Mutated exports, read one after the other under a limit of memory and of time; run as a program by the fuzz test.

``python intake_fuzz.py SEED COUNT`` prints one line a failure and exits 1 where there is any.
"""

from __future__ import annotations

import gzip
import io
import random
import resource
import signal
import sys
import tempfile
import time
import traceback
import zipfile
from pathlib import Path

from forensics.case.read import check_case
from forensics.errors import Problems
from forensics.intake import read_sources

MESSY = Path(__file__).resolve().parent.parent / "unit" / "intake" / "messy"
LIMIT_S = 10
LIMIT_BYTES = 1 << 30


def seeds() -> list[bytes]:
    """Whole exports of every kind that the messy inputs show, and two larger ones."""
    found = [file.read_bytes() for file in sorted(MESSY.glob("*/*.csv")) if file.stat().st_size]
    wide = ["Timestamp,CH2 LoadSol,CH2 Comp Amps,CH2 OilP kPa"]
    wide += [
        f"{1 + i // 1440:02d}/06/2024 {i // 60 % 24:02d}:{i % 60:02d}:00,"
        f"{'On' if i % 7 else 'Off'},{i % 131},{400 + i % 9}"
        for i in range(3000)
    ]
    long = ["Time;Point;Value"]
    long += [
        f"2024-10-27 0{i // 1800}:{i // 30 % 60:02d}:{i % 30:02d};CH2 Comp Amps;{i % 97},{i % 10}" for i in range(5000)
    ]
    return [*found, "\n".join(wide).encode(), "\r\n".join(long).encode("cp1252")]


def mutated(rng: random.Random, base: list[bytes]) -> tuple[bytes, str]:
    """One mutated export and the ending of its name."""
    data = bytearray(rng.choice(base))
    for _ in range(rng.randint(1, 4)):
        kind = rng.randrange(10)
        at = rng.randrange(len(data) + 1)
        if kind == 0:
            del data[at:]
        elif kind == 1:
            for _ in range(rng.randint(1, 20)):
                if data:
                    data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
        elif kind == 2:
            other = rng.choice(base)
            cut = rng.randrange(len(other) + 1)
            data = bytearray(bytes(data[:at]) + other[cut:])
        elif kind == 3:
            end = min(len(data), at + rng.randrange(1, 400))
            data[at:at] = data[at:end] * rng.randint(1, 50)
        elif kind == 4:
            try:
                text = bytes(data).decode("utf-8")
                data = bytearray(
                    text.encode(
                        rng.choice(["utf-16", "utf-16-le", "utf-32", "cp1252", "utf-8-sig", "utf-7"]), "replace"
                    )
                )
            except UnicodeError:
                data = bytearray(bytes(data).decode("latin-1").encode("utf-8"))
        elif kind == 5:
            data[at:at] = bytes(rng.randrange(256) for _ in range(rng.randint(1, 60)))
        elif kind == 6:
            end = min(len(data), at + rng.randrange(1, 300))
            del data[at:end]
        elif kind == 7:
            old, new = rng.sample([b",", b";", b"\t", b"|", b'"', b"\n", b"\r\n", b":", b"/", b"-", b"."], 2)
            data = bytearray(bytes(data).replace(old, new, rng.choice([-1, 1, 5])))
        elif kind == 8:
            data[at:at] = rng.choice(
                [b"\0" * 5000, b'"', b"\r", b"\xff\xfe", b"\xef\xbb\xbf", b"99/99/9999 99:99", b"1e999", b"9" * 400]
            )
        else:
            lines = bytes(data).split(b"\n")
            rng.shuffle(lines)
            data = bytearray(b"\n".join(lines))
    out = bytes(data[: 2 << 20])
    packing = rng.randrange(12)
    if packing == 0:
        out = gzip.compress(out, 1)
        return (out[: rng.randrange(len(out)) + 1] if rng.random() < 0.5 else out), ".csv.gz"
    if packing == 1:
        buffer = io.BytesIO()
        with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("log.csv", out)
        packed = bytearray(buffer.getvalue())
        if rng.random() < 0.5:
            packed[rng.randrange(len(packed))] ^= 255
        return bytes(packed), ".zip"
    return out, ".csv"


def case_for(rng: random.Random, name: str) -> dict[str, object]:
    """A case that binds the export, with or without hints."""
    source: dict[str, object] = {"path": name}
    if rng.random() < 0.3:
        source["date_order"] = rng.choice(["DMY", "MDY", "YMD"])
    if rng.random() < 0.1:
        source["layout"] = rng.choice(["wide", "long"])
    if rng.random() < 0.1:
        source["kind"] = rng.choice(["trend", "events"])
    if rng.random() < 0.1:
        source["decimal"] = rng.choice([".", ","])
    if rng.random() < 0.1:
        source["encoding"] = rng.choice(["utf-8", "cp1252", "utf-16"])
    return {
        "schema": 1,
        "case": {"id": "x", "time_zone": rng.choice(["UTC", "Europe/Berlin", "America/Chicago"])},
        "machine": {"refrigerant": "R134a", "altitude_m": 100.0},
        "source": [source],
        "point": [
            {"role": "motor_amps", "column": "CH2 Comp Amps", "unit": "A"},
            {"role": "oil_pressure_difference", "column": "CH2 OilP kPa"},
            {"role": "load_solenoid", "column": "CH2 LoadSol"},
        ],
    }


class TooLongError(BaseException):
    """Reading took more processor time than it may; no ``except`` of the readers catches it."""


def _too_long(_signal: int, _frame: object) -> None:
    raise TooLongError(f"longer than {LIMIT_S} s")


def main(seed: int, count: int) -> int:
    """Read ``count`` mutated exports; returns the number of failures."""
    rng = random.Random(seed)
    base = seeds()
    failures = 0
    signal.signal(signal.SIGPROF, _too_long)
    with tempfile.TemporaryDirectory() as folder:
        for index in range(count):
            data, ending = mutated(rng, base)
            file = Path(folder) / f"log{ending}"
            file.write_bytes(data)
            case = check_case(case_for(rng, file.name))
            problems = Problems()
            signal.setitimer(signal.ITIMER_PROF, LIMIT_S)
            begin = time.process_time()
            try:
                reading = read_sources(case, Path(folder), None, problems)[0]
                accounting = reading.accounting
                if not reading.samples and not reading.switches and not list(problems):
                    raise AssertionError("no points and no question")
                if accounting.rows_read != accounting.rows_kept + sum(accounting.set_aside.values()):
                    raise AssertionError("rows do not add up")
            except (Exception, TooLongError) as fault:  # noqa: BLE001 - whatever it is, it is a failure
                failures += 1
                place = traceback.extract_tb(fault.__traceback__)[-1]
                print(f"case {index}: {type(fault).__name__}: {fault} at {Path(place.filename).name}:{place.lineno}")
                keep = Path(tempfile.gettempdir()) / f"fuzz-{seed}-{index}{ending}"
                if failures <= 10:
                    keep.write_bytes(data)
            finally:
                signal.setitimer(signal.ITIMER_PROF, 0)
            if time.process_time() - begin > LIMIT_S:
                failures += 1
                print(f"case {index}: took {time.process_time() - begin:.1f} s")
            file.unlink()
            if index == 0:
                # the libraries are loaded: what is mapped now plus 1 GiB is all that reading may take
                pages = int(Path("/proc/self/statm").read_text().split()[0]) if Path("/proc/self/statm").exists() else 0
                if pages:
                    limit = pages * resource.getpagesize() + LIMIT_BYTES
                    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    return failures


if __name__ == "__main__":
    sys.exit(1 if main(int(sys.argv[1]), int(sys.argv[2])) else 0)
