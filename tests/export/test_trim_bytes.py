"""Stored trims: the bytes as documented, a reader that takes nothing else, and the C that reads the same
bytes on a core and on this computer.
"""

from __future__ import annotations

import struct
import subprocess
import zlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from trim_records import DRY_CODE, FULL_CODE, KEY, OLD_KEY, closed, field_record, model, record

from dataset.canonical import revision_key, sensor_key, sensor_key_1
from dataset.errors import InputError
from dataset.records import CountLaw, Mounting, Pad, Sensor, Tank, Trim, TrimKind, Unit
from export.c.source import CSource, emit_c
from export.compilers.core_build import build_core
from export.compilers.host_build import compile_host
from export.core.emulator import Machine
from export.trim_answer import trim_answer
from export.trim_bytes import TrimRecord, fits_of, read_records, record_of, write_records
from training.program import Builder, Interval, Program, accepted

OK, NO_KIND, BAD_MAGIC, BAD_FORMAT, BAD_SENSOR, BAD_CRC, BAD_SWING, BAD_SHAPE = 1, 2, 3, 4, 5, 6, 7, 8
BAD_SCALE, OTHER_UNIT = 9, 10
PLACE = 0x2200_0000
SERIAL = 0x2200_0800
DRY = TrimRecord(TrimKind.DRY, KEY, 215, (100, 200, 4095), 2, "unit-1")
FULL = TrimRecord(TrimKind.FULL, KEY, -1000, (1100, 1200, 1300), 2, "unit-1")
# The dry record byte by byte, as docs/firmware.md lays it out; the CRC by zlib, which is IEEE 802.3,
# reflected.
BODY = (
    b"ITRM"
    + bytes([2, 2, 3, 2])
    + struct.pack("<I", KEY)
    + struct.pack("<hH", 215, 1)
    + b"unit-1"
    + bytes(10)
    + struct.pack("<3H", 100, 200, 4095)
    + bytes(2)
)
BYTES = BODY + struct.pack("<I", zlib.crc32(BODY))
# The same in format 1, as units in the field have it.
FIELD_BODY = (
    b"ITRM"
    + bytes([1, 2, 3, 2])
    + struct.pack("<I", OLD_KEY)
    + struct.pack("<hH", 215, 0)
    + struct.pack("<3H", 100, 200, 4095)
    + bytes(2)
)
FIELD_BYTES = FIELD_BODY + struct.pack("<I", zlib.crc32(FIELD_BODY))


@pytest.fixture(scope="module")
def machine() -> Machine:
    """A core with the model of two kinds, and a page for records."""
    return built(model())


def built(program: Program) -> Machine:
    """A core with that model, and a page for records and a serial."""
    made = Machine(build_core(emit_c(program)))
    made._uc.mem_map(PLACE, 0x1000)
    return made


def on_core(
    machine: Machine, content: bytes, at: int = PLACE, serial: bytes | None = None
) -> tuple[int, tuple[int, ...]]:
    """Answer and counts of trim_check; the counts are 0xA5A5 where it wrote none."""
    trim, size = machine._objects["trim"]
    machine._uc.mem_write(trim, b"\xa5" * size)
    machine._uc.mem_write(at, content)
    machine._uc.mem_write(SERIAL, (serial or b"").ljust(16, b"\0"))
    answer = machine.call("trim_check", at, len(content), trim, 0 if serial is None else SERIAL) & 0xFF
    return answer, struct.unpack(f"<{size // 2}H", bytes(machine._uc.mem_read(trim, size)))


def test_the_layout_is_as_documented() -> None:
    """The writer makes the bytes that the documentation names, and the reader gives the record back."""
    assert write_records([DRY]) == BYTES == record(DRY_CODE, DRY.counts)
    assert read_records(BYTES) == (DRY,)
    slot = b"\xff" * 40
    assert read_records(slot + BYTES + slot + write_records([FULL]) + slot + b"\xff") == (DRY, FULL)


