"""Signs the tag manifest of a bag, and checks such a signature: Ed25519 (RFC 8032), detached, beside the manifests.

The tag manifest stands for every byte of the bag. The signature shows that whoever holds the private key sealed these
bytes; not when, and not that what they say is right.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from forensics.errors import InputError, Problem

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

SIGNATURE = "signature.json"
ALGORITHM = "Ed25519"
MOST_BYTES = 1 << 16
_HEX = re.compile(r"[0-9a-f]{64}")
_HOW = "openssl genpkey -algorithm ed25519 -out private.pem; openssl pkey -in private.pem -pubout -out public.pem"


@dataclass(frozen=True)
class Signed:
    """What the signature of a bag came to; ``bad`` is a fault whether or not a key was given."""

    state: Literal["unsigned", "not checked", "good", "bad"]
    text: str


def read_private(path: Path, passphrase: Callable[[], bytes] | None = None) -> Ed25519PrivateKey:
    """Read a private key (PEM).

    Parameters
    ----------
    passphrase
        Asked where the key is encrypted.
    """
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    content = _read(path)
    try:
        try:
            key = load_pem_private_key(content, None)
        except TypeError:  # it is encrypted
            if passphrase is None:
                raise _unfit(path, "is encrypted, and no passphrase can be asked for here") from None
            key = load_pem_private_key(content, passphrase())
    except ValueError:
        raise _unfit(path, "is no private key in PEM form, or the passphrase is wrong") from None
    if not isinstance(key, Ed25519PrivateKey):
        raise _unfit(path, "is no Ed25519 key")
    return key


def read_public(path: Path) -> Ed25519PublicKey:
    """Read a public key (PEM)."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    from cryptography.hazmat.primitives.serialization import load_pem_public_key

    try:
        key = load_pem_public_key(_read(path))
    except ValueError:
        raise _unfit(path, "is no public key in PEM form") from None
    if not isinstance(key, Ed25519PublicKey):
        raise _unfit(path, "is no Ed25519 key")
    return key


def _read(path: Path) -> bytes:
    try:
        if not path.is_file() or path.stat().st_size > MOST_BYTES:
            raise _unfit(path, "is no key file" if path.exists() else "is not there")
        return path.read_bytes()
    except OSError as fault:
        raise _unfit(path, f"can't be read ({fault.strerror})") from None


def _unfit(path: Path, text: str) -> InputError:
    return InputError([Problem(text, file=str(path), remedy=f"A pair of keys is made by: {_HOW}")])


def key_id(key: Ed25519PublicKey) -> str:
    """SHA-256 of the public key in its standard form (SubjectPublicKeyInfo, DER)."""
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

    return hashlib.sha256(key.public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)).hexdigest()


def write_signature(bag: Path, tag_manifest: Path, key: Ed25519PrivateKey) -> None:
    """Sign the tag manifest and write the signature beside it."""
    content = tag_manifest.read_bytes()
    noted = {
        "schema": 1,
        "algorithm": ALGORITHM,
        "signed": tag_manifest.name,
        "sha256": hashlib.sha256(content).hexdigest(),
        "key_id": key_id(key.public_key()),
        "signature": base64.b64encode(key.sign(content)).decode("ascii"),
    }
    (bag / SIGNATURE).write_text(json.dumps(noted, indent=1) + "\n", encoding="utf-8")


def check_signature(bag: Path, tag_manifest: Path, key: Ed25519PublicKey | None) -> Signed:
    """Hold the signature of a bag against its tag manifest and a public key."""
    from cryptography.exceptions import InvalidSignature

    path = bag / SIGNATURE
    if not path.is_file() or path.is_symlink():
        if key is None:
            return Signed("unsigned", "unsigned: nothing here shows who sealed it")
        return Signed("bad", "unsigned, though a key was given")
    try:
        if path.stat().st_size > MOST_BYTES:
            raise ValueError("too large")
        noted = json.loads(path.read_bytes())
        algorithm, named = str(noted["algorithm"]), str(noted["key_id"])
        signature = base64.b64decode(noted["signature"], validate=True)
        if not _HEX.fullmatch(named):
            raise ValueError("no key id")
    except (OSError, ValueError, KeyError, TypeError, RecursionError, binascii.Error):
        return Signed("bad", f"{SIGNATURE} can't be read as a signature")
    if algorithm != ALGORITHM:
        return Signed("bad", f"not signed by {ALGORITHM}")
    if key is None:
        return Signed("not checked", f"signed, it says by key {named}; not checked: give the public key with --key")
    try:
        key.verify(signature, tag_manifest.read_bytes())
    except InvalidSignature:
        other = named != key_id(key)
        text = f"signed by another key ({named})" if other else "the signature does not fit these bytes"
        return Signed("bad", f"{text}; the key given is {key_id(key)}")
    return Signed("good", f"signed by the key given ({key_id(key)}), and the signature holds")
