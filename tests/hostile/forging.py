"""What a forger does to a bag: change a file, then make the sums agree again, up to every list that the bag holds."""

from __future__ import annotations

import json
from pathlib import Path

import bagit

from forensics.intake.exhibits import hash_of
from forensics.report.written.result_set import MANIFEST_NAME, ResultSet, file_row
from forensics.seal.custody import chained, read_rows, write_rows
from forensics.seal.pack import CHAIN_END, DECLARATION


def sums(bag: Path) -> None:
    """Make the manifests agree with what lies there: twenty lines for anybody."""
    loaded = bagit.Bag(str(bag))
    loaded.save(manifests=True)
    (bag / "bagit.txt").write_text(DECLARATION, encoding="utf-8", newline="\n")
    loaded.save(manifests=False)


def results_list(bag: Path) -> None:
    """Make the manifest of the results agree."""
    folder = bag / "data" / "results"
    path = folder / MANIFEST_NAME
    found = ResultSet.model_validate_json(path.read_bytes())
    rows = {name: file_row((folder / name).read_bytes()) for name in found.results if (folder / name).is_file()}
    path.write_text(found.model_copy(update={"results": rows}).text(), encoding="utf-8")


def custody_list(bag: Path, **changed: str) -> None:
    """Make a new custody list that tells of what lies there, with other words where they are given."""
    path = bag / "data" / "custody.csv"
    rows = []
    for row in read_rows(path):
        file = bag / "data" / row["file"]
        if file.is_file():
            rows.append(row | {"sha256": hash_of(file), "bytes": str(file.stat().st_size), "chain": ""} | changed)
    lines = chained(rows)
    write_rows(path, lines)
    described(bag, **{CHAIN_END: lines[-1]["chain"]})


def described(bag: Path, **changed: str) -> None:
    """Change the bag's own description."""
    loaded = bagit.Bag(str(bag))
    loaded.info.update(changed)
    loaded.save(manifests=False)
    (bag / "bagit.txt").write_text(DECLARATION, encoding="utf-8", newline="\n")


def everything(bag: Path) -> None:
    """Make all lists agree."""
    results_list(bag)
    custody_list(bag)
    sums(bag)


def change_json(path: Path, **changed: object) -> None:
    data = json.loads(path.read_text(encoding="utf-8"))
    path.write_text(json.dumps(data | changed, indent=1) + "\n", encoding="utf-8")
