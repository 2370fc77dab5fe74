"""Trims as bytes in a unit's non-volatile memory: one record for each kind, laid out the same for every
model.

A record of format 2, little-endian, without gaps but for the filler:

    offset      bytes   what
    0           4       magic, the characters ITRM
    4           1       format, 2
    5           1       kind, a number of ``KIND_CODES``
    6           1       channels
    7           1       bytes of one count, 2 up to 16 bits, else 4
    8           4       sensor key, see ``dataset.canonical.sensor_key``
    12          2       temperature in tenths of a degree Celsius, -1000 when not known
    14          2       scale of the counts: how many of their steps make one count of the board, 1: as read
    16          16      serial of the unit, ASCII, filled up with 0
    32          n       counts in channel order, filled up with 0 to a multiple of 4 bytes
    32 + n      4       CRC-32 (IEEE 802.3, reflected, as ``zlib.crc32``) of all bytes before

Format 1, which units in the field have, is read and no longer written: it has no serial, so that its counts
stand from 16 on, 0 in place of the scale, and the key of ``dataset.canonical.sensor_key_1``.

Records stand one behind another, and all of them carry one serial. Slots that were never written (all bits
set, as erased flash has them) are passed over.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

from dataset.canonical import revision_key, sensor_key
from dataset.errors import InputError, quoted
from dataset.records import Trim, TrimKind
from training.program import NO_TEMPERATURE, TEMPERATURE_RANGE, Program

MAGIC, RECORD_FORMAT, FIELD_FORMAT = 0x4D525449, 2, 1
SERIAL_LENGTH = 16
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
    "scale": 14,
    "serial": 16,
    "counts": 32,
}
_HEAD = struct.Struct("<IBBBBIhH")
HEAD_LENGTH = _HEAD.size  # of both formats
_CRC = struct.Struct("<I")
CRC_RESIDUE = (
    0xDEBB20E3  # what the register of this CRC holds behind a message and its CRC, before it is inverted
)
_FORMATS = (FIELD_FORMAT, RECORD_FORMAT)
OTHER_FORMAT = (
    "the model was trained by innage 0.1, whose records it takes: keep those, or train anew and store the "
    "trims again with that firmware"
)
OTHER_SENSOR = "the record is another sensor's: store this unit's own trims"
_FIELD_SCALE = 0  # what stands there in format 1
_NEVER_WRITTEN = b"\xff"


class TrimAnswer(IntEnum):
    """What ``trim_check`` of the C answers. Of a record's faults the first of magic, format, sensor, shape,
    scale and CRC counts, of all records' the one with the largest number.
    """

    OK = 1
    NO_KIND = 2
    BAD_MAGIC = 3
    BAD_FORMAT = 4
    BAD_SENSOR = 5
    BAD_CRC = 6
    BAD_SWING = 7
    BAD_SHAPE = 8
    BAD_SCALE = 9
    OTHER_UNIT = 10


@dataclass(frozen=True)
class TrimRecord:
    """One trim as stored: kind, sensor key, temperature in tenths of a degree (NO_TEMPERATURE: not known),
    counts, bytes of a count, the unit's serial (None for a record of format 1, which has none), and how many
    steps of the counts make one of the board.
    """

    kind: TrimKind
    sensor: int
    temperature: int
    counts: tuple[int, ...]
    width: int
    serial: str | None
    scale: int = 1

    @property
    def format(self) -> int:
        return FIELD_FORMAT if self.serial is None else RECORD_FORMAT


@dataclass(frozen=True)
class Fits:
    """What a program takes: the sensor key by format of a record, 0 where it takes none of that format; the
    channels; the bytes of a count; the scale of the counts.
    """

    keys: dict[int, int]
    channels: int
    width: int
    scale: int = 1

    def scale_in(self, number: int) -> int:
        """What stands in a record of that format for the scale."""
        return _FIELD_SCALE if number == FIELD_FORMAT else self.scale


@dataclass(frozen=True)
class Fault:
    """What is wrong with a record, as the C answers it and in words."""

    answer: TrimAnswer
    part: str
    found: str
    expected: str
    hint: str = ""


def fits_of(program: Program) -> Fits:
    """What ``program`` takes. One that was made before there were keys takes format 1 only, by the key of the
    revision in its notes.
    """
    old, revision = program.sensor_key_1, program.notes.get("sensor", "")
    if not program.sensor_key and not old and revision:
        old = revision_key(revision, program.channels, program.count_bits)
    keys = {FIELD_FORMAT: old, RECORD_FORMAT: program.sensor_key}
    return Fits(keys, program.channels, count_width(program.count_bits), program.count_scale)


def count_width(count_bits: int) -> int:
    """Bytes of one stored count."""
    return 2 if count_bits <= 16 else 4


def counts_offset(number: int) -> int:
    """Where the counts of a record of format ``number`` stand."""
    return HEAD_LENGTH if number == FIELD_FORMAT else OFFSETS["counts"]


def crc_offset(channels: int, width: int, number: int = RECORD_FORMAT) -> int:
    """Where the CRC of a record stands."""
    return counts_offset(number) + -(-channels * width // 4) * 4


def record_length(channels: int, width: int, number: int = RECORD_FORMAT) -> int:
    """Bytes of a record."""
    return crc_offset(channels, width, number) + _CRC.size


def serial_field(serial: str, where: str = "serial") -> bytes:
    """The 16 bytes of a unit's serial. Raises InputError for one that they cannot hold."""
    if not (1 <= len(serial) <= SERIAL_LENGTH and serial.isascii() and serial.isprintable()):
        raise InputError(
            where,
            quoted(serial),
            f"1 to {SERIAL_LENGTH} printable ASCII characters",
            "in serial give what the board calls its own",
            fields=("serial",),
        )
    return serial.encode("ascii").ljust(SERIAL_LENGTH, b"\0")


