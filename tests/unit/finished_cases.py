"""Invented finished cases for tests of many cases: findings files, case files with exports, folders of results."""

from __future__ import annotations

import hashlib
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from forensics.model.vocabulary import Mode
from forensics.results.findings_json import dump_findings
from forensics.results.schema import FindingsFile
from forensics.rules import rules_sha256 as shipped_rules

CASE = """schema = 1
[case]
id = "{case_id}"
site = "Mill 7"
machine_tag = "C1"
time_zone = "UTC"
failure = 2031-03-14T05:12:30Z
revision = {revision}
supersedes = "{supersedes}"
investigator = "A. Example"
[machine]
refrigerant = "R134a"
[[source]]
path = "exports/trend.csv"
[[source]]
path = "exports/rec.cfg"
kind = "waveform"
[[point]]
role = "motor_amps"
column = "Amps"
unit = "A"
[[observation]]
text = "slide stays where it is"
photo = "photos/slide.jpg"
"""


MADE = "2031-03-20T08:00:00Z"
PAGE = f"<!doctype html><title>report</title><p>Made {MADE}.</p>"


def stamp(time: datetime) -> str:
    return f"{time.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"


def finding(name: str, outcome: str = "present", value: float | None = 0.83) -> dict[str, Any]:
    return {
        "id": name,
        "check": name,
        "outcome": outcome,
        "from_utc": None,
        "to_utc": None,
        "value": value,
        "low": None,
        "high": None,
        "unit": "1",
        "limit": 0.5,
        "basis": "common practice",
        "cites": [{"source": "exports/trend.csv", "column": "Amps", "rows": [2, 3]}],
        "sample_interval_s": 1.0,
        "statement": f"{name} is {outcome}, ratio 0.83",
        "why_not": "samples are too far apart" if outcome == "cannot-tell" else "",
        "strength": None,
        "detectable": None,
        "reason": "",
    }


def start(time: datetime, ratio: float | None, unloaded: str = "yes") -> dict[str, Any]:
    return {
        "time_utc": stamp(time),
        "inrush_amps": 400.0,
        "settled_amps": None if ratio is None else 122.0 * ratio,
        "ratio": ratio,
        "low": None if ratio is None else ratio - 0.02,
        "high": None if ratio is None else ratio + 0.02,
        "unloaded": unloaded,
        "reverse_rotation": "absent",
        "previous_stop": "normal",
    }


def stop(time: datetime, decay_s: float | None = 2.4, reverse: str = "absent") -> dict[str, Any]:
    return {
        "time_utc": stamp(time),
        "kind": "normal",
        "reverse_rotation": reverse,
        "reverse_basis": None,
        "bypass_released": "yes",
        "equal_at_motor_off": False,
        "equalisation_time_constant_s": decay_s,
        "high_side_decay_s": 400.0,
        "residual_difference_kpa": 3.0,
    }


def findings(
    case_id: str = "mill-7-c1",
    *,
    site: str = "Mill 7",
    tag: str = "C1",
    serial: str = "",
    failure: datetime | None = None,
    revision: int = 1,
    status: str = "determined",
    mode: str | None = "unload-path-failed",
    grade: str | None = "probable",
    possible: tuple[str, ...] = (),
    outcomes: dict[str, str] | None = None,
    starts: list[dict[str, Any]] | None = None,
    stops: list[dict[str, Any]] | None = None,
    sources: list[dict[str, Any]] | None = None,
    facts: list[dict[str, str]] | None = None,
    inputs_sha256: str = "0" * 64,
    rules_sha256: str = "",
    version: str = "0.1.0",
) -> FindingsFile:
    at = failure or datetime(2031, 3, 14, 5, 12, 30, tzinfo=UTC)
    given = outcomes or {"starts.loaded": "present", "oil.low-difference": "absent"}
    begun = starts if starts is not None else [start(at - timedelta(hours=h), 0.4) for h in range(6, 0, -1)]
    grades = {mode: grade} if status == "determined" else {}
    hypotheses = [
        {
            "mode": m.value,
            "grade": grades.get(m.value) or ("possible" if m.value in possible else "not-observable"),
            "for": [next(iter(given))] if m.value == mode else [],
            "against": [],
            "cannot_tell": [],
            "next_test": "",
            "decibans": 0.0,
            "plain": "",
            "detail": None,
        }
        for m in Mode
    ]
    data = {
        "schema": 1,
        "case": {"id": case_id, "site": site, "machine_tag": tag, "failure_utc": stamp(at), "revision": revision},
        "machine": {
            "refrigerant": "R134a",
            "starter": "star-delta",
            "rated_load_amps": 122.0,
            "run_hours": None,
            "start_count": None,
            "serial": serial,
        },
        "verdict": {
            "status": status,
            "mode": mode if status == "determined" else None,
            "grade": grade if status == "determined" else None,
            "also": [],
            "chain": [],
            "statement": "The slide did not unload.",
            "because": [next(iter(given))],
            "against": [],
            "would_change_it": [],
            "plain": "",
            "error_rate": None,
        },
        "hypotheses": hypotheses,
        "findings": [finding(name, outcome) for name, outcome in given.items()],
        "events": [],
        "order": [],
        "starts": begun,
        "unloaded_starts": {
            "count": len(begun), "of": len(begun), "cannot_tell": 0, "fraction": None, "low": None, "high": None,
        },
        "stops": stops if stops is not None else [stop(at - timedelta(hours=h, minutes=5)) for h in range(6, 0, -1)],
        "states": [],
        "clocks": [
            {
                "clock": "controller", "offset_s": 0.0, "uncertainty_s": 0.5, "drift_ppm": None,
                "utc_error_s": None, "method": "reference", "candidates_s": [],
            }
        ],
        "sources": sources
        if sources is not None
        else [
            {
                "path": "exports/trend.csv", "sha256": hashlib.sha256(case_id.encode()).hexdigest(), "bytes": 10,
                "rows_read": 10, "rows_kept": 9, "set_aside": {"no stamp": 1}, "cells_missing": {},
            }
        ],
        "observability": [
            {"mode": m.value, "observable": "yes" if n % 2 else "no", "why": "", "unlocked_by": ""}
            for n, m in enumerate(Mode)
        ],
        "robustness": [],
        "facts": facts or [],
        "assumptions": [],
        "overrides": [],
        "software": {
            "version": version, "packages": {"pandas": "3.1.0"}, "rules_sha256": rules_sha256 or shipped_rules(),
        },
        "reproduce": {"command": "forensics report case.toml --out report", "inputs_sha256": inputs_sha256},
    }  # fmt: skip
    return FindingsFile.model_validate(data)


