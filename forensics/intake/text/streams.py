"""The bytes of a text export: opened read-only, hashed, unpacked, and turned into UTF-8 blocks of whole lines."""

from __future__ import annotations

import codecs
import hashlib
import re
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO, Protocol

from forensics.case.values import check_encoding
from forensics.errors import UnreadableError, WrongEncodingError
from forensics.model.paths import open_regular

BLOCK_BYTES = 6 << 20
SAMPLE_BYTES = 256 << 10
_CUT_CHARACTER = "the text ends inside a character"
_RATIO_MAX = 250
_RATIO_FROM_BYTES = 96 << 20
_UNPACKED_MAX_BYTES = 16 << 30
_LONGEST_LINE_BYTES = 64 << 20


class _Hash(Protocol):
    def update(self, data: bytes, /) -> None: ...
    def hexdigest(self) -> str: ...


@dataclass(slots=True)
class ByteSource:
    """Raw bytes of one export, unpacked on the way.

    Attributes
    ----------
    cut
        What was wrong with the end of the compressed data, empty where nothing was.
    member
        Name of the one member of a zip archive.
    """

    file: Path
    digest: _Hash = field(default_factory=hashlib.sha256)
    cut: str = ""
    member: str = ""
    hashed: bool = False

    def chunks(self, size: int = BLOCK_BYTES) -> Iterator[bytes]:
        """Unpacked bytes in chunks; the raw bytes are hashed as they are read."""
        self.digest, self.cut, self.hashed = hashlib.sha256(), "", False
        with open_regular(self.file) as raw:
            magic = raw.read(4)
            raw.seek(0)
            if magic[:2] == b"\x1f\x8b":
                yield from self._gzip(raw, size)
            elif magic in (b"PK\x03\x04", b"PK\x05\x06"):
                yield from self._zip(raw, size)
            else:
                while chunk := raw.read(size):
                    self.digest.update(chunk)
                    yield chunk
                self.hashed = True
                return
            while chunk := raw.read(size):
                self.digest.update(chunk)
            self.hashed = True

    def sample(self, size: int = SAMPLE_BYTES) -> bytes:
        """First unpacked bytes."""
        out = bytearray()
        for chunk in self.chunks(min(size, 64 << 10)):
            out += chunk
            if len(out) >= size:
                break
        return bytes(out[:size])

    def _guard(self, packed: int, unpacked: int) -> None:
        if unpacked > _UNPACKED_MAX_BYTES or (unpacked > _RATIO_FROM_BYTES and unpacked > _RATIO_MAX * max(packed, 1)):
            raise UnreadableError(
                f"the compressed file unpacks to more than {unpacked // max(packed, 1)} times its size "
                f"({unpacked >> 20} MiB so far): refused",
                "Unpack it by hand and name the unpacked export.",
            )

    def _gzip(self, raw: BinaryIO, size: int) -> Iterator[bytes]:
        packed = unpacked = 0
        unpacker = zlib.decompressobj(31)
        fed = False
        while chunk := raw.read(256 << 10):
            self.digest.update(chunk)
            packed += len(chunk)
            data = chunk
            while data:
                if not fed:
                    data = data.lstrip(b"\0")
                    if not data:
                        break
                fed = True
                try:
                    out = unpacker.decompress(data, size)
                except zlib.error as fault:
                    self.cut = f"the compressed data is damaged ({fault})"
                    return
                unpacked += len(out)
                self._guard(packed, unpacked)
                if out:
                    yield out
                if unpacker.eof:
                    data, unpacker, fed = unpacker.unused_data, zlib.decompressobj(31), False
                else:
                    data = unpacker.unconsumed_tail
        if fed:
            self.cut = "the compressed data ends early"

    def _zip(self, raw: BinaryIO, size: int) -> Iterator[bytes]:
        position = raw.tell()
        while chunk := raw.read(size):
            self.digest.update(chunk)
        raw.seek(position)
        try:
            archive = zipfile.ZipFile(raw)
            members = [item for item in archive.infolist() if not item.is_dir() and not _is_beside(item.filename)]
        except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError) as fault:
            raise UnreadableError(f"the zip archive can't be read ({fault})", "Export it again.") from None
        if len(members) != 1:
            names = ", ".join(item.filename for item in members[:5])
            raise UnreadableError(
                f"the zip archive has {len(members)} members ({names}); one is expected",
                "Unpack it and name each export as a source.",
            )
        self.member = members[0].filename
        packed, unpacked = max(members[0].compress_size, 1), 0
        try:
            with archive.open(members[0]) as stream:
                while out := stream.read(min(size, 1 << 20)):
                    unpacked += len(out)
                    self._guard(packed, unpacked)
                    yield out
        except (zipfile.BadZipFile, zlib.error, EOFError) as fault:
            self.cut = f"the compressed data is damaged ({fault})"
        except (RuntimeError, NotImplementedError, OSError) as fault:
            raise UnreadableError(f"the zip archive can't be read ({fault})", "Unpack it by hand.") from None


def _is_beside(name: str) -> bool:
    """Whether a member of an archive is what some systems store beside a file: no export."""
    parts = name.replace("\\", "/").split("/")
    return parts[0] == "__MACOSX" or parts[-1] in (".DS_Store", "Thumbs.db", "desktop.ini")


BOMS = (
    (codecs.BOM_UTF8, "utf-8-sig", "UTF-8 with a byte order mark"),
    (codecs.BOM_UTF32_LE, "utf-32", "UTF-32"),
    (codecs.BOM_UTF16_LE, "utf-16", "UTF-16 LE"),
    (codecs.BOM_UTF16_BE, "utf-16", "UTF-16 BE"),
)


