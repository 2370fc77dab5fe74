"""The identity in a firmware: what it says, and that it is found where it is and nowhere else."""

from __future__ import annotations

import zlib
from dataclasses import replace

import pytest

from dataset.errors import InputError
from export.c.source import emit_c
from export.compilers.core_build import build_core
from export.identity import (
    GATE_BITS,
    IDENTITY_BYTES,
    IDENTITY_MAGIC,
    Stamp,
    find_identities,
    identity_bytes,
    read_identity,
)
from training.program import Program, digest, model_id
from training.program.builder import Builder

STAMP = Stamp(("unproven", "simulated"), "ab" * 32)


@pytest.fixture(scope="module")
def program() -> Program:
    b = Builder("line", count_bits=12, channels=1, period_ms=100, span=6400)
    level = b.node("clip", "counts", low=0, high=6400)
    made = b.finish(low=level, level=level, high=level, validity=b.const(1), flags=b.const(0))
    return replace(made, sensor_key=0x12345678)


def test_it_says_what_went_in(program: Program) -> None:
    content = identity_bytes(program, STAMP)
    assert len(content) == IDENTITY_BYTES
    assert zlib.crc32(content) == 0x2144DF1C  # the residue of CRC-32 behind a message and its CRC
    identity = read_identity(content, "bytes")
    assert identity.gates == ("unproven", "simulated")
    assert identity.model_id == model_id(program)
    assert digest(program).startswith(identity.program)
    assert (len(identity.program), identity.limits) == (32, "ab" * 16)
    assert identity.sensor_key == 0x12345678
    assert read_identity(identity_bytes(program), "bytes").limits == ""


def test_every_gate_has_a_bit_of_its_own(program: Program) -> None:
    for name in GATE_BITS:
        assert read_identity(identity_bytes(program, Stamp((name,))), "bytes").gates == (name,)


def test_each_changed_byte_is_refused(program: Program) -> None:
    content = identity_bytes(program, STAMP)
    for at in range(IDENTITY_BYTES):
        changed = bytearray(content)
        changed[at] ^= 0x10
        with pytest.raises(InputError):
            read_identity(bytes(changed), "bytes")
    with pytest.raises(InputError, match="55 bytes"):
        read_identity(content[:-1], "bytes")


def test_it_is_found_at_any_place_and_once(program: Program) -> None:
    """Two models, one of them twice, a magic with nothing behind it, and one cut off by the end."""
    first, second = identity_bytes(program, STAMP), identity_bytes(program)
    image = b"\x00" * 3 + IDENTITY_MAGIC + first + b"\xff" * 5 + second + first + first[:20]
    assert find_identities(image) == (read_identity(first, "a"), read_identity(second, "b"))
    assert find_identities(b"\xff" * 100) == ()


def test_the_linked_code_holds_it(program: Program) -> None:
    """Compiled for a core and linked with a reference to it, the image has the bytes; without, they go."""
    source = emit_c(program, stamp=STAMP)
    used = source.source.replace(
        "    return INNAGE_API_VERSION;", "    return (uint32_t)(uintptr_t)innage_identity;"
    )
    assert find_identities(build_core(replace(source, source=used)).flash) == (
        read_identity(identity_bytes(program, STAMP), "made"),
    )
    assert find_identities(build_core(source).flash) == ()
