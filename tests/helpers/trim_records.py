"""Stored trims byte by byte, apart from the writer that is tested, and a program that reads them."""

from __future__ import annotations

import struct
import zlib

from training.program import Builder, Interval, Program

KEY, OLD_KEY = 0x1234ABCD, 0x00C0FFEE  # of the sensor by its content, and by the name of its revision
DRY_CODE, FULL_CODE = 2, 5


def model(
    bits: int = 12,
    kinds: tuple[str, ...] = ("dry", "full"),
    swing: Interval | None = None,
    keys: tuple[int, int] = (KEY, OLD_KEY),
) -> Program:
    """Three channels whose level is the trim of the second one, or its rise where there are two kinds."""
    top = (1 << bits) - 1
    b = Builder(
        "trimmed",
        count_bits=bits,
        channels=3,
        period_ms=100,
        span=640,
        trim_range=(0, top),
        trim_kinds=kinds,
        notes={"sensor": "strip@1"},
        swing=swing,
        sensor_key=keys[0],
        sensor_key_1=keys[1],
    )
    b.prepare_node("take", "trim", indices=(1,), name="kept", keep=True)
    level = b.node("clip", "kept", low=0, high=640)
    return b.finish(low=b.const(0), level=level, high=b.const(640), validity=b.const(1), flags=b.const(0))


def closed(body: bytes) -> bytes:
    """``body`` with a CRC that fits."""
    return body + struct.pack("<I", zlib.crc32(body))


def record(
    code: int, counts: tuple[int, ...], *, key: int = KEY, serial: bytes = b"unit-1", width: int = 2
) -> bytes:
    """A record of format 2."""
    head = b"ITRM" + bytes([2, code, len(counts), width]) + struct.pack("<IhH", key, 215, 1)
    return closed(_filled(head + serial.ljust(16, b"\0"), counts, width))


def field_record(code: int, counts: tuple[int, ...], *, key: int = OLD_KEY, width: int = 2) -> bytes:
    """A record of format 1."""
    head = b"ITRM" + bytes([1, code, len(counts), width]) + struct.pack("<IhH", key, 215, 0)
    return closed(_filled(head, counts, width))


def _filled(head: bytes, counts: tuple[int, ...], width: int) -> bytes:
    body = head + b"".join(count.to_bytes(width, "little") for count in counts)
    return body + bytes(-len(body) % 4)
