"""Photographs: shown smaller inside the page; the originals are hashed and stay as they are.

A photograph comes from outside: its format is on a short list, so that no other program is ever started for it, its
size is read from its first bytes, and what is drawn holds pixels only, no place, owner or comment.
"""

from __future__ import annotations

import base64
import hashlib
import io
import struct
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from forensics.errors import NotDrawnError, Problem, Severity
from forensics.model.paths import PHOTO_BYTES, read_inside

if TYPE_CHECKING:
    from PIL import Image

LONGEST_PX = 640
QUALITY = 72
MOST_SHOWN = 12
FORMATS = ("JPEG", "PNG", "WEBP", "TIFF")
# a baseline JPEG is drawn from an eighth of its pixels; all others are decoded whole, at up to four bytes a pixel
MOST_PIXELS_REDUCED, MOST_PIXELS_WHOLE = 500_000_000, 40_000_000
_WEBP_HEAD = 30


@dataclass(frozen=True)
class Photograph:
    """One photograph: its place, hash, size, and a smaller copy as a data address; empty where it is not drawn."""

    path: str
    sha256: str
    pixels: str
    shown: str


def photograph(folder: Path, path: str, *, drawn: bool = True) -> Photograph | Problem:
    """Read one photograph of the case, or say why it can't be shown.

    Parameters
    ----------
    folder
        Folder of the case file, which a photograph may not lie outside.
    drawn
        Whether a smaller copy is made; else it is only hashed.
    """
    name = path.replace("\\", "/")
    try:
        content = read_inside(folder, name, PHOTO_BYTES)
    except OSError as fault:
        return Problem(f"the photograph can't be read ({fault.strerror})", file=path, severity=Severity.NOTE)
    digest = hashlib.sha256(content).hexdigest()
    if not drawn:
        return Photograph(name, digest, "", "")
    try:
        pixels, shown = smaller(content)
    except NotDrawnError as fault:
        return Problem(f"is not drawn: {fault}; its SHA-256 is {digest}", file=path, severity=Severity.NOTE)
    return Photograph(name, digest, pixels, shown)


def smaller(content: bytes) -> tuple[str, str]:
    """Size in words, and a smaller copy as a data address.

    Raises
    ------
    NotDrawnError
        Not a picture of the formats on the list, too large to be decoded, or damaged.
    """
    _refuse_canvas(content)
    try:
        with _own_limit():
            return _decoded(content)
    except NotDrawnError:
        raise
    except MemoryError:
        raise NotDrawnError("it needs more memory than there is") from None
    except Exception:  # noqa: BLE001 - a decoder may fail in any way on bytes that are made to break it
        raise NotDrawnError(f"it is no whole picture in {', '.join(FORMATS)}") from None


def _decoded(content: bytes) -> tuple[str, str]:
    from PIL import Image, ImageOps

    with Image.open(io.BytesIO(content), formats=FORMATS) as picture:
        width, height = picture.size
        _refuse_size(picture, width * height)
        picture.draft("RGB", (2 * LONGEST_PX, 2 * LONGEST_PX))
        turned = ImageOps.exif_transpose(picture).convert("RGB")
    turned.thumbnail((LONGEST_PX, LONGEST_PX))
    turned.info.clear()  # a comment or a place would be written out again
    target = io.BytesIO()
    turned.save(target, "JPEG", quality=QUALITY, exif=b"", comment=b"")
    return f"{width} x {height}", "data:image/jpeg;base64," + base64.b64encode(target.getvalue()).decode("ascii")


def _refuse_size(picture: Image.Image, pixels: int) -> None:
    reduced = picture.format in ("JPEG", "MPO") and not picture.info.get("progressive")
    most = MOST_PIXELS_REDUCED if reduced else MOST_PIXELS_WHOLE
    if not 0 < pixels <= most:
        raise NotDrawnError(f"it has {pixels / 1e6:.0f} million pixels, up to {most / 1e6:.0f} million are drawn")


def _refuse_canvas(content: bytes) -> None:
    """Refuse a WebP by its first bytes: its decoder makes the whole canvas before it tells the size."""
    head = content[:_WEBP_HEAD]
    if head[:4] != b"RIFF" or head[8:12] != b"WEBP" or len(head) < _WEBP_HEAD:
        return
    kind = head[12:16]
    if kind == b"VP8X":
        width, height = (int.from_bytes(head[at : at + 3], "little") + 1 for at in (24, 27))
    elif kind == b"VP8L":
        bits = int.from_bytes(head[21:25], "little")
        width, height = (bits & 0x3FFF) + 1, (bits >> 14 & 0x3FFF) + 1
    else:
        width, height = (side & 0x3FFF for side in struct.unpack("<HH", head[26:30]))
    if width * height > MOST_PIXELS_WHOLE:
        raise NotDrawnError(f"it has {width * height / 1e6:.0f} million pixels")


@contextmanager
def _own_limit() -> Iterator[None]:
    """The library's guard is one number for all formats: ours, by format, stand in its place meanwhile."""
    from PIL import Image

    before = Image.MAX_IMAGE_PIXELS
    Image.MAX_IMAGE_PIXELS = None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        Image.MAX_IMAGE_PIXELS = before