def test_records_of_format_1_are_read() -> None:
    """What units in the field have: no serial, the old key; beside records of format 2 too."""
    assert field_record(DRY_CODE, DRY.counts) == FIELD_BYTES
    old = replace(DRY, sensor=OLD_KEY, serial=None)
    assert read_records(FIELD_BYTES) == (old,)
    assert read_records(FIELD_BYTES + write_records([FULL]) + FIELD_BYTES) == (old, FULL, old)
    assert (old.format, FULL.format) == (1, 2)
    with pytest.raises(InputError, match=r"byte 0, scale of the counts: 1; expected 0"):
        read_records(closed(FIELD_BODY[:14] + b"\1" + FIELD_BODY[15:]))


def test_a_wide_count_takes_four_bytes() -> None:
    """Counts of more than 16 bits are stored as words, with no filler."""
    wide = TrimRecord(TrimKind.LEARNED, 7, 0, (16_777_215, 0), 4, "u")
    made = write_records([wide])
    assert made[32:40] == struct.pack("<2I", 16_777_215, 0)
    assert len(made) == 44
    assert read_records(made) == (wide,)


def test_the_key_of_a_sensor_is_that_of_its_programs() -> None:
    """A unit's record carries the key of the sensor's content, which the number of a revision does not change;
    a program made before there were keys takes format 1 only, by the key of the revision in its notes.
    """
    sensor = Sensor(
        "strip", 1, tuple(Pad(k, f"pad{k}", 20.0 * k, 18.0) for k in range(3)), 12, CountLaw.RISES, 100
    )
    trim = Trim(
        Unit("unit-1"),
        Mounting("bench", Tank("can", 1, 10.0), sensor),
        TrimKind.DRY,
        (100, 200, 4095),
        "2026-01-31",
        "end-of-line",
        21.46,
    )
    assert record_of(trim, "unit-1") == replace(DRY, sensor=sensor_key(sensor))
    assert record_of(trim, "sn 7").serial == "sn 7"
    assert fits_of(model()).keys == {1: OLD_KEY, 2: KEY}
    assert fits_of(model(keys=(KEY, 0))).keys == {1: 0, 2: KEY}
    of_revision = zlib.crc32(b"strip@1 channels=3 bits=12")
    assert fits_of(model(keys=(0, 0))).keys == {1: of_revision, 2: 0}
    assert fits_of(replace(model(keys=(0, 0)), notes={})).keys == {1: 0, 2: 0}
    assert sensor_key_1(sensor) == revision_key("strip@1", 3, 12) == of_revision


def test_every_flipped_bit_is_refused_by_both_readers(machine: Machine) -> None:
    """A CRC of 32 bits finds any single damaged bit: Python raises, the C does not say OK."""
    for whole in (
        write_records([DRY, FULL]),
        FIELD_BYTES + field_record(FULL_CODE, FULL.counts),
    ):
        assert on_core(machine, whole)[0] == OK
        for byte in range(len(whole)):
            spoilt = bytearray(whole)
            spoilt[byte] ^= 1 << (byte % 8)
            with pytest.raises(InputError):
                read_records(bytes(spoilt))
            assert on_core(machine, bytes(spoilt))[0] != OK, byte


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda b: b[:-1], "43 bytes; expected 44"),
        (lambda b: b"", "no record"),
        (lambda b: b[:10], "10 bytes"),
        (lambda b: b"\0" * 44, "magic 0x00000000"),
        (lambda b: closed(b[:4] + b"\3" + b[5:-4]), "format: 3; expected 1 or 2"),
        (lambda b: closed(b[:5] + b"\7" + b[6:-4]), "kind: 7"),
        (lambda b: closed(b[:6] + b"\0" + b[7:-4]), "0 channels"),
        (lambda b: closed(b[:7] + b"\3" + b[8:-4]), "of 3 bytes"),
        (lambda b: closed(b[:12] + b"\xff\x7f" + b[14:-4]), "impossible temperature"),
        (lambda b: closed(b[:14] + b"\0" + b[15:-4]), "scale of the counts: 0; expected 1 or more"),
        (lambda b: closed(b[:16] + bytes(16) + b[32:-4]), "serial: ''"),
        (lambda b: closed(b[:18] + b"\x1b" + b[19:-4]), r"serial: 'un\\x1bt-1'"),
        (lambda b: closed(b[:18] + b"\xe9" + b[19:-4]), "serial: 'un.t-1'"),
        (lambda b: closed(b[:18] + b"\0" + b[19:-4]), r"serial: 'un\\x00t-1'"),
        (lambda b: closed(b[:38] + b"\1" + b[39:-4]), "filler"),
        (lambda b: b + b"x" * 20, "byte 44: magic"),
        (lambda b: b + record(FULL_CODE, (1, 2, 3), serial=b"unit-2"), "byte 44, serial: 'unit-2'"),
    ],
)
def test_the_reader_is_strict(spoil: Callable[[bytes], bytes], words: str) -> None:
    """Whatever a writer of this format would not have written is refused, with the place and
    what was found.
    """
    with pytest.raises(InputError, match=words):
        read_records(spoil(BYTES))


