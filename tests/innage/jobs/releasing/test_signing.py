"""Bundles signed and checked: keys as openssl and ssh-keygen make them, DSSE's own vectors, and every way in
which a signature is none.
"""

from __future__ import annotations

import base64
import json
import os
import shutil
import stat
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    NoEncryption,
    PrivateFormat,
)

from dataset.errors import InputError
from export.bundle.envelope import PAYLOAD_TYPE, encoded, envelope
from export.bundle.manifest import MANIFEST, SIGNATURES
from export.bundle.packing import pack
from export.bundle.verify import Answer, read_bundle
from innage.jobs.releasing.signing import check_signature, read_private, read_public, sign_bundle
from released import Released, write_key

# secure-systems-lab/dsse, testvectors/vectors.json, 'single-signature' and 'url-safe-base64'; the key is of
# RFC 8032, 7.1, TEST 1
SEED = "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60"
PUBLIC = "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a"
IN_TOTO = "application/vnd.in-toto+json"
VECTORS = [
    (
        "eyJfdHlwZSI6Imh0dHBzOi8vaW4tdG90by5pby9TdGF0ZW1lbnQvdjEifQ==",
        (
            "445353457631203238206170706c69636174696f6e2f766e642e696e2d746f746f2b6a736f6e203433207b225f74797065223a2268"
            "747470733a2f2f696e2d746f746f2e696f2f53746174656d656e742f7631227d"
        ),
        "2WAfaHm5jluo0w+0rk8uVkluELJYWjSmU9x7EUzx+AyteDGJ4/nqyJXfmAUVFIAoQafWm7AxBZNw5M9ixNHiCA==",
    ),
    (
        "+/+/Pj8=",
        "445353457631203238206170706c69636174696f6e2f766e642e696e2d746f746f2b6a736f6e203520fbffbf3e3f",
        "P+/KHICeR7tI6S/YyejJTRtrXhcQyQ2LYPaL8h90KjC9qN8HU/svOQ6TuDOT1HIrsGW886DbWNWcCmX5twLrAw==",
    ),
]


@pytest.fixture
def bundle(released: Released, tmp_path: Path) -> Path:
    """A copy of a bundle's folder."""
    return Path(shutil.copytree(released.folder / "good", tmp_path / "bundle"))


def answer(bundle: Path, key: Path) -> tuple[Answer, str]:
    """What the check of signatures says."""
    check = check_signature(read_bundle(bundle), key)
    assert check is not None
    return check.answer, check.sentence


@pytest.mark.parametrize(("payload", "pae", "signature"), VECTORS)
def test_what_is_signed_is_encoded_as_dsse_says(payload: str, pae: str, signature: str) -> None:
    """Encoding and signature of the format's own test vectors."""
    message = encoded(base64.b64decode(payload), IN_TOTO)
    assert message.hex() == pae
    key = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(SEED))
    assert key.public_key().public_bytes_raw().hex() == PUBLIC
    assert base64.b64encode(key.sign(message)).decode() == signature


def test_a_bundle_is_signed_and_checked(bundle: Path, tmp_path: Path) -> None:
    """By one key, then by a second one beside it; again changes nothing, and the files stay as they were."""
    before = read_bundle(bundle)
    (first, first_public), (second, second_public) = write_key(tmp_path), write_key(tmp_path, "other")
    assert answer(bundle, first_public)[0] is Answer.FAILED
    signed = sign_bundle(bundle, first)
    assert not signed.again
    assert answer(bundle, first_public) == (Answer.PASSED, f"signed by key {signed.keyid[:12]}")
    assert answer(bundle, second_public)[0] is Answer.FAILED
    sign_bundle(bundle, second)
    assert [answer(bundle, key)[0] for key in (first_public, second_public)] == [Answer.PASSED] * 2
    assert sign_bundle(bundle, first).again
    after = read_bundle(bundle)
    assert len(json.loads(after.pop(SIGNATURES))["signatures"]) == 2
    assert after == before


def test_a_zip_file_is_signed(bundle: Path, tmp_path: Path) -> None:
    """Inside the archive, whose other files stay."""
    private, public = write_key(tmp_path)
    archive = tmp_path / "bundle.zip"
    archive.write_bytes(pack(read_bundle(bundle)))
    sign_bundle(archive, private)
    assert answer(archive, public)[0] is Answer.PASSED
    assert {k: v for k, v in read_bundle(archive).items() if k != SIGNATURES} == read_bundle(bundle)


def _other_manifest(files: dict[str, bytes]) -> dict[str, bytes]:
    return files | {MANIFEST: files[MANIFEST].replace(b'"simulated": false', b'"simulated":  false', 1)}


def _cut(files: dict[str, bytes]) -> dict[str, bytes]:
    body = json.loads(files[SIGNATURES])
    signature = bytearray(base64.b64decode(body["signatures"][0]["sig"]))
    signature[5] ^= 1
    body["signatures"][0]["sig"] = base64.b64encode(signature).decode()
    return files | {SIGNATURES: json.dumps(body).encode()}


def _over_else(files: dict[str, bytes]) -> dict[str, bytes]:
    body = json.loads(files[SIGNATURES])
    body["payload"] = base64.b64encode(base64.b64decode(body["payload"]).replace(b"a", b"b")).decode()
    return files | {SIGNATURES: json.dumps(body).encode()}


def _of_other_type(files: dict[str, bytes]) -> dict[str, bytes]:
    return files | {SIGNATURES: files[SIGNATURES].replace(PAYLOAD_TYPE.encode(), IN_TOTO.encode())}


