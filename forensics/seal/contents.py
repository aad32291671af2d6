"""Whether the bytes of a bag are those of its manifests, and whether every file in it belongs to a sealed case."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from forensics.intake.exhibits import hash_of
from forensics.report.written.result_set import MANIFEST_NAME, NOTEBOOK_NAME, ResultSet
from forensics.seal.custody import CUSTODY
from forensics.seal.pack import CASE, EARLIER, RESULTS, REVISION, RULES, START, TAG_MANIFEST, VERSIONS
from forensics.seal.signature import SIGNATURE

MANIFEST = "manifest-sha256.txt"
# not listed in the tag manifest: itself, and what is made from it
_APART = (TAG_MANIFEST, SIGNATURE)
_TAGS = frozenset({"bagit.txt", "bag-info.txt", MANIFEST, TAG_MANIFEST, SIGNATURE})
_ABOUT = frozenset({START, VERSIONS, CUSTODY, REVISION, f"{EARLIER}/findings.json"})
_RULES = (".toml", ".csv")


def check_bytes(bag: Path) -> tuple[list[str], int]:
    """Every file that is changed, missing or added, by name; and how many files were checked.

    The library's own check stops at the first size that is off; here each file is named, then the library is
    asked whether it agrees. Links, pipes and devices are refused before anything of them is read.
    """
    files, faults = list_files(bag)
    if faults:
        return faults, len(files)
    known: dict[str, set[str]] = {}
    for manifest in (MANIFEST, TAG_MANIFEST):
        if manifest not in files:
            faults.append(f"missing: {manifest}")
            continue
        for name, digest in _entries(files[manifest], faults):
            known.setdefault(name, set()).add(digest)
            if name not in files:
                faults.append(f"missing: {name} (listed in {manifest})")
            elif hash_of(files[name]) != digest:
                faults.append(f"changed: {name} (its SHA-256 is not the one in {manifest})")
    faults += [f"added: {name}" for name in files if name not in known and name not in _APART]
    if not faults:
        faults += _library_word(bag)
    return faults, len(files)


def list_files(bag: Path) -> tuple[dict[str, Path], list[str]]:
    """Regular files of a folder by name; and a fault for whatever else lies there."""
    files: dict[str, Path] = {}
    faults: list[str] = []
    for folder, folders, names in os.walk(bag):
        for name in sorted([*names, *folders]):
            path = Path(folder) / name
            mode = path.lstat().st_mode
            place = path.relative_to(bag).as_posix()
            if stat.S_ISREG(mode):
                files[place] = path
            elif not stat.S_ISDIR(mode):
                faults.append(f"no regular file: {place}")
    return dict(sorted(files.items())), faults


def strangers(bag: Path, found: ResultSet | None) -> list[str]:
    """Files that no sealing puts into a bag: a fault each.

    Parameters
    ----------
    found
        Manifest of the results; None in a bag of the first version, whose results are known by name only.
    """
    files, _ = list_files(bag)
    faults = []
    for name in files:
        if not name.startswith("data/"):
            if name not in _TAGS:
                faults.append(f"no part of a sealed case: {name}")
            continue
        first, _, rest = name.removeprefix("data/").partition("/")
        if f"{first}/{rest}".rstrip("/") in _ABOUT:
            continue
        if first == RULES and name.endswith(_RULES):
            continue
        if first == CASE and (found is None or rest in {*(row.path for row in found.inputs), CUSTODY}):
            continue
        if first == RESULTS and _is_result(rest, found):
            continue
        faults.append(f"no part of a sealed case: {name}")
    return faults


def _is_result(name: str, found: ResultSet | None) -> bool:
    if found is not None:
        return name in found.results or name == MANIFEST_NAME
    return name in {"findings.json", "report.html", "set_aside.csv", NOTEBOOK_NAME} or name.startswith("tables/")


def _entries(manifest: Path, faults: list[str]) -> list[tuple[str, str]]:
    found = []
    text = manifest.read_bytes().decode("utf-8", errors="replace")
    for number, line in enumerate(text.removesuffix("\n").split("\n"), start=1):
        digest, _, name = line.partition(" ")
        name = name.lstrip(" *")
        if not name:
            faults.append(f"changed: {manifest.name} (line {number} is no entry)")
            continue
        found.append((name.replace("%0D", "\r").replace("%0A", "\n"), digest.lower()))
    return found


def _library_word(bag: Path) -> list[str]:
    import bagit

    try:
        bagit.Bag(str(bag)).validate()
    except (bagit.BagError, ValueError, OSError) as fault:
        return [f"not a valid bag: {fault}"]
    return []


def bag_info(bag: Path) -> dict[str, str]:
    """The bag's own description, a value a name; the library has unfolded it."""
    import bagit

    info = bagit.Bag(str(bag)).info
    return {str(name): value if isinstance(value, str) else "\n".join(map(str, value)) for name, value in info.items()}
