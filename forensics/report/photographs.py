"""Photographs: shown smaller inside the page; the originals are hashed and stay as they are."""

from __future__ import annotations

import base64
import hashlib
import io
from dataclasses import dataclass
from pathlib import Path

from forensics.errors import Problem, Severity

LONGEST_PX = 640
QUALITY = 72
MOST_BYTES = 400_000_000
MOST_SHOWN = 12


@dataclass(frozen=True)
class Photograph:
    """One photograph: its place, hash, size, and a smaller copy as a data address; empty where it can't be shown."""

    path: str
    sha256: str
    pixels: str
    shown: str


def photograph(folder: Path, path: str) -> Photograph | Problem:
    """Read one photograph of the case, or say why it can't be shown.

    Parameters
    ----------
    folder
        Folder of the case file, which a photograph may not lie outside.
    """
    name = path.replace("\\", "/")
    full = (folder / name).resolve()
    if not full.is_relative_to(folder.resolve()):
        return Problem("lies outside the folder of the case file", file=path, severity=Severity.NOTE)
    try:
        content = full.read_bytes()
    except OSError as fault:
        return Problem(f"the photograph can't be read ({fault.strerror})", file=path, severity=Severity.NOTE)
    digest = hashlib.sha256(content).hexdigest()
    try:
        pixels, shown = _smaller(content)
    except (OSError, ValueError, SyntaxError) as fault:
        return Problem(
            f"is not a picture that can be shown ({fault}); its SHA-256 is {digest}", file=path, severity=Severity.NOTE
        )
    return Photograph(name, digest, pixels, shown)


def _smaller(content: bytes) -> tuple[str, str]:
    from PIL import Image, ImageOps

    with Image.open(io.BytesIO(content)) as picture:
        width, height = picture.size
        if width * height > MOST_BYTES // 4:
            raise ValueError(f"{width} x {height} pixels are too many")
        picture.draft("RGB", (2 * LONGEST_PX, 2 * LONGEST_PX))
        turned = ImageOps.exif_transpose(picture).convert("RGB")
        turned.thumbnail((LONGEST_PX, LONGEST_PX))
        target = io.BytesIO()
        turned.save(target, "JPEG", quality=QUALITY)
    return f"{width} x {height}", "data:image/jpeg;base64," + base64.b64encode(target.getvalue()).decode("ascii")
