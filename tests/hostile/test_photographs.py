"""Photographs from outside: nothing is started for them, nothing is written out but pixels, memory stays bounded."""

from __future__ import annotations

import base64
import hashlib
import io
import os
import resource
import struct
import subprocess
import sys
import zlib
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest
from PIL import Image

from forensics.errors import NotDrawnError, Problem
from forensics.report.evidence.photographs import Photograph, photograph, smaller

EPS = b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 100 100\n%%EndComments\nshowpage\n%%EOF\n"
SECRET = b"SECRETWORD"


def picture(kind: str, size: tuple[int, int] = (1200, 900), **given: object) -> bytes:
    target = io.BytesIO()
    red, green = Image.linear_gradient("L").resize(size), Image.radial_gradient("L").resize(size)
    Image.merge("RGB", (red, green, red)).save(target, kind, **given)
    return target.getvalue()


def png_of(width: int, height: int) -> bytes:
    """A PNG that says any size and holds next to nothing."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    rows = zlib.compress(b"\0" * 4096, 9)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


def webp_of(width: int, height: int) -> bytes:
    """A WebP with a canvas of any size and nothing on it."""
    sides = (width - 1).to_bytes(3, "little") + (height - 1).to_bytes(3, "little")
    body = b"WEBPVP8X" + struct.pack("<I", 10) + b"\x02\0\0\0" + sides + b"ANIM" + struct.pack("<IIH", 6, 0, 0)
    return b"RIFF" + struct.pack("<I", len(body)) + body


def jpeg_of(width: int, height: int) -> bytes:
    """A JPEG whose frame says any size; the data stay those of a small picture."""
    data = bytearray(picture("JPEG", (64, 64)))
    at = data.index(b"\xff\xc0") + 5
    data[at : at + 4] = struct.pack(">HH", height, width)
    return bytes(data)


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "TIFF"])
def test_formats_on_the_list_are_drawn_the_same_twice(tmp_path: Path, kind: str) -> None:
    content = picture(kind)
    (tmp_path / "photo").write_bytes(content)
    first, second = photograph(tmp_path, "photo"), photograph(tmp_path, "photo")
    assert isinstance(first, Photograph)
    assert first == second
    assert first.sha256 == hashlib.sha256(content).hexdigest()
    assert first.pixels == "1200 x 900"
    shown = Image.open(io.BytesIO(base64.b64decode(first.shown.partition(",")[2])))
    assert shown.format == "JPEG"
    assert max(shown.size) == 640


def _not_drawn(tmp_path: Path, content: bytes) -> str:
    (tmp_path / "photo.jpg").write_bytes(content)
    found = photograph(tmp_path, "photo.jpg")
    assert isinstance(found, Problem)
    assert hashlib.sha256(content).hexdigest() in found.what
    assert "0x" not in found.what
    assert found == photograph(tmp_path, "photo.jpg")
    return found.what


@pytest.mark.parametrize("kind", ["GIF", "BMP", "PPM", "ICO", "TGA", "PDF", "PCX", "SGI", "DDS", "ICNS"])
def test_other_formats_are_not_drawn(tmp_path: Path, kind: str) -> None:
    assert "no whole picture in JPEG" in _not_drawn(tmp_path, picture(kind, (64, 64)))


def test_no_program_is_started_for_a_picture(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    trap = tmp_path / "bin" / "gs"
    trap.parent.mkdir()
    trap.write_text(f"#!/bin/sh\ntouch {tmp_path}/started\nexit 1\n", encoding="utf-8")
    trap.chmod(0o755)
    monkeypatch.setenv("PATH", f"{trap.parent}{os.pathsep}{os.environ['PATH']}")
    for content in (EPS, b"\xc5\xd0\xd3\xc6" + struct.pack("<II", 32, len(EPS)) + b"\0" * 20 + EPS):
        _not_drawn(tmp_path, content)
    assert not (tmp_path / "started").exists()


@pytest.mark.parametrize(
    "content",
    [b"", b"\xff\xd8\xff", picture("JPEG")[:3000], picture("PNG")[:2000], b"RIFF\0\0\0\0WEBPVP8 ",
     b"II*\0" + b"\xff" * 40,
     png_of(100, 100), b"\x89PNG\r\n\x1a\n" + b"\0" * 90, b"<svg onload='x'/>", picture("TIFF")[:500]],
    ids=["empty", "head of a JPEG", "cut JPEG", "cut PNG", "head of a WebP", "TIFF of ones",
         "PNG without rows", "PNG of NULs",
         "SVG", "cut TIFF"],
)  # fmt: skip
def test_what_is_damaged_is_not_drawn(tmp_path: Path, content: bytes) -> None:
    _not_drawn(tmp_path, content)


@pytest.mark.parametrize(
    "made",
    [lambda: png_of(9_900, 9_900), lambda: png_of(2**31 - 1, 2**31 - 1), lambda: png_of(60_000, 60_000),
     lambda: webp_of(16_383, 16_383), lambda: webp_of(2**24, 2**24), lambda: jpeg_of(65_500, 65_500)],
    ids=["PNG 98 MP", "PNG 4e18", "PNG 3.6 GP", "WebP 268 MP", "WebP 2^48", "JPEG 4.3 GP"],
)  # fmt: skip
def test_a_picture_that_is_too_large_is_not_decoded(tmp_path: Path, made: Callable[[], bytes]) -> None:
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert "million pixels" in _not_drawn(tmp_path, made())
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 64 << 10  # KiB


def _mebibytes(code: str, folder: Path) -> tuple[str, int]:
    """What a program prints, and the most memory that it held."""
    ending = "; print([line for line in open('/proc/self/status') if line.startswith('VmHWM')][0].split()[1])"
    if not Path("/proc/self/status").exists():
        pytest.skip("the memory of a process can't be read here")
    command = [sys.executable, "-c", code + ending]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=120, check=True)
    *words, kibibytes = done.stdout.split()
    return " ".join(words), int(kibibytes) >> 10


def test_a_photograph_of_200_million_pixels_is_drawn_in_little_memory(tmp_path: Path) -> None:
    made = "from PIL import Image; Image.new('L', (16320, 12240), 90).save('large.jpg')"
    _mebibytes(made, tmp_path)
    load = "from pathlib import Path; from forensics.report.evidence.photographs import photograph"
    _, before = _mebibytes(f"{load}; import PIL.Image", tmp_path)
    size, most = _mebibytes(f"{load}; print(photograph(Path('.'), 'large.jpg').pixels)", tmp_path)
    assert size == "16320 x 12240"
    assert most - before < 150


def test_nothing_but_pixels_is_written_out(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif[0x010E], exif[0x8298], exif[0x0112] = SECRET.decode(), SECRET.decode(), 6
    exif.get_ifd(0x8825)[1] = "N"
    content = picture("JPEG", exif=exif.tobytes(), comment=SECRET)
    assert content.count(SECRET) >= 2
    (tmp_path / "photo.jpg").write_bytes(content)
    found = photograph(tmp_path, "photo.jpg")
    assert isinstance(found, Photograph)
    shown = base64.b64decode(found.shown.partition(",")[2])
    assert SECRET not in shown
    opened = Image.open(io.BytesIO(shown))
    assert opened.size == (480, 640)  # turned as the camera was held, and the turn is in the pixels
    assert not opened.getexif()
    assert "comment" not in opened.info


def test_pictures_with_any_byte_changed_end_in_a_picture_or_a_word(tmp_path: Path) -> None:
    import random

    rng = random.Random(7)
    made = [picture(kind, (96, 64)) for kind in ("JPEG", "PNG", "WEBP", "TIFF")]
    for _ in range(400):
        data = bytearray(rng.choice(made))
        for _ in range(rng.randint(1, 8)):
            data[rng.randrange(len(data))] = rng.randrange(256)
        with suppress(NotDrawnError):
            smaller(bytes(data))