def test_what_a_record_cannot_hold_is_refused() -> None:
    """Counts too wide, no channel, temperatures off the scale, serials that do not fit, records of two units:
    input errors.
    """
    for unfit in (
        replace(DRY, counts=(65536,)),
        replace(DRY, counts=()),
        replace(DRY, counts=(-1,)),
        replace(DRY, temperature=2001),
    ):
        with pytest.raises(InputError, match="dry trim"):
            write_records([unfit])
    for serial in ("", "a" * 17, "caf\u00e9", "a\nb", None):
        with pytest.raises(InputError, match="1 to 16 printable ASCII characters"):
            write_records([replace(DRY, serial=serial)])
    assert read_records(write_records([replace(DRY, serial="a" * 16)]))[0].serial == "a" * 16
    with pytest.raises(InputError, match="serial: 'unit-2'; expected 'unit-1'"):
        write_records([DRY, replace(FULL, serial="unit-2")])


def test_the_core_takes_the_kinds_it_needs(machine: Machine) -> None:
    """In either order, at any address, with other kinds and empty slots between; of two of one kind the later
    counts.
    """
    other, later = replace(DRY, kind=TrimKind.LEARNED, counts=(1, 2, 3)), replace(DRY, counts=(7, 8, 9))
    expected = (*DRY.counts, *FULL.counts)
    for records in ([DRY, FULL], [FULL, DRY], [other, FULL, DRY, other]):
        assert on_core(machine, write_records(records)) == (OK, expected)
    assert on_core(machine, write_records([DRY, FULL]), PLACE + 1) == (OK, expected)
    dry, full = write_records([DRY]), write_records([FULL])
    for empty in (b"\xff" * len(BYTES), b"\xff" * 4, b"\0" * 64):
        assert on_core(machine, empty + dry + empty + full + empty) == (OK, expected)
    assert on_core(machine, write_records([DRY, FULL, later])) == (OK, (*later.counts, *FULL.counts))
    assert on_core(machine, dry + full + b"\0" * 27) == (OK, expected)


def test_the_core_says_what_is_wrong(machine: Machine) -> None:
    """Each answer has its cause, and of several the largest is given; a damaged record of a kind that is there
    a second time does no harm.
    """
    dry, full = write_records([DRY]), write_records([FULL])
    assert on_core(machine, b"")[0] == NO_KIND
    assert on_core(machine, dry)[0] == NO_KIND
    assert on_core(machine, dry + full[:15])[0] == NO_KIND
    assert on_core(machine, dry + full[:16])[0] == BAD_CRC
    assert on_core(machine, dry + full[:-1])[0] == BAD_CRC
    assert on_core(machine, dry + b"\xff" * 28)[0] == BAD_MAGIC
    for number in (0, 3, 4, 255):
        assert on_core(machine, dry + closed(full[:4] + bytes([number]) + full[5:-4]))[0] == BAD_FORMAT
    assert on_core(machine, dry + write_records([replace(FULL, sensor=KEY + 1)]))[0] == BAD_SENSOR
    assert on_core(machine, dry + full[:-1] + bytes([full[-1] ^ 1]))[0] == BAD_CRC
    for scale in (0, 2, 257):
        forged = closed(full[:14] + struct.pack("<H", scale) + full[16:-4])
        assert on_core(machine, dry + forged)[0] == BAD_SCALE, scale
    torn = dry[:36] + b"\xff" * 8
    assert on_core(machine, dry + full + torn) == (OK, (*DRY.counts, *FULL.counts))
    assert on_core(machine, torn + full) == (BAD_CRC, (0xA5A5,) * 3 + FULL.counts)
    strange = write_records([replace(FULL, sensor=KEY + 1)])
    assert on_core(machine, torn + strange + b"\xff" * 40)[0] == BAD_CRC