def write_case(folder: Path, case_id: str = "mill-7-c1", *, revision: int = 1, supersedes: str = "") -> Path:
    """A case folder with an export, a waveform record and a photograph."""
    for name in ("exports", "photos"):
        (folder / name).mkdir(parents=True)
    case = folder / "case.toml"
    case.write_text(CASE.format(case_id=case_id, revision=revision, supersedes=supersedes), encoding="utf-8")
    (folder / "exports" / "trend.csv").write_bytes(b"Time,Amps\r\n2031-03-14T05:12:29Z,41\r\n")
    (folder / "exports" / "rec.cfg").write_bytes(b"station,device,1999\r\n")
    (folder / "exports" / "rec.DAT").write_bytes(bytes(range(64)))
    (folder / "photos" / "slide.jpg").write_bytes(b"\xff\xd8 not really a picture \xff\xd9")
    return case


def findings_of(case: Path, **given: Any) -> FindingsFile:
    """Findings that name the files of a case with their true hashes."""
    from forensics.case.read import read_case_file

    case_file = read_case_file(case)
    sources = []
    for source in case_file.source:
        data = (case.parent / source.path).read_bytes()
        sources.append(
            {
                "path": source.path, "sha256": hashlib.sha256(data).hexdigest(), "bytes": len(data),
                "rows_read": 1, "rows_kept": 1, "set_aside": {}, "cells_missing": {},
            }
        )  # fmt: skip
    digest = hashlib.sha256(case.read_bytes())
    for source in sorted(sources, key=lambda s: s["path"]):
        digest.update(f"{source['path']}\0{source['sha256']}\n".encode())
    return findings(
        case_file.case.id,
        revision=case_file.case.revision,
        sources=sources,
        inputs_sha256=digest.hexdigest(),
        **given,
    )


def write_finished(
    case: Path, out: Path, *, tables: dict[str, str] | None = None, page: str = PAGE, aside: str = "", **given: Any
) -> Path:
    """A folder of results as a finished run leaves it, put in place as one does."""
    from forensics.case.read import read_case_file
    from forensics.report.written.placing import held, new_stage
    from forensics.report.written.result_set import hash_inputs, new_set

    parameters = {"case": str(case.resolve()), "out": str(out.resolve()), "tables": False, "limits": {}}
    noted = {"parameters": parameters, "end_time": "2031-03-20T08:00:00"}
    notebook = {"cells": [], "metadata": {"papermill": noted}, "nbformat": 4, "nbformat_minor": 5}
    texts = {
        "findings.json": dump_findings(findings_of(case, **given)),
        "report.html": page,
        "set_aside.csv": f"source,line,reason,text\n{aside}",
        "incident.ipynb": json.dumps(notebook),
        **{f"tables/{name}": text for name, text in (tables or {}).items()},
    }
    files = {name: text.encode() for name, text in texts.items()}
    case_file = read_case_file(case)
    with held(out):
        stage = new_stage(out)
        found = new_set(case=case, casefile=case_file, out=out, inputs=hash_inputs(case, case_file), files=files)
        try:
            for name, content in files.items():
                stage.put(name, content)
            stage.commit(found.model_copy(update={"made_utc": MADE}))
        except BaseException:
            stage.discard()
            raise
    return out