def record_of(trim: Trim, serial: str) -> TrimRecord:
    """The record of a unit's trim, for the unit of that serial."""
    sensor = trim.mounting.sensor
    temperature = NO_TEMPERATURE if trim.temperature_c is None else round(10 * trim.temperature_c)
    width = count_width(sensor.count_bits)
    key, scale = sensor_key(sensor), sensor.count_scale
    return TrimRecord(trim.kind, key, temperature, trim.counts, width, serial, scale)


def write_records(records: Sequence[TrimRecord]) -> bytes:
    """The records' bytes, one behind another, in format 2. Raises InputError for what a record cannot hold,
    and for records of several units.
    """
    _refuse_several([record.serial for record in records], "serial")
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
        record.scale,
    )
    counts = b"".join(count.to_bytes(record.width, "little") for count in record.counts)
    filled = head + serial_field(record.serial or "") + counts
    body = filled.ljust(crc_offset(channels, record.width), b"\0")
    return body + _CRC.pack(zlib.crc32(body))


def fault_of(content: bytes, fits: Fits | None = None) -> Fault | None:
    """What is wrong with the record at the start of ``content``, at least a head long; None where nothing is.
    With ``fits`` it must also be one that the program takes.
    """
    magic, number, _, channels, width, sensor, _, scale = _HEAD.unpack_from(content)
    if magic != MAGIC:
        return Fault(TrimAnswer.BAD_MAGIC, "", f"magic 0x{magic:08x}", f"0x{MAGIC:08x}, the characters ITRM")
    if number not in _FORMATS or (fits is not None and not fits.keys[number]):
        formats = [str(n) for n in _FORMATS if fits is None or fits.keys[n]]
        hint = "" if number not in _FORMATS else OTHER_FORMAT
        return Fault(TrimAnswer.BAD_FORMAT, ", format", str(number), " or ".join(formats), hint)
    if fits is not None and sensor != fits.keys[number]:
        found, expected = f"0x{sensor:08x}", f"0x{fits.keys[number]:08x}"
        return Fault(TrimAnswer.BAD_SENSOR, ", sensor key", found, expected, OTHER_SENSOR)
    shape, shapes = f"{channels} channels of {width} bytes", "at least one channel, of 2 or 4 bytes"
    if fits is not None:
        shapes = f"{fits.channels} channels of {fits.width} bytes"
    if (channels < 1 or width not in (2, 4)) if fits is None else shape != shapes:
        return Fault(TrimAnswer.BAD_SHAPE, "", shape, shapes)
    return _bad_scale(scale, number, fits) or _unfinished(
        content, record_length(channels, width, number), shape
    )