def test_records_of_the_field_are_taken_by_the_old_key(machine: Machine) -> None:
    """Alone, and beside records of format 2, whose serial they do not have; not by the other key, nor with
    anything in place of the scale, nor by a program without an old key.
    """
    dry, full = field_record(DRY_CODE, DRY.counts), field_record(FULL_CODE, FULL.counts)
    expected = (*DRY.counts, *FULL.counts)
    for content in (dry + full, full + dry, dry + write_records([FULL]), write_records([DRY]) + full):
        assert on_core(machine, content) == (OK, expected)
        assert on_core(machine, content, serial=b"unit-1") == (OK, expected)
    assert on_core(machine, dry + field_record(FULL_CODE, FULL.counts, key=KEY))[0] == BAD_SENSOR
    assert on_core(machine, dry + record(FULL_CODE, FULL.counts, key=OLD_KEY))[0] == BAD_SENSOR
    assert on_core(machine, dry + closed(full[:14] + b"\1" + full[15:-4]))[0] == BAD_SCALE
    new_only = built(model(keys=(KEY, 0)))
    assert on_core(new_only, write_records([DRY, FULL])) == (OK, expected)
    for key in (OLD_KEY, 0):
        forged = field_record(DRY_CODE, DRY.counts, key=key) + field_record(FULL_CODE, FULL.counts, key=key)
        assert on_core(new_only, forged)[0] == BAD_FORMAT
    before = built(model(keys=(0, 0)))
    key = zlib.crc32(b"strip@1 channels=3 bits=12")
    content = field_record(DRY_CODE, DRY.counts, key=key) + field_record(FULL_CODE, FULL.counts, key=key)
    assert on_core(before, content) == (OK, expected)
    assert on_core(before, record(DRY_CODE, DRY.counts, key=0) + content[28:])[0] == BAD_FORMAT


def test_a_scale_of_counts_is_carried_and_held_against_the_models() -> None:
    """A trim of a sensor with two decimals carries a scale of 100 (bytes 14 and 15 of the layout); the C of its
    model states the scale and takes such records, and none as read or of format 1.
    """
    hundredths = replace(model(keys=(KEY, 0)), count_scale=100)
    header = emit_c(hundredths).header
    assert "_COUNT_SCALE 100U /* counts are given as the board's values x 100, rounded" in header
    assert "_COUNT_SCALE 1U /* counts are given as read */" in emit_c(model()).header
    records = [replace(DRY, scale=100), replace(FULL, scale=100)]
    content = write_records(records)
    assert content[14:16] == struct.pack("<H", 100)
    assert read_records(content) == tuple(records)
    machine = built(hundredths)
    assert on_core(machine, content) == (OK, (*DRY.counts, *FULL.counts))
    assert trim_answer(hundredths, content)[0] == OK
    as_read = write_records([DRY, FULL])
    assert on_core(machine, as_read)[0] == trim_answer(hundredths, as_read)[0] == BAD_SCALE


