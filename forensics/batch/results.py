"""The folder of one case's results: an earlier result is kept, a new one appears whole, and a note says of what.

The note (``run.json``) comes last. Where it is missing, or a file is not the one it names, the case counts as not run.
"""

from __future__ import annotations

import hashlib
import json
import shutil
from dataclasses import dataclass
from pathlib import Path

from forensics.batch.storage import file_system, is_address, join, read_bytes, write_bytes
from forensics.errors import InputError, RunError
from forensics.report.written.placing import LOCK_NAME, held, new_stage
from forensics.report.written.result_set import MANIFEST_NAME, ResultSet, read_set, relative
from forensics.results.diff import Changes, compare_findings
from forensics.results.findings_json import read_findings
from forensics.results.schema import FindingsFile

NOTE, FINDINGS, REPORT, FAILED = "run.json", "findings.json", "report.html", "report.FAILED.html"
EARLIER = "earlier"


@dataclass(frozen=True, slots=True)
class Note:
    """Of what a result was made, in which batch, and which files belong to it."""

    inputs: str
    software: str
    files: dict[str, str]
    batch: str = ""


def read_note(out: str) -> Note | None:
    """The note of a finished result; None where there is none that can be read."""
    try:
        data = json.loads(read_bytes(join(out, NOTE)))
        return Note(
            str(data["inputs_sha256"]), str(data["software_sha256"]), dict(data["files"]), str(data.get("batch", ""))
        )
    except (OSError, ValueError, KeyError, TypeError):
        return None


def is_current(out: str, inputs: str, software: str) -> bool:
    """Whether the result is of these inputs and this software, and its files are those that were written."""
    note = read_note(out)
    if note is None or (note.inputs, note.software) != (inputs, software):
        return False
    try:
        return all(hashlib.sha256(read_bytes(join(out, name))).hexdigest() == d for name, d in note.files.items())
    except OSError:
        return False


def read_result(out: str, folder: Path) -> FindingsFile | None:
    """The findings that a folder of results holds; None where there are none that can be read."""
    try:
        if not is_address(out):
            return read_findings(Path(out) / FINDINGS)
        copy = folder / FINDINGS
        copy.write_bytes(read_bytes(join(out, FINDINGS)))
        return read_findings(copy)
    except (InputError, OSError):
        return None


def seed(out: str, made: Path) -> None:
    """Lay an earlier result where the new run will write, so that the run itself keeps it and says what changed."""
    from forensics.report.written.revision import KEPT

    for name in KEPT:
        try:
            content = read_bytes(join(out, name))
        except OSError:
            continue
        made.mkdir(parents=True, exist_ok=True)
        (made / name).write_bytes(content)


def take(made: Path, out: str, *, inputs: str, software: str, batch: str, scratch: Path) -> Changes | None:
    """Move a finished result into its folder.

    Parameters
    ----------
    made
        Folder in which the run left it; what was there before lies in its ``earlier``.
    out
        Folder or address of the results of this case.
    batch
        The batch that made it, so that a run whose answer was lost can be told from an earlier result.
    scratch
        An empty folder to work in.

    Returns
    -------
    Changes or None
        What differs from the result that was there before.
    """
    before, after = read_result(out, scratch), read_findings(made / FINDINGS)
    found = read_set(made)
    if found is None:
        raise RunError("the run ended without a manifest of its results")
    if not is_address(out):
        case = (made / found.case).resolve()
        found = found.model_copy(update={"case": relative(case, Path(out))})
    (made / MANIFEST_NAME).write_bytes(found.text().encode())
    files = {p.relative_to(made).as_posix(): p for p in sorted(made.rglob("*")) if p.is_file() and p.name != LOCK_NAME}
    own = {name: path for name, path in files.items() if not name.startswith(f"{EARLIER}/")}
    note = {
        "schema": 1,
        "inputs_sha256": inputs,
        "software_sha256": software,
        "batch": batch,
        "files": {name: hashlib.sha256(path.read_bytes()).hexdigest() for name, path in sorted(own.items())},
    }
    text = (json.dumps(note, indent=1) + "\n").encode()
    if is_address(out):
        _upload(files, out, text)
    else:
        _put_in_place(files, Path(out), found, text)
    return None if before is None else compare_findings(before, after)


def _put_in_place(files: dict[str, Path], out: Path, found: ResultSet, note: bytes) -> None:
    """All files by renaming, so that a batch that is killed leaves a whole set, the old one or the new one."""
    with held(out):
        stage = new_stage(out)
        try:
            for name, path in files.items():
                (stage.new / name).parent.mkdir(parents=True, exist_ok=True)
                shutil.move(path, stage.new / name)
            stage.put(NOTE, note)
            stage.commit(found)
        except BaseException:
            stage.discard()
            raise


def _upload(files: dict[str, Path], out: str, note: bytes) -> None:
    """File by file to a storage that can't rename: the note goes first and comes back last."""
    _remove(join(out, NOTE))
    for name, path in sorted(files.items(), key=lambda item: item[0] == REPORT):
        write_bytes(join(out, name), path.read_bytes())
    _remove(join(out, FAILED))
    write_bytes(join(out, NOTE), note)


def _remove(path: str) -> None:
    if not is_address(path):
        Path(path).unlink(missing_ok=True)
        return
    system, inside = file_system(path)
    if system.exists(inside):
        system.rm_file(inside)


def write_failed_page(made: Path, out: str, title: str, fault: Exception) -> None:
    """Leave the page of a case that did not finish beside whatever older result there is."""
    from forensics.report.running.failure import write_failure

    page = made / FAILED
    if not page.is_file():
        made.mkdir(parents=True, exist_ok=True)
        page = write_failure(made, title, fault, made="")
    write_bytes(join(out, FAILED), page.read_bytes())