def _bad_scale(scale: int, number: int, fits: Fits | None) -> Fault | None:
    """The fault of a scale that the program does not take or that no record of that format has."""
    if number == FIELD_FORMAT or fits is not None:
        only = _FIELD_SCALE if fits is None else fits.scale_in(number)
        fitting, scales = scale == only, str(only)
    else:
        fitting, scales = scale > 0, "1 or more"
    return None if fitting else Fault(TrimAnswer.BAD_SCALE, ", scale of the counts", str(scale), scales)


def _unfinished(content: bytes, length: int, shape: str) -> Fault | None:
    """The fault of a record that is cut off or whose CRC does not fit."""
    if len(content) < length:
        return Fault(TrimAnswer.BAD_CRC, "", f"{len(content)} bytes", f"{length}, for {shape}")
    (crc,) = _CRC.unpack_from(content, length - _CRC.size)
    actual = zlib.crc32(content[: length - _CRC.size])
    if crc == actual:
        return None
    return Fault(
        TrimAnswer.BAD_CRC,
        ", CRC",
        f"0x{crc:08x}",
        f"0x{actual:08x}",
        "the bytes were damaged or not written to the end",
    )


def stored_counts(content: bytes) -> tuple[int, ...]:
    """The counts of the record at the start of ``content``, which has no fault."""
    _, number, _, channels, width, *_ = _HEAD.unpack_from(content)
    start = counts_offset(number)
    return tuple(
        int.from_bytes(content[k : k + width], "little")
        for k in range(start, start + channels * width, width)
    )


def read_records(
    content: bytes, where: str = "trim bytes", fits: Fits | None = None
) -> tuple[TrimRecord, ...]:
    """All records in ``content``, of either format, strictly: InputError for anything that a writer of that
    format would not have written, and with ``fits`` for what the program does not take.
    """
    records, at = list[TrimRecord](), 0
    while at < len(content):
        word = content[at : at + 4]
        if not word.strip(_NEVER_WRITTEN):
            at += len(word)
            continue
        record = _read(content[at:], f"{where}, byte {at}", fits)
        records.append(record)
        _refuse_several([r.serial for r in records], f"{where}, byte {at}, serial")
        at += record_length(len(record.counts), record.width, record.format)
    if not records:
        raise InputError(where, "no record", "at least one")
    return tuple(records)


def _read(content: bytes, here: str, fits: Fits | None) -> TrimRecord:
    """The record at the start of ``content``."""
    if len(content) < HEAD_LENGTH:
        shortest = record_length(1, 2, FIELD_FORMAT)
        raise InputError(here, f"{len(content)} bytes", f"a record, at least {shortest} bytes")
    fault = fault_of(content, fits)
    if fault is not None:
        raise InputError(here + fault.part, fault.found, fault.expected, fault.hint)
    _, number, code, channels, width, sensor, temperature, scale = _HEAD.unpack_from(content)
    kinds = {value: kind for kind, value in KIND_CODES.items()}
    if code not in kinds:
        raise InputError(
            f"{here}, kind", str(code), ", ".join(f"{value} ({kind})" for value, kind in kinds.items())
        )
    filler = content[counts_offset(number) + channels * width : crc_offset(channels, width, number)]
    if any(filler) or not TEMPERATURE_RANGE[0] <= temperature <= TEMPERATURE_RANGE[1]:
        raise InputError(
            here, "a filler that is not 0, or an impossible temperature", "a record as innage writes it"
        )
    serial = None if number == FIELD_FORMAT else _serial_in(content, here)
    counts = stored_counts(content)
    return TrimRecord(kinds[code], sensor, temperature, counts, width, serial, scale or 1)


def _serial_in(content: bytes, here: str) -> str:
    field = content[OFFSETS["serial"] : OFFSETS["counts"]]
    serial = field.rstrip(b"\0").decode("latin-1")
    try:
        serial_field(serial)
    except InputError as error:
        raise InputError(f"{here}, serial", error.found, error.expected) from None
    return serial


def _refuse_several(serials: Sequence[str | None], where: str) -> None:
    """Records of one unit carry one serial; those of format 1 have none."""
    known = [serial for serial in serials if serial is not None]
    if len(set(known)) > 1:
        raise InputError(
            where,
            f"'{known[-1]}'",
            f"'{known[0]}', as the first has it",
            "a unit has records of its own only",
        )
