"""Checks a bag: its bytes, who signed them, its custody list; and makes every result again from its originals."""

from __future__ import annotations

import json
import re
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from forensics.case.read import read_case_file
from forensics.case.schema import CaseFile
from forensics.errors import InputError, Problem
from forensics.intake.case_files import case_inputs
from forensics.intake.exhibits import hash_of
from forensics.report.written.result_set import (
    FINDINGS_NAME,
    NOTEBOOK_NAME,
    REPORT_NAME,
    TABLES_NAME,
    ResultSet,
    input_faults,
    read_set,
    set_faults,
)
from forensics.report.written.result_set import hash_inputs as hashed_inputs
from forensics.rules import FOLDER, rules_sha256
from forensics.seal.archive import take_copy, unpack
from forensics.seal.contents import check_bytes, strangers
from forensics.seal.pack import CASE, EARLIER, RESULTS, RULES, START, TAG_MANIFEST, seal_id
from forensics.seal.remake import Again, Remade, Rerun, compare, limits_of_run, made_at, own_of, remake, run_again
from forensics.seal.signature import Signed, check_signature, read_public
from forensics.seal.stated import stated_faults
from forensics.seal.verified import Verified

MOST_BYTES = 1 << 20
_CASE = re.compile(rf"{CASE}/[^/\\]+")
FIRST_VERSION = (
    "sealed by the first version: its results carry no manifest, and its custody list is no chain; what lies in them "
    "could have been exchanged"
)


def verify(bag: Path, *, key: Path | None = None, wanted_id: str = "", rerun: Rerun = run_again) -> Verified:
    """Check a bag and make its results again.

    Parameters
    ----------
    bag
        Folder of the bag, or a ZIP archive of one; it is only read.
    key
        Public key (Ed25519, PEM) that must have signed it.
    wanted_id
        The seal id that it must have.
    rerun
        How a case is run.

    Returns
    -------
    Verified
        The case is run again only from a bag in which everything is as sealed.

    Raises
    ------
    InputError
        There is no bag at this place, or the key can't be used.
    """
    public = None if key is None else read_public(key)
    with tempfile.TemporaryDirectory(prefix="screw-forensics-") as folder:
        scratch = Path(folder)
        place = bag
        if bag.is_file():
            (scratch / "bag").mkdir()
            place = unpack(bag, scratch / "bag")
        if not place.is_dir():
            raise InputError([Problem("there is no such folder or archive", file=str(bag))])
        if not (place / "bagit.txt").is_file() and not (place / "data").is_dir():
            raise InputError([Problem("is not a bag: neither bagit.txt nor data is there", file=str(bag))])
        if place == bag:  # what is checked, compared and run are the bytes that were read once
            place, odd = take_copy(bag, scratch / "bag")
            if odd:
                return Verified(bag, "", 0, tuple(odd), Signed("unsigned", "not looked at: the bag was not read"))
        faults, files = check_bytes(place)
        manifest = place / TAG_MANIFEST
        there = manifest.is_file() and not manifest.is_symlink()
        name = seal_id(place) if there else ""
        if wanted_id and wanted_id.strip().lower() != name:
            faults.append(f"another seal id than the one given: {name or 'none'}")
        signed = check_signature(place, manifest, public) if there else Signed("bad", "there is nothing that is signed")
        if signed.state == "bad":
            faults.append(f"signature: {signed.text}")
        named = bool(wanted_id) and not faults
        first = Verified(bag, name, files, tuple(faults), signed, named=named)
        return first if faults else _made_again(first, place, scratch, rerun)


@dataclass(frozen=True)
class _Sealed:
    """What was sealed, as the bag tells it."""

    data: Path
    case: Path
    casefile: CaseFile
    findings: Any
    found: ResultSet | None