def encoding_of(sample: bytes, told: str) -> tuple[str, str, str]:
    """Codec, its name for the report, and the evidence.

    A byte order mark, then strict UTF-8, then what the case says, else cp1252 with a note.
    """
    if told:
        try:
            name = codecs.lookup(check_encoding(told)).name
        except ValueError as fault:
            raise UnreadableError(str(fault), "Correct encoding, or leave it out.") from None
        return ("utf-8-sig" if name == "utf-8" else name), name, "given in the case file"
    for mark, codec, name in BOMS:
        if sample.startswith(mark):
            return codec, name, "byte order mark"
    text = sample.rstrip(b"\0")  # a file that was laid out ahead of its data ends in NUL bytes in any encoding
    even, odd = text[0::2].count(0), text[1::2].count(0)
    half = len(text) // 2
    if half > 8 and odd > half * 0.4 and even < half * 0.05:  # noqa: PLR2004 - shares of NUL bytes in plain text
        return "utf-16-le", "UTF-16 LE", "every second byte is NUL"
    if half > 8 and even > half * 0.4 and odd < half * 0.05:  # noqa: PLR2004
        return "utf-16-be", "UTF-16 BE", "every second byte is NUL"
    try:
        codecs.getincrementaldecoder("utf-8")().decode(sample)
    except UnicodeDecodeError as fault:
        return "cp1252", "cp1252", f"byte 0x{sample[fault.start]:02X} at offset {fault.start} is not UTF-8"
    return "utf-8", "UTF-8", "all bytes are UTF-8"


def line_blocks(source: ByteSource, codec: str, size: int = BLOCK_BYTES) -> Iterator[tuple[bytes, bool]]:
    """UTF-8 blocks of whole lines, and whether each is the last.

    Raises
    ------
    WrongEncodingError
        Bytes that the codec can't decode.
    """
    carry = b""
    previous: bytes | None = None
    for chunk in _one_end(_utf8(source, codec, size)):
        cut = chunk.rfind(b"\n") + 1
        if not cut:
            carry += chunk
            if len(carry) > _LONGEST_LINE_BYTES:
                raise UnreadableError("a line is longer than 64 MiB: not a text export", "Check which file this is.")
            continue
        if previous is not None:
            yield previous, False
        # one copy of a block of megabytes, not two
        previous = b"".join((carry, memoryview(chunk)[:cut])) if carry or cut < len(chunk) else chunk
        carry = chunk[cut:]
    if carry:
        if previous is not None:
            yield previous, False
        previous = carry
    yield previous or b"", True


def _utf8(source: ByteSource, codec: str, size: int) -> Iterator[bytes]:
    if codec in ("utf-8", "utf-8-sig"):
        yield from _checked(source, size, marked=codec == "utf-8-sig")
        return
    strict = codec not in ("cp1252",)
    decoder = codecs.getincrementaldecoder(codec)(errors="strict" if strict else "replace")
    seen = 0
    for chunk in source.chunks(size):
        try:
            text = decoder.decode(chunk)
        except UnicodeDecodeError as fault:
            raise WrongEncodingError(seen + fault.start) from None
        except UnicodeError:
            raise WrongEncodingError(seen) from None
        seen += len(chunk)
        yield text.encode("utf-8", "replace")
    try:
        rest = decoder.decode(b"", final=True)
    except UnicodeError:
        source.cut, rest = source.cut or _CUT_CHARACTER, "\ufffd"
    if rest:
        yield rest.encode("utf-8", "replace")


def _checked(source: ByteSource, size: int, *, marked: bool) -> Iterator[bytes]:
    """Blocks of UTF-8 as they are, checked; without the byte order mark where they begin with one."""
    checker = codecs.getincrementaldecoder("utf-8")()
    seen, wide, held = 0, False, b""
    for chunk in source.chunks(size):
        if marked and not seen and chunk.startswith(codecs.BOM_UTF8):
            chunk = chunk[3:]
        seen += len(chunk)
        if held or not chunk.isascii():
            try:
                wide |= not checker.decode(chunk).isascii()
            except UnicodeDecodeError as fault:
                raise WrongEncodingError(seen - len(chunk) + fault.start) from None
            chunk, held = held + chunk, checker.getstate()[0]
            chunk = chunk[: -len(held)] if held else chunk
        yield chunk
    if held and not wide:
        raise WrongEncodingError(seen)
    if held:  # after whole characters of several bytes this is one that was cut
        source.cut = source.cut or _CUT_CHARACTER
        yield "\ufffd".encode()


def _one_end(chunks: Iterator[bytes]) -> Iterator[bytes]:
    """Blocks in which every line ends with a line feed: a carriage return that stands alone is a line end too."""
    held = b""
    for chunk in chunks:
        if held:
            chunk, held = held + chunk, b""
        if chunk.endswith(b"\r") and len(chunk) < _LONGEST_LINE_BYTES:
            bare = chunk.rstrip(b"\r")
            chunk, held = bare, chunk[len(bare) :]
        yield _newlines(chunk)
    if held:
        yield _newlines(held)


def _newlines(chunk: bytes) -> bytes:
    if b"\r" not in chunk or chunk.count(b"\r") == chunk.count(b"\r\n"):
        return chunk
    if b"\n" in chunk:  # before a letter it stands inside a text; a record begins with a digit or a quote
        chunk = re.sub(rb"(?<=[^\r\n])\r(?=[A-Za-z ])", b" ", chunk)
    return re.sub(rb"\r+\n?", _ended, chunk)


def _ended(found: re.Match[bytes]) -> bytes:
    """Carriage returns before a line feed belong to it; others are lines each."""
    return found[0] if found[0].endswith(b"\n") else b"\n" * len(found[0])
