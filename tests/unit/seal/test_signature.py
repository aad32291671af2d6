"""Who sealed: signatures over the tag manifest. Keys and checks of others: OpenSSL where it is there, RFC 8032."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.asymmetric.rsa import generate_private_key
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    NoEncryption,
    PrivateFormat,
    PublicFormat,
)
from finished_cases import write_case, write_finished

from forensics.cli import CORRECT, DONE, main
from forensics.errors import InputError
from forensics.seal import seal, seal_id, verify
from forensics.seal.remake import Again
from forensics.seal.signature import SIGNATURE, key_id, read_private, read_public


def rerun(case: Path, out: Path, again: Again) -> None:
    write_finished(case, out)


@pytest.fixture
def finished(tmp_path: Path) -> Path:
    return write_finished(write_case(tmp_path / "case"), tmp_path / "case" / "report")


def write_keys(folder: Path, name: str) -> tuple[Path, Path]:
    key = Ed25519PrivateKey.generate()
    private, public = folder / f"{name}.pem", folder / f"{name}-public.pem"
    private.write_bytes(key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    public.write_bytes(key.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo))
    return private, public


def test_a_signed_bag_is_known_by_its_key_and_by_no_other(finished: Path, tmp_path: Path) -> None:
    private, public = write_keys(tmp_path, "own")
    _, other = write_keys(tmp_path, "other")
    bag = seal(finished, key=private)
    found = verify(bag, key=public, wanted_id=seal_id(bag), rerun=rerun)
    assert found.sound, found.text
    assert key_id(read_public(public)) in found.text
    found = verify(bag, key=other, rerun=rerun)
    assert not found.sound
    assert "signed by another key" in found.text
    found = verify(bag, rerun=rerun)
    assert found.sound
    assert "not checked" in found.text


def test_what_is_unsigned_is_said(finished: Path, tmp_path: Path) -> None:
    _, public = write_keys(tmp_path, "own")
    bag = seal(finished)
    assert "unsigned" in verify(bag, rerun=rerun).text
    found = verify(bag, key=public, rerun=rerun)
    assert not found.sound
    assert "unsigned, though a key was given" in found.text


def test_a_signature_of_another_bag_does_not_fit(finished: Path, tmp_path: Path) -> None:
    private, public = write_keys(tmp_path, "own")
    bag, later = seal(finished, tmp_path / "one", key=private), seal(finished, tmp_path / "two", by="C", key=private)
    shutil.copyfile(later / SIGNATURE, bag / SIGNATURE)
    found = verify(bag, key=public, rerun=rerun)
    assert not found.sound
    assert "does not fit these bytes" in found.text


@pytest.mark.parametrize(
    "text",
    ["", "[]", "{}", "[" * 100_000, '{"algorithm": "none", "key_id": "", "signature": ""}', "x" * 100_000],
    ids=range(6),
)
def test_what_is_no_signature_is_a_fault(finished: Path, tmp_path: Path, text: str) -> None:
    private, _ = write_keys(tmp_path, "own")
    bag = seal(finished, key=private)
    (bag / SIGNATURE).write_text(text, encoding="utf-8")
    found = verify(bag, rerun=rerun)
    assert not found.sound
    assert any("signature" in fault for fault in found.faults)


def test_a_key_id_with_control_characters_is_not_repeated(finished: Path, tmp_path: Path) -> None:
    private, _ = write_keys(tmp_path, "own")
    bag = seal(finished, key=private)
    noted = json.loads((bag / SIGNATURE).read_text(encoding="utf-8"))
    (bag / SIGNATURE).write_text(json.dumps(noted | {"key_id": "\x1b[2J" + "0" * 60}), encoding="utf-8")
    assert "\x1b" not in verify(bag, rerun=rerun).text


@pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not here")
def test_openssl_agrees(finished: Path, tmp_path: Path) -> None:
    """Keys made by OpenSSL are read, and OpenSSL finds our signature good (RFC 8032, Ed25519 over the file itself)."""
    import base64

    private, public = tmp_path / "private.pem", tmp_path / "public.pem"
    subprocess.run(["openssl", "genpkey", "-algorithm", "ed25519", "-out", private], check=True, capture_output=True)
    subprocess.run(["openssl", "pkey", "-in", private, "-pubout", "-out", public], check=True, capture_output=True)
    bag = seal(finished, key=private)
    noted = json.loads((bag / SIGNATURE).read_text(encoding="utf-8"))
    raw = tmp_path / "raw.sig"
    raw.write_bytes(base64.b64decode(noted["signature"]))
    words = ["openssl", "pkeyutl", "-verify", "-pubin", "-inkey", str(public), "-rawin"]
    words += ["-in", str(bag / noted["signed"]), "-sigfile", str(raw)]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert "Signature Verified Successfully" in done.stdout + done.stderr
    assert verify(bag, key=public, rerun=rerun).sound


def test_an_encrypted_key_asks_for_its_passphrase(tmp_path: Path) -> None:
    path = tmp_path / "locked.pem"
    key = Ed25519PrivateKey.generate()
    path.write_bytes(key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, BestAvailableEncryption(b"word")))
    assert key_id(read_private(path, lambda: b"word").public_key()) == key_id(key.public_key())
    for ask, said in ((None, "is encrypted"), (lambda: b"wrong", "passphrase is wrong")):
        with pytest.raises(InputError, match=said):
            read_private(path, ask)


def test_keys_that_are_none_are_told_with_how_to_make_one(finished: Path, tmp_path: Path) -> None:
    rsa = tmp_path / "rsa.pem"
    key = generate_private_key(65537, 2048)
    rsa.write_bytes(key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    text = tmp_path / "text.pem"
    text.write_text("no key", encoding="utf-8")
    for path, said in ((rsa, "no Ed25519 key"), (text, "no private key"), (tmp_path / "none.pem", "is not there")):
        with pytest.raises(InputError, match=said) as fault:
            seal(finished, tmp_path / "bag", key=path)
        assert "openssl genpkey" in str(fault.value)
    assert not (tmp_path / "bag").exists()


def test_the_commands(finished: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    private, public = write_keys(tmp_path, "own")
    bag = str(tmp_path / "bag")
    assert main(["seal", str(finished), "--out", bag, "--key", str(private)]) == DONE
    assert capsys.readouterr().out.splitlines()[-1] == "signed"
    (Path(bag) / "data" / "case" / "exports" / "trend.csv").write_bytes(b"other")  # the run itself is not tried here
    assert main(["verify", bag, "--key", str(public), "--seal-id", "0" * 64]) == CORRECT
    said = capsys.readouterr().out
    assert "another seal id than the one given" in said
    assert "and the signature holds" in said
