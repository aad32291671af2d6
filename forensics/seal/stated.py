"""What a bag states of itself, by people and of the sealing: whether it contradicts itself.

None of it can be made again. That it is the word of whoever sealed is shown by the signature alone.
"""

from __future__ import annotations

from pathlib import Path

from forensics.case.schema import CaseFile
from forensics.report.written.result_set import ResultSet
from forensics.seal.contents import bag_info, list_files
from forensics.seal.custody import CUSTODY, custody_faults, read_rows
from forensics.seal.pack import CHAIN_END, one_line


def stated_faults(bag: Path, casefile: CaseFile, found: ResultSet) -> list[str]:
    """Contradictions between custody list, description of the bag, case and results."""
    info = bag_info(bag)
    try:
        rows = read_rows(bag / "data" / CUSTODY)
    except ValueError as fault:
        return [f"custody list: {fault}"]
    if not rows:
        return ["custody list: it is empty"]
    files, _ = list_files(bag / "data")
    hashes = {name: _hash(path) for name, path in files.items() if name != CUSTODY}
    faults = custody_faults(rows, hashes, info.get(CHAIN_END, ""))
    last = rows[-1]
    for name, value in (
        ("Bagging-Date", last["time_utc"][:10]),
        ("Contact-Name", one_line(last["who"])),
        ("External-Identifier", found.case_id),
    ):
        if one_line(info.get(name, "")) != value:
            faults.append(f"bag-info.txt: {name} is not what the custody list and the case say")
    if found.case_id != casefile.case.id:
        faults.append("the results are of another case than the case file")
    return faults


def _hash(path: Path) -> str:
    from forensics.intake.exhibits import hash_of

    return hash_of(path)
