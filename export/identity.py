"""Who a model is, as bytes in the firmware itself: read over a field bus, or found in an image, they lead
back to the model in the store.

``IDENTITY_BYTES`` bytes, little-endian, without gaps:

    offset  bytes   what
    0       8       magic, the characters "innage" and the bytes 0 and 26
    8       1       format, 1
    9       1       version of the C interface
    10      1       format of the program
    11      1       gates, bits of ``GATE_BITS``: what its export was let pass with
    12      4       model id
    16      16      the first bytes of the program's SHA-256
    32      16      the first bytes of the SHA-256 of the limits that it was answered for, 0 without limits
    48      4       sensor key by content, 0 where the program has none
    52      4       CRC-32 (IEEE 802.3, reflected, as ``zlib.crc32``) of all bytes before
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterable
from dataclasses import dataclass

from dataset.errors import InputError
from training.program import Program, digest, model_id

IDENTITY_MAGIC = b"innage\x00\x1a"
IDENTITY_FORMAT, API_VERSION = 1, 3
IDENTITY_BYTES = 56
GATE_BITS = {"not_met": 1, "unproven": 2, "void": 4, "unvisited": 8, "simulated": 16}
GATE_MEANING = {
    "not_met": "a limit is not met",
    "unproven": "not enough evidence for a limit, or no limits",
    "void": "sessions behind it are void",
    "unvisited": "vectors leave a decision unvisited",
    "simulated": "made from simulated captures",
}
_FIELDS = struct.Struct("<8sBBBBI16s16sI")
_CRC = struct.Struct("<I")
_HASH_BYTES = 16
_MOST_FOUND = 64  # identities that one image is searched for: a product has a handful of models


@dataclass(frozen=True)
class Stamp:
    """What an identity says beside the program: gates, names of ``GATE_BITS``, and the SHA-256 of the limits
    in hex, empty without limits.
    """

    gates: tuple[str, ...] = ()
    limits_sha256: str = ""


PLAIN_STAMP = Stamp()


@dataclass(frozen=True)
class Identity:
    """An identity as read. ``program`` and ``limits``: the first 16 bytes of hashes, in hex; ``limits`` is
    empty without limits.
    """

    api_version: int
    program_format: int
    gates: tuple[str, ...]
    model_id: int
    program: str
    limits: str
    sensor_key: int


def identity_bytes(program: Program, stamp: Stamp = PLAIN_STAMP) -> bytes:
    """The identity of ``program``, exported as ``stamp`` says."""
    fields = _FIELDS.pack(
        IDENTITY_MAGIC,
        IDENTITY_FORMAT,
        API_VERSION,
        program.format,
        sum(GATE_BITS[name] for name in set(stamp.gates)),
        model_id(program),
        bytes.fromhex(digest(program))[:_HASH_BYTES],
        bytes.fromhex(stamp.limits_sha256)[:_HASH_BYTES],
        program.sensor_key,
    )
    return fields + _CRC.pack(zlib.crc32(fields))


def read_identity(content: bytes, where: str) -> Identity:
    """The identity that ``content`` is.

    Raises InputError for another length, magic or format, or a CRC that is not that of the bytes; ``where``
    names the bytes.
    """
    if len(content) != IDENTITY_BYTES:
        raise InputError(where, f"{len(content)} bytes", f"the {IDENTITY_BYTES} bytes of an identity")
    magic, format_, api, program_format, gates, model, program, limits, sensor = _FIELDS.unpack(
        content[: _FIELDS.size]
    )
    if magic != IDENTITY_MAGIC:
        raise InputError(where, f"begins with {magic.hex()}", f"{IDENTITY_MAGIC.hex()}, as an identity does")
    if format_ != IDENTITY_FORMAT:
        raise InputError(where, f"an identity of format {format_}", f"format {IDENTITY_FORMAT}")
    if _CRC.unpack(content[_FIELDS.size :])[0] != zlib.crc32(content[: _FIELDS.size]):
        raise InputError(where, "its CRC is not that of its bytes", "an identity as it was exported")
    named = tuple(name for name, bit in GATE_BITS.items() if gates & bit)
    told = limits.hex() if any(limits) else ""
    return Identity(api, program_format, named, model, program.hex(), told, sensor)


def find_identities(image: bytes) -> tuple[Identity, ...]:
    """The identities in a firmware image, an ELF file or the bare bytes of a memory, each once, in the order
    of their places. Bytes that only begin like one are passed over.
    """
    identities: dict[Identity, None] = {}
    for place in _places(image):
        try:
            identities[read_identity(image[place : place + IDENTITY_BYTES], "image")] = None
        except InputError:
            continue
        if len(identities) == _MOST_FOUND:
            break
    return tuple(identities)


def _places(image: bytes) -> Iterable[int]:
    place = image.find(IDENTITY_MAGIC)
    while place >= 0:
        yield place
        place = image.find(IDENTITY_MAGIC, place + 1)