def test_a_record_of_another_unit_refuses_all(machine: Machine) -> None:
    """Against the board's own serial, all 16 bytes of it; without one, against that of the first record in
    order. A damaged record's serial counts for nothing.
    """
    expected = (*DRY.counts, *FULL.counts)
    whole = write_records([DRY, FULL])
    for serial in (None, b"unit-1"):
        assert on_core(machine, whole, serial=serial) == (OK, expected)
    for k in range(16):
        own = bytearray(b"unit-1".ljust(16, b"\0"))
        own[k] ^= 1
        assert on_core(machine, whole, serial=bytes(own))[0] == OTHER_UNIT, k
    other = record(4, (1, 2, 3), serial=b"unit-2")  # of a kind that the model does not use
    for content in (other + whole, whole + other):
        assert on_core(machine, content)[0] == OTHER_UNIT
        assert on_core(machine, content, serial=b"unit-1")[0] == OTHER_UNIT
        assert on_core(machine, content + b"\xff" * 40)[0] == OTHER_UNIT
    torn = bytearray(other)
    torn[40] ^= 1
    assert on_core(machine, bytes(torn) + whole) == (OK, expected)
    sixteen = [replace(r, serial="0123456789abcdef") for r in (DRY, FULL)]
    assert on_core(machine, write_records(sixteen), serial=b"0123456789abcdef") == (OK, expected)
    assert on_core(machine, write_records(sixteen), serial=b"0123456789abcde")[0] == OTHER_UNIT


@pytest.mark.longer
@pytest.mark.parametrize(("bits", "same"), [(12, True), (12, False), (24, True), (24, False)])
def test_the_core_looks_at_the_swings(bits: int, same: bool) -> None:
    """Both calls refuse what the interpreter refuses, each with its own answer, at the edges and far off."""
    low, high = ((-300,) * 3, (-100,) * 3) if same else ((-300, 5, 0), (-100, 2000, 0))
    program = model(bits, swing=Interval(low, high))
    machine = built(program)
    width, good = 2 if bits <= 16 else 4, (-200,) * 3 if same else (-200, 5, 0)
    places = [(1000,) * 3, (800,) * 3, (4095, 1100, 700)]
    seen = set()
    for first in places:
        for channel, moved in ((c, m) for c in range(3) for m in (0, *range(-302, -98), -99, 4, 5, 6, 2001)):
            second = [f + g for f, g in zip(first, good, strict=True)]
            second[channel] = first[channel] + moved
            if not all(0 <= v <= 4095 for v in second):
                continue
            trim = (*first, *second)
            content = record(DRY_CODE, first, width=width) + record(FULL_CODE, tuple(second), width=width)
            machine._uc.mem_write(PLACE, content)
            place = machine._objects["trim"][0]
            answer = machine.call("trim_check", PLACE, len(content), place, 0) & 0xFF
            passes = bool(accepted(program, np.asarray([trim]))[0])
            assert answer == (OK if passes else BAD_SWING), trim
            assert machine.prepare(np.asarray(trim)) == passes, trim
            seen.add(passes)
    assert seen == {True, False}


@pytest.mark.parametrize("at", [6, 7])
def test_channels_and_width_are_those_of_the_sensor(machine: Machine, at: int) -> None:
    """A record whose CRC fits but which says another number of channels, or of bytes a count, is refused, in
    either format.
    """
    for make in (record, field_record):
        dry, full = make(DRY_CODE, DRY.counts), make(FULL_CODE, FULL.counts)
        for value in range(256):
            forged = closed(full[:at] + bytes([value]) + full[at + 1 : -4])
            assert on_core(machine, dry + forged)[0] == (OK if value == full[at] else BAD_SHAPE), value


@pytest.mark.longer
def test_models_of_one_kind_of_wide_counts_and_of_none() -> None:
    """A model of one kind takes that; one of 24-bit counts takes words; one without trim is
    always content.
    """
    one = built(model(kinds=("full",)))
    assert on_core(one, write_records([DRY, FULL])) == (OK, FULL.counts)
    assert on_core(one, write_records([DRY]))[0] == NO_KIND
    wide = built(model(bits=24))
    for make in (record, field_record):
        content = b"".join(make(code, (1, 2, 16_000_000), width=4) for code in (DRY_CODE, FULL_CODE))
        wide._uc.mem_write(PLACE, content)
        assert wide.call("trim_check", PLACE, len(content), wide._objects["trim"][0], 0) & 0xFF == OK
        assert struct.unpack("<6I", wide._uc.mem_read(*wide._objects["trim"])) == (1, 2, 16_000_000) * 2
    b = Builder("plain", count_bits=8, channels=1, period_ms=100, span=640)
    zero = b.const(0)
    plain = Machine(build_core(emit_c(b.finish(low=zero, level=zero, high=zero, validity=zero, flags=zero))))
    assert plain.call("trim_check", 0, 0, 0, 0) & 0xFF == OK


