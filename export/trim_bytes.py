"""Trims as bytes in a unit's non-volatile memory: one record for each kind, laid out the same for every
model.

A record, little-endian, without gaps but for the filler:

    offset      bytes   what
    0           4       magic, the characters ITRM
    4           1       format, 1
    5           1       kind, a number of ``KIND_CODES``
    6           1       channels
    7           1       bytes of one count, 2 up to 16 bits, else 4
    8           4       sensor key, see ``dataset.canonical.sensor_key_1``
    12          2       temperature in tenths of a degree Celsius, -1000 when not known
    14          2       0
    16          n       raw counts in channel order, filled up with 0 to a multiple of 4 bytes
    16 + n      4       CRC-32 (IEEE 802.3, reflected, as ``zlib.crc32``) of all bytes before

Records stand one behind another. Slots that were never written (all bits set, as erased flash has them) are
passed over.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass

from dataset.canonical import revision_key, sensor_key_1
from dataset.errors import InputError
from dataset.records import Trim, TrimKind
from training.program import NO_TEMPERATURE, TEMPERATURE_RANGE, Program

MAGIC, RECORD_FORMAT = 0x4D525449, 1
KIND_CODES = {
    TrimKind.BOARD: 1,
    TrimKind.DRY: 2,
    TrimKind.BLOCK: 3,
    TrimKind.PARTIAL: 4,
    TrimKind.FULL: 5,
    TrimKind.LEARNED: 6,
}
OFFSETS = {
    "magic": 0,
    "format": 4,
    "kind": 5,
    "channels": 6,
    "width": 7,
    "sensor": 8,
    "temperature": 12,
    "counts": 16,
}
_HEAD = struct.Struct("<IBBBBIhH")
_CRC = struct.Struct("<I")
CRC_RESIDUE = (
    0xDEBB20E3  # what the register of this CRC holds behind a message and its CRC, before it is inverted
)


@dataclass(frozen=True)
class TrimRecord:
    """One trim as stored: kind, sensor key, temperature in tenths of a degree (NO_TEMPERATURE: not known),
    raw counts, bytes of a count.
    """

    kind: TrimKind
    sensor: int
    temperature: int
    counts: tuple[int, ...]
    width: int


def key_of_program(program: Program) -> int:
    """The key of the sensor revision that ``program`` was made for; one without keys has it of its notes."""
    return program.sensor_key_1 or revision_key(
        program.notes.get("sensor", ""), program.channels, program.count_bits
    )


def count_width(count_bits: int) -> int:
    """Bytes of one stored count."""
    return 2 if count_bits <= 16 else 4


def crc_offset(channels: int, width: int) -> int:
    """Where the CRC of a record stands."""
    return OFFSETS["counts"] + -(-channels * width // 4) * 4


def record_length(channels: int, width: int) -> int:
    """Bytes of a record."""
    return crc_offset(channels, width) + _CRC.size


def record_of(trim: Trim) -> TrimRecord:
    """The record of a unit's trim."""
    sensor = trim.mounting.sensor
    temperature = NO_TEMPERATURE if trim.temperature_c is None else round(10 * trim.temperature_c)
    return TrimRecord(
        trim.kind, sensor_key_1(sensor), temperature, trim.counts, count_width(sensor.count_bits)
    )


def write_records(records: Sequence[TrimRecord]) -> bytes:
    """The records' bytes, one behind another. Raises InputError for what a record cannot hold."""
    return b"".join(_write(record) for record in records)


def _write(record: TrimRecord) -> bytes:
    low, high = TEMPERATURE_RANGE
    if not low <= record.temperature <= high:
        raise InputError(
            f"{record.kind} trim, temperature",
            f"{record.temperature / 10:g} C",
            f"{low / 10:g} to {high / 10:g} C",
        )
    channels, most = len(record.counts), (1 << 8 * record.width) - 1
    if not 1 <= channels <= 0xFF:
        raise InputError(f"{record.kind} trim", f"{channels} channels", "1 to 255")
    if not all(0 <= count <= most for count in record.counts):
        raise InputError(f"{record.kind} trim, counts", ", ".join(map(str, record.counts)), f"0 to {most}")
    head = _HEAD.pack(
        MAGIC,
        RECORD_FORMAT,
        KIND_CODES[record.kind],
        channels,
        record.width,
        record.sensor,
        record.temperature,
        0,
    )
    counts = b"".join(count.to_bytes(record.width, "little") for count in record.counts)
    body = head + counts.ljust(crc_offset(channels, record.width) - _HEAD.size, b"\0")
    return body + _CRC.pack(zlib.crc32(body))


def read_records(content: bytes, where: str = "trim bytes") -> tuple[TrimRecord, ...]:
    """All records in ``content``, strictly: InputError for anything that a writer of this format would not
    have written.
    """
    records, at = list[TrimRecord](), 0
    while at < len(content):
        here = f"{where}, byte {at}"
        record, length = _read(content[at:], here)
        if record is not None:
            records.append(record)
        at += length
    if not records:
        raise InputError(where, "no record", "at least one")
    return tuple(records)


def _read(content: bytes, here: str) -> tuple[TrimRecord | None, int]:
    """The record at the start of ``content`` and its bytes; None where the rest was never written."""
    if len(content) < _HEAD.size:
        raise InputError(here, f"{len(content)} bytes", f"a record, at least {record_length(1, 2)} bytes")
    if set(content) == {0xFF}:
        return None, len(content)
    magic, number, code, channels, width, sensor, temperature, zero = _HEAD.unpack_from(content)
    if magic != MAGIC:
        raise InputError(here, f"magic 0x{magic:08x}", f"0x{MAGIC:08x}, the characters ITRM")
    if number != RECORD_FORMAT:
        raise InputError(f"{here}, format", str(number), str(RECORD_FORMAT))
    if width not in (2, 4) or channels < 1:
        raise InputError(
            here, f"{channels} channels of {width} bytes", "at least one channel, of 2 or 4 bytes"
        )
    length = record_length(channels, width)
    if len(content) < length:
        raise InputError(here, f"{len(content)} bytes", f"{length}, for {channels} channels of {width} bytes")
    (crc,) = _CRC.unpack_from(content, length - _CRC.size)
    actual = zlib.crc32(content[: length - _CRC.size])
    if crc != actual:
        raise InputError(
            f"{here}, CRC",
            f"0x{crc:08x}",
            f"0x{actual:08x}",
            "the bytes were damaged or not written to the end",
        )
    kinds = {value: kind for kind, value in KIND_CODES.items()}
    if code not in kinds:
        raise InputError(
            f"{here}, kind", str(code), ", ".join(f"{value} ({kind})" for value, kind in kinds.items())
        )
    end = OFFSETS["counts"] + channels * width
    if (
        zero
        or any(content[end : length - _CRC.size])
        or not TEMPERATURE_RANGE[0] <= temperature <= TEMPERATURE_RANGE[1]
    ):
        raise InputError(
            here, "a filler that is not 0, or an impossible temperature", "a record as innage writes it"
        )
    counts = tuple(
        int.from_bytes(content[k : k + width], "little") for k in range(OFFSETS["counts"], end, width)
    )
    return TrimRecord(kinds[code], sensor, temperature, counts, width), length