def _made_again(checked: Verified, bag: Path, scratch: Path, rerun: Rerun) -> Verified:
    """The check of what the bytes say, and the run; whatever is odd in a bag ends in a line, not in a traceback."""
    said: dict[str, Any] = vars(checked)
    try:
        sealed = _read(bag / "data")
        faults = [*strangers(bag, sealed.found), *_belonging(sealed)]
        if sealed.found is not None:
            faults += stated_faults(bag, sealed.casefile, sealed.found)
        limits = limits_of_run(sealed.findings, sealed.casefile)
        page, notebook = (sealed.data / RESULTS / name for name in (REPORT_NAME, NOTEBOOK_NAME))
        again = Again(limits, _has_tables(sealed), made_at(page.read_bytes()), own_of(notebook))
        if sealed.found is not None and sealed.found.made_utc != f"{again.made:%Y-%m-%dT%H:%M:%SZ}":
            faults.append("the page tells another time than the manifest of the results")
    except InputError as fault:
        return Verified(**{**said, "faults": tuple(str(problem) for problem in fault.problems)})
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as fault:
        return Verified(**{**said, "faults": (f"can't be read as a sealed case: {type(fault).__name__}: {fault}",)})
    if faults:
        return Verified(**{**said, "faults": tuple(faults)})
    said |= {
        "notes": tuple(_other_rules(sealed.data / RULES)),
        "limits": tuple(f"{name} = {value:g}" for name, value in sorted(limits.items())),
    }
    superseded = sealed.data / EARLIER / FINDINGS_NAME
    try:
        new = remake(
            sealed.data / CASE,
            sealed.case,
            scratch,
            again,
            superseded=superseded if superseded.is_file() else None,
            rerun=rerun,
        )
    except Exception as fault:  # noqa: BLE001 - a case in a bag from outside may be anything
        lines = str(fault).splitlines() or [type(fault).__name__]
        return Verified(**{**said, "stopped": tuple(f"the run stopped: {line}" for line in lines)})
    results = compare(sealed.data / RESULTS, new)
    if sealed.found is None:
        # first: differences may be many, and what is shown of them ends
        results = (Remade("what the bag itself states", "not re-made", (FIRST_VERSION,)), *results)
    return Verified(**{**said, "results": results})


def _read(data: Path) -> _Sealed:
    start = json.loads(_bounded(data / START))
    named = str(start["case"])
    case = data / named
    # a bag that names a case elsewhere would have another one run in its place
    if not _CASE.fullmatch(named) or named.endswith(("/.", "/..")) or not case.is_file():
        raise ValueError(f"{START} names no case file of this bag")
    casefile = read_case_file(case)
    supersedes = (case.parent / casefile.case.supersedes).resolve()
    if casefile.case.supersedes and not supersedes.is_relative_to(data.parent.parent.resolve()):
        raise ValueError("the case supersedes something outside the folder of the bag")
    case_inputs(case)  # raises for files that are missing or lie outside
    findings = json.loads((data / RESULTS / FINDINGS_NAME).read_bytes())
    return _Sealed(data, case, casefile, findings, read_set(data / RESULTS))


def _bounded(path: Path) -> bytes:
    if path.stat().st_size > MOST_BYTES:
        raise ValueError(f"{path.name} is too large")
    return path.read_bytes()


def _other_rules(folder: Path) -> list[str]:
    """Rules files that are not the same in the bag and here, where the case is run with those that ship."""
    sealed = {p.relative_to(folder).as_posix(): p for p in folder.rglob("*") if p.is_file()}
    here = {p.relative_to(FOLDER).as_posix(): p for p in FOLDER.rglob("*") if p.suffix in {".toml", ".csv"}}
    told = []
    for name in sorted({*sealed, *here}):
        if name not in here:
            told.append(f"rules file {name} was sealed and is not installed here")
        elif name not in sealed:
            told.append(f"rules file {name} is installed here and was not sealed")
        elif hash_of(sealed[name]) != hash_of(here[name]):
            told.append(f"rules file {name} is another one here")
    return told


def _has_tables(sealed: _Sealed) -> bool:
    return any((sealed.data / RESULTS / TABLES_NAME).glob("*.csv"))


def _belonging(sealed: _Sealed) -> list[str]:
    """Results that are not of one run, or not of these originals."""
    if sealed.findings["software"]["rules_sha256"] != rules_sha256(sealed.data / RULES):
        return ["the rules in the bag are not those that the findings were made with"]
    if sealed.found is None:
        return []
    faults = [str(problem) for problem in set_faults(sealed.data / RESULTS, sealed.found)]
    now = hashed_inputs(sealed.case, sealed.casefile)
    faults += [str(p) for p in input_faults(sealed.found.inputs, now, origin="the results were made from")]
    return faults