# Firmware on a bench: the first line writes a record through the header's macros, as a production fixture or
# a service mode does.
_FIXTURE = """
#include "innage.c"
#include <stdio.h>
#include <string.h>

static void put(uint8_t *at, uint32_t value, uint32_t bytes)
{
    for (uint32_t k = 0U; k < bytes; ++k) { at[k] = (uint8_t)(value >> (8U * k)); }
}

int main(void)
{
    static uint8_t bytes[4096];
    static const uint8_t own[INNAGE_SERIAL_LENGTH] = {'u', 'n', 'i', 't', '-', '1'};
    const innage_count_t counts[INNAGE_CHANNELS] = {100U, 200U, 4095U};
    innage_count_t trim[INNAGE_TRIM_COUNTS];
    uint8_t made[INNAGE_TRIM_LENGTH];
    const uint32_t length = (uint32_t)fread(bytes, 1U, sizeof bytes, stdin);
    (void)memset(made, 0, sizeof made);
    put(&made[INNAGE_TRIM_AT_MAGIC], INNAGE_TRIM_MAGIC, 4U);
    made[INNAGE_TRIM_AT_FORMAT] = INNAGE_TRIM_FORMAT;
    made[INNAGE_TRIM_AT_KIND] = INNAGE_TRIM_KIND_DRY;
    made[INNAGE_TRIM_AT_CHANNELS] = (uint8_t)INNAGE_CHANNELS;
    made[INNAGE_TRIM_AT_WIDTH] = sizeof(innage_count_t);
    put(&made[INNAGE_TRIM_AT_SENSOR], INNAGE_SENSOR, 4U);
    put(&made[INNAGE_TRIM_AT_TEMPERATURE], 215U, 2U);
    put(&made[INNAGE_TRIM_AT_SCALE], INNAGE_TRIM_SCALE, 2U);
    (void)memcpy(&made[INNAGE_TRIM_AT_SERIAL], own, INNAGE_SERIAL_LENGTH);
    for (uint32_t k = 0U; k < INNAGE_CHANNELS; ++k) { put(&made[INNAGE_TRIM_AT_COUNTS + (2U * k)], counts[k], 2U); }
    put(&made[INNAGE_TRIM_AT_CRC], ~innage_crc(0xFFFFFFFFU, made, INNAGE_TRIM_AT_CRC), 4U);
    for (uint32_t k = 0U; k < sizeof made; ++k) { (void)printf("%02x", (unsigned)made[k]); }
    (void)printf("\\n%u", (unsigned)innage_trim_check(bytes, length, trim, own));
    for (uint32_t k = 0U; k < INNAGE_TRIM_COUNTS; ++k) { (void)printf(",%u", (unsigned)trim[k]); }
    return 0;
}
"""


def test_this_computer_reads_and_writes_the_same_bytes(tmp_path: Path) -> None:
    """C on this computer, with a trap on undefined behaviour, writes by the macros what Python reads, and
    reads what Python writes.
    """
    source: CSource = emit_c(model())
    for name, text in (("innage.h", source.header), ("innage.c", source.source), ("main.c", _FIXTURE)):
        (tmp_path / name).write_text(text)
    binary = tmp_path / "fixture"
    binary.write_bytes(compile_host(tmp_path, "main.c", "-std=c99"))
    binary.chmod(0o700)
    for content, answer in (
        (write_records([FULL, DRY]), OK),
        (BYTES + BYTES[:-1] + b"\0", BAD_CRC),
        (record(DRY_CODE, DRY.counts, serial=b"unit-2"), OTHER_UNIT),
    ):
        made, said = (
            subprocess.run([binary], input=content, capture_output=True, check=True)
            .stdout.decode()
            .splitlines()
        )
        assert read_records(bytes.fromhex(made)) == (DRY,)
        assert bytes.fromhex(made) == BYTES
        found, *counts = (int(v) for v in said.split(","))
        assert found == answer
        if answer == OK:
            assert tuple(counts) == (*DRY.counts, *FULL.counts)
