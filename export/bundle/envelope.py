"""What is signed of a bundle, and the envelope that signatures stand in: DSSE 1.0, an open format of JSON.

Signed is a short text that names the bundle and its manifest by their hashes; the manifest has the hash of
every file. What a key signs is the pre-authentication encoding of that text (protocol.md of DSSE), so that a
signature over something else never passes for one over this. Nothing in here knows keys.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
from collections.abc import Sequence
from typing import Any

from dataset.errors import InputError
from dataset.records import BundleSignature
from export.bundle.forms import each, read_json, record, text
from export.bundle.manifest import SIGNATURES, Manifest

PAYLOAD_TYPE = "application/vnd.innage.bundle+json"
MOST_SIGNATURES = 16
_MOST_BYTES = 64_000
_BASE64 = text("[A-Za-z0-9+/_-]{0,400}={0,2}", 402)
_FORM = record(
    {
        "payload": text("[A-Za-z0-9+/_-]{1,2000}={0,2}", 2002),
        "payloadType": text(r"[\x20-\x7e]{1,200}"),
        "signatures": each(record({"sig": _BASE64}, {"keyid": text(r"[\x20-\x7e]{0,200}")}), MOST_SIGNATURES),
    }
)


def payload_of(manifest: Manifest, content: bytes) -> bytes:
    """What is signed of a bundle with this manifest, whose bytes are ``content``."""
    named = {
        "bundle_sha256": manifest.bundle_sha256,
        "manifest_sha256": hashlib.sha256(content).hexdigest(),
    }
    return json.dumps(named, sort_keys=True, separators=(",", ":")).encode()


def encoded(payload: bytes, payload_type: str = PAYLOAD_TYPE) -> bytes:
    """The pre-authentication encoding, which is what a key signs."""
    kind = payload_type.encode()
    return b"DSSEv1 %d %b %d %b" % (len(kind), kind, len(payload), payload)


def envelope(payload: bytes, signatures: Sequence[BundleSignature]) -> bytes:
    """The envelope as JSON, the same bytes for the same signatures."""
    body: dict[str, Any] = {
        "payload": base64.b64encode(payload).decode(),
        "payloadType": PAYLOAD_TYPE,
        "signatures": [
            {"keyid": one.keyid, "sig": one.signature}
            for one in sorted(signatures, key=lambda one: (one.keyid, one.signature))
        ],
    }
    return (json.dumps(body, indent=2, sort_keys=True) + "\n").encode()


def read_envelope(content: bytes, payload: bytes, where: str = SIGNATURES) -> tuple[BundleSignature, ...]:
    """The signatures of an envelope over ``payload``; that any key made them is still to be checked.

    Raises:
        InputError: it is no envelope, or one over something else.
    """
    body = read_json(content, where, _MOST_BYTES)
    _FORM(body, where)
    if body["payloadType"] != PAYLOAD_TYPE or _decoded(body["payload"], where) != payload:
        raise InputError(where, "is over something else", "signatures over this bundle's manifest")
    return tuple(BundleSignature(one.get("keyid", ""), one["sig"]) for one in body["signatures"])


def signature_bytes(signature: BundleSignature, where: str = SIGNATURES) -> bytes:
    """The bytes of a signature; InputError where its text is no base64."""
    return _decoded(signature.signature, where)


def _decoded(written: str, where: str) -> bytes:
    """Either alphabet of base64, as readers of DSSE must take both."""
    try:
        return base64.b64decode(written.replace("-", "+").replace("_", "/"), validate=True)
    except (binascii.Error, ValueError) as error:
        raise InputError(where, f"no base64 ({error})"[:100], "an envelope of DSSE") from error
