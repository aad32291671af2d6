"""Whether the findings file of whole cases stays equal to the byte while the house is rebuilt.

``python -m tests.same_findings --check`` judges the demo cases, and the shared cases where ``../shared`` is, in this
process and without a kernel, and names every value that differs from the kept copy. ``--keep`` renews the kept copy: a
change that mends a defect renews it alone and its message names the values that it changes. What names the program
and not the machine is left out: ``software``. Of the demo cases every value is kept, of the shared ones only a hash:
what they hold stays where it is; two trees are compared value by value with ``--values FILE`` in each.

Run it as ``python -m tests.same_findings --check demo`` (seconds), or with ``incidents`` and ``incidents_second``.
"""

from __future__ import annotations

import argparse
import gzip
import hashlib
import json
import os
import sys
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

# before numpy is loaded: sums over matrices come in the order of their threads, and the last digits with them
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from forensics.demo import DEMO_CASES
from forensics.investigation import investigate
from forensics.results.findings_json import canonical_json, dump_findings
from forensics.results.publish import to_findings_file

HERE = Path(__file__).resolve().parent
SHARED = HERE.parent.parent / "shared"
KEPT = HERE / "kept_findings"
HASHES = KEPT / "sha256.json"
LEFT_OUT = ("software",)
SETS = ("demo", "incidents", "incidents_second")
MOST_NAMED = 40


def cases_of(name: str) -> dict[str, Path]:
    """Case files of one set by name; empty where its folder is not here."""
    if name == "demo":
        return {f"demo/{case}": path for case, path in sorted(DEMO_CASES.items())}
    return {f"{name}/{path.parent.name}": path for path in sorted((SHARED / name / "cases").glob("*/case.toml"))}


def findings_of(path: Path) -> dict[str, Any]:
    """The findings file of a case as the program would write it, less what names the program."""
    written = json.loads(dump_findings(to_findings_file(investigate(path))))
    return {key: value for key, value in written.items() if key not in LEFT_OUT}


def hash_of(findings: Mapping[str, Any]) -> str:
    return hashlib.sha256(canonical_json(findings).encode("utf-8")).hexdigest()


def kept_values(name: str) -> Path:
    """Where every value of a demo case is kept."""
    return KEPT / f"{name.removeprefix('demo/')}.json.gz"


def write_values(findings: Mapping[str, Any], path: Path) -> None:
    """Compressed, and the same bytes for the same values."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(gzip.compress(canonical_json(findings).encode("utf-8"), mtime=0))


def read_values(path: Path) -> dict[str, Any]:
    values: dict[str, Any] = json.loads(gzip.decompress(path.read_bytes()))
    return values


def differences(before: Any, after: Any, place: str = "") -> Iterator[str]:
    """Every value that differs, as ``place: before -> after``; rows with an id are told by it."""
    if isinstance(before, dict) and isinstance(after, dict):
        for key in dict.fromkeys([*before, *after]):
            yield from differences(before.get(key, "(no such key)"), after.get(key, "(no such key)"), f"{place}.{key}")
    elif isinstance(before, list) and isinstance(after, list) and len(before) == len(after):
        for at, (one, other) in enumerate(zip(before, after, strict=True)):
            name = one.get("id", one.get("mode", at)) if isinstance(one, dict) else at
            yield from differences(one, other, f"{place}[{name}]")
    elif before != after or type(before) is not type(after):
        yield f"{place.lstrip('.')}: {_short(before)} -> {_short(after)}"


def _short(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 160 else f"{text[:157]}..."


def read_hashes() -> dict[str, str]:
    hashes: dict[str, str] = json.loads(HASHES.read_text(encoding="utf-8")) if HASHES.is_file() else {}
    return hashes


def faults_of(name: str, findings: Mapping[str, Any], kept: Mapping[str, str]) -> list[str]:
    """What differs from the kept copy of a case; empty where nothing does."""
    if name not in kept:
        return [f"{name}: nothing is kept of it"]
    if hash_of(findings) == kept[name]:
        return []
    if not kept_values(name).is_file() or not name.startswith("demo/"):
        return [f"{name}: differs; its values are not kept here: write them with --values in both trees"]
    told = list(differences(read_values(kept_values(name)), findings)) or ["the order of keys differs"]
    return [f"{name}: {one}" for one in told]


def compare(folder: Path, findings: Mapping[str, Mapping[str, Any]]) -> list[str]:
    """What differs from the values that another tree wrote with ``--values``."""
    told = []
    for name, values in findings.items():
        path = folder / f"{name}.json.gz"
        before = read_values(path) if path.is_file() else {}
        told += [f"{name}: {one}" for one in differences(before, dict(values))]
    return told


def main(words: Sequence[str] | None = None) -> int:
    """Keep or check; 1 where something differs or nothing was compared."""
    parser = argparse.ArgumentParser(prog="python -m tests.same_findings", description=(__doc__ or "").split("\n\n")[0])
    parser.add_argument("sets", nargs="*", default=[], help=f"{', '.join(SETS)} or SET/CASE; all that are here if none")
    doing = parser.add_mutually_exclusive_group(required=True)
    doing.add_argument("--check", action="store_true", help="name every value that differs from the kept copy")
    doing.add_argument("--keep", action="store_true", help="renew the kept copy")
    doing.add_argument("--values", type=Path, help="write every value into this folder (outside the project)")
    doing.add_argument("--against", type=Path, help="compare with a folder that --values wrote from another tree")
    given = parser.parse_args(words)
    everything = {name: path for part in SETS for name, path in cases_of(part).items()}
    asked = given.sets or SETS
    chosen = {n: p for n, p in everything.items() if any(n == one or n.startswith(f"{one}/") for one in asked)}
    if not chosen:
        print("no such case here", file=sys.stderr)
        return 1
    findings = {name: findings_of(path) for name, path in chosen.items()}
    if given.keep:
        _keep(findings)
        return 0
    if given.values:
        for name, values in findings.items():
            write_values(values, given.values / f"{name}.json.gz")
        return 0
    kept = read_hashes()
    faults = (
        compare(given.against, findings)
        if given.against
        else [fault for name, values in findings.items() for fault in faults_of(name, values, kept)]
    )
    print("\n".join(faults[:MOST_NAMED]))
    print(f"{len(findings)} cases compared, {len(faults)} differences")
    return 1 if faults else 0


def _keep(findings: Mapping[str, Mapping[str, Any]]) -> None:
    KEPT.mkdir(exist_ok=True)
    hashes = {**read_hashes(), **{name: hash_of(values) for name, values in findings.items()}}
    HASHES.write_text(json.dumps(hashes, indent=1, sort_keys=True) + "\n", encoding="utf-8")
    for name, values in findings.items():
        if name.startswith("demo/"):
            write_values(values, kept_values(name))


if __name__ == "__main__":
    sys.exit(main())