@pytest.mark.parametrize(
    "change",
    [
        _other_manifest,
        _cut,
        _over_else,
        _of_other_type,
        lambda files: files | {SIGNATURES: b"{}"},
        lambda files: files | {SIGNATURES: b"no JSON"},
        lambda files: files | {SIGNATURES: files[SIGNATURES].replace(b'"sig": "', b'"sig": "=')},
    ],
)
def test_a_changed_byte_is_no_signature(
    bundle: Path, tmp_path: Path, change: Callable[[dict[str, bytes]], dict[str, bytes]]
) -> None:
    """Of the manifest, of the signature, of what is said to be signed; and what is no envelope."""
    private, public = write_key(tmp_path)
    sign_bundle(bundle, private)
    files = read_bundle(bundle)
    changed = change(files)
    assert changed != files
    check = check_signature(changed, public)
    assert check is not None
    assert check.answer is Answer.FAILED


def test_a_changed_file_is_not_signed(bundle: Path, tmp_path: Path) -> None:
    """What is not as its manifest says gets no signature, and the refusal writes nothing."""
    private, _ = write_key(tmp_path)
    (bundle / "innage.c").write_bytes(b"int x;")
    with pytest.raises(InputError, match=r"innage\.c was changed"):
        sign_bundle(bundle, private)
    assert not (bundle / SIGNATURES).exists()


@pytest.mark.skipif(os.name != "posix", reason="permissions are those of POSIX")
@pytest.mark.parametrize("mode", [0o640, 0o604, 0o666])
def test_a_key_that_others_may_read_is_refused(bundle: Path, tmp_path: Path, mode: int) -> None:
    private, _ = write_key(tmp_path, mode=mode)
    with pytest.raises(InputError, match=rf"others may read or write it \(mode {mode:03o}\)"):
        sign_bundle(bundle, private)
    private.chmod(stat.S_IRUSR)
    sign_bundle(bundle, private)


def test_other_files_are_no_keys(tmp_path: Path) -> None:
    """A passphrase, another algorithm, the other half of the pair, and anything else: one sentence each."""
    from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1, generate_private_key

    private, public = write_key(tmp_path)
    locked, other, nothing = tmp_path / "locked", tmp_path / "other", tmp_path / "nothing"
    locked.write_bytes(
        Ed25519PrivateKey.generate().private_bytes(
            Encoding.PEM, PrivateFormat.PKCS8, BestAvailableEncryption(b"secret")
        )
    )
    other.write_bytes(
        generate_private_key(SECP256R1()).private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    )
    nothing.write_bytes(b"ssh-ed25519 AAAA\n")
    for path in (locked, other, nothing):
        path.chmod(0o600)
    for path, said in (
        (locked, "passphrase"),
        (other, "another kind"),
        (nothing, "no key"),
        (public, "others may"),
    ):
        with pytest.raises(InputError, match=said):
            read_private(path)
    for path, said in (
        (private, "holds a private key"),
        (nothing, "no key"),
        (tmp_path / "lost", "cannot be read"),
    ):
        with pytest.raises(InputError, match=said):
            read_public(path)


@pytest.mark.parametrize("tool", ["openssl", "ssh-keygen"])
def test_keys_of_other_tools(bundle: Path, tmp_path: Path, tool: str) -> None:
    """Keys as the page says to make them; what openssl makes it checks by itself, with no code of ours."""
    if shutil.which(tool) is None:
        pytest.skip(f"there is no {tool} here")
    private, public = tmp_path / "team.key", tmp_path / "team.key.pub"
    if tool == "openssl":
        _run("openssl", "genpkey", "-algorithm", "ed25519", "-out", private)
        _run("openssl", "pkey", "-in", private, "-pubout", "-out", public)
    else:
        _run("ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", private)
    private.chmod(0o600)
    sign_bundle(bundle, private)
    assert answer(bundle, public)[0] is Answer.PASSED
    if tool == "openssl":
        body = json.loads((bundle / SIGNATURES).read_bytes())
        (tmp_path / "message").write_bytes(encoded(base64.b64decode(body["payload"])))
        (tmp_path / "signature").write_bytes(base64.b64decode(body["signatures"][0]["sig"]))
        words = ("-verify", "-pubin", "-inkey", public, "-rawin", "-in", tmp_path / "message")
        _run("openssl", "pkeyutl", *words, "-sigfile", tmp_path / "signature")


def _run(*words: str | Path) -> None:
    done = subprocess.run([str(word) for word in words], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_without_the_extra_it_is_said(bundle: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing but this needs the library for keys, and where it is missing a sentence says what to do."""
    private, _ = write_key(tmp_path)
    for name in ("", ".hazmat", ".hazmat.primitives", ".hazmat.primitives.asymmetric", ".exceptions"):
        monkeypatch.setitem(sys.modules, f"cryptography{name}", None)
    with pytest.raises(InputError, match=r"pip install 'innage\[service\]'"):
        sign_bundle(bundle, private)


def test_the_envelope_hangs_on_no_order(bundle: Path, tmp_path: Path) -> None:
    """The same signatures give the same bytes."""
    from innage.jobs.releasing.signing import signatures_in

    for name in ("a", "b", "c"):
        sign_bundle(bundle, write_key(tmp_path, name)[0])
    files = read_bundle(bundle)
    signatures = signatures_in(files)
    payload = base64.b64decode(json.loads(files[SIGNATURES])["payload"])
    assert envelope(payload, signatures) == envelope(payload, signatures[::-1]) == files[SIGNATURES]
