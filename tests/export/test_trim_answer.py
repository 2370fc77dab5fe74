"""What the C answers to stored trims, worked out in Python: the same answers and counts as the C gives on
this computer, for drawn bytes, every answer among them.
"""

from __future__ import annotations

import random
import struct
import subprocess
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest
from trim_records import DRY_CODE, FULL_CODE, KEY, OLD_KEY, closed, field_record, model, record

from dataset.errors import InputError
from export.c.source import emit_c
from export.compilers.core_build import build_core
from export.compilers.host_build import compile_host
from export.core.emulator import Machine
from export.trim_answer import trim_answer
from export.trim_bytes import TrimAnswer
from training.program import Builder, Interval, Program

CASES = 6000
OWN, OTHER = b"unit-1", b"unit-2"
EVERY = set(TrimAnswer)
GATED = model(swing=Interval((-400, -100, -300), (3000, 2000, 400)))
_PLACE = 0x2200_0000  # on the core: the board's serial, then the bytes
# Reads cases (length, whether there is a serial, the serial, the bytes), each into memory of its own, and
# prints a line for each: the answer, then the counts, or - where none was written.
_MAIN = """
#include "innage.c"
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

int main(void)
{
    uint8_t head[4U + 1U + INNAGE_SERIAL_LENGTH];
    while (fread(head, sizeof head, 1U, stdin) == 1U) {
        const uint32_t length = (uint32_t)head[0] | ((uint32_t)head[1] << 8U);
        uint8_t *const bytes = malloc(length + 1U);
        innage_count_t once[INNAGE_TRIM_COUNTS];
        innage_count_t twice[INNAGE_TRIM_COUNTS];
        const uint8_t *const own = (head[4] != 0U) ? &head[5] : NULL;
        if ((bytes == NULL) || (fread(bytes, 1U, length, stdin) != length)) { return 1; }
        (void)memset(once, 0x00, sizeof once);
        (void)memset(twice, 0xFF, sizeof twice);
        (void)printf("%u", (unsigned)innage_trim_check(bytes, length, once, own));
        (void)innage_trim_check(bytes, length, twice, own);
        for (uint32_t k = 0U; k < INNAGE_TRIM_COUNTS; ++k) {
            if (once[k] == twice[k]) {
                (void)printf(",%lu", (unsigned long)once[k]);
            } else {
                (void)printf(",-");
            }
        }
        (void)printf("\\n");
        free(bytes);
    }
    return 0;
}
"""


@pytest.mark.longer
@pytest.mark.parametrize(
    ("program", "answers"),
    [
        (GATED, EVERY),
        (model(), EVERY - {TrimAnswer.BAD_SWING}),
        (model(24, kinds=("full",)), EVERY - {TrimAnswer.BAD_SWING}),
        (model(keys=(KEY, 0)), EVERY - {TrimAnswer.BAD_SWING}),
        (model(keys=(0, OLD_KEY)), EVERY - {TrimAnswer.BAD_SWING, TrimAnswer.OTHER_UNIT}),
    ],
    ids=["gated", "two kinds", "wide", "no old key", "old key only"],
)
def test_the_c_answers_the_same(program: Program, answers: set[TrimAnswer], tmp_path: Path) -> None:
    """Whole records of both formats, forged ones whose CRC fits, damaged ones, cut ones, empty slots: each
    answer is reached, and the counts that were taken are the same.
    """
    cases = list(drawn(program, random.Random(20261129)))  # noqa: S311 - a repeatable choice, no secret
    expected = [trim_answer(program, content, serial) for content, serial in cases]
    counted = Counter(answer for answer, _ in expected)
    assert set(counted) == answers, counted
    lines = on_this_computer(program, cases, tmp_path)
    for case, line, (answer, counts) in zip(cases, lines, expected, strict=True):
        assert line == ",".join([str(int(answer)), *("-" if c is None else str(c) for c in counts)]), case


@pytest.mark.longer
def test_the_core_answers_the_same() -> None:
    """The first of those bytes on the emulated core, which has no answer of its own."""
    program = GATED
    cases = list(drawn(program, random.Random(20261129)))[:500]  # noqa: S311 - a repeatable choice, no secret
    machine = Machine(build_core(emit_c(program)))
    machine._uc.mem_map(_PLACE, 0x1000)
    trim, size = machine._objects["trim"]
    seen = set()
    for content, serial in cases:
        answer, counts = trim_answer(program, content, serial)
        machine._uc.mem_write(_PLACE, (serial or "").encode().ljust(16, b"\0") + content)
        machine._uc.mem_write(trim, b"\xa5" * size)
        own = 0 if serial is None else _PLACE
        assert machine.call("trim_check", _PLACE + 16, len(content), trim, own) & 0xFF == answer, content
        written = struct.unpack(f"<{size // 2}H", bytes(machine._uc.mem_read(trim, size)))
        assert written == tuple(0xA5A5 if count is None else count for count in counts), content
        seen.add(answer)
    assert seen == EVERY


def on_this_computer(program: Program, cases: list[tuple[bytes, str | None]], folder: Path) -> list[str]:
    """A line of the C for each case; undefined behaviour would stop it."""
    source = emit_c(program)
    for name, text in (("innage.h", source.header), ("innage.c", source.source), ("main.c", _MAIN)):
        (folder / name).write_text(text)
    binary = folder / "answers"
    binary.write_bytes(compile_host(folder, "main.c", "-std=c99"))
    binary.chmod(0o700)
    packed = b"".join(
        struct.pack("<IB16s", len(content), serial is not None, (serial or "").encode()) + content
        for content, serial in cases
    )
    return subprocess.run([binary], input=packed, capture_output=True, check=True).stdout.decode().split()


def drawn(program: Program, rng: random.Random) -> Iterator[tuple[bytes, str | None]]:
    """Bytes as a memory might hold them, and the board's serial or none."""
    for _ in range(CASES):
        content = b"".join(slot(program, rng) for _ in range(rng.randrange(6)))
        if rng.random() < 0.1:
            content = content[: rng.randrange(len(content) + 1)]
        yield content, rng.choice((None, None, OWN.decode(), OTHER.decode()))


def slot(program: Program, rng: random.Random) -> bytes:
    """A record, most of them in order, or what is none."""
    if rng.random() < 0.15:
        return rng.choice((b"\xff", b"\0")) * rng.choice((4, 24, 44)) + rng.randbytes(
            rng.choice((0, 4, 8, 3))
        )
    code = rng.choice((DRY_CODE, FULL_CODE, FULL_CODE, rng.randrange(256)))
    width = 2 if program.count_bits <= 16 else 4
    middle = rng.randrange(1000, 2000)
    counts = tuple(max(0, middle + rng.randrange(-300, 300)) for _ in range(program.channels))
    if rng.random() < 0.3:
        made, size = field_record(code, counts, key=program.sensor_key_1, width=width), 16
    else:
        serial = OWN if rng.random() < 0.9 else OTHER
        made, size = record(code, counts, key=program.sensor_key, serial=serial, width=width), 32
    return made if rng.random() < 0.6 else spoilt(made, size, rng)


def spoilt(made: bytes, size: int, rng: random.Random) -> bytes:
    """A byte of the head, the serial or the counts changed, most often with a CRC that fits."""
    at = rng.choice((rng.randrange(16), rng.randrange(len(made)), rng.randrange(size, len(made)), 14))
    value = rng.choice((made[at] ^ (1 << rng.randrange(8)), rng.randrange(256), made[at] ^ 3))
    changed = made[:at] + bytes([value]) + made[at + 1 :]
    return closed(changed[:-4]) if rng.random() < 0.7 else changed


def test_a_program_without_trim_is_always_content() -> None:
    """It looks at nothing."""
    b = Builder("plain", count_bits=8, channels=1, period_ms=100, span=640)
    zero = b.const(0)
    plain = b.finish(low=zero, level=zero, high=zero, validity=zero, flags=zero)
    assert trim_answer(plain, b"\0" * 40) == (TrimAnswer.OK, ())


def test_a_serial_that_no_board_can_have_is_refused() -> None:
    """Seventeen characters do not fit."""
    with pytest.raises(InputError, match=r"^serial: 'a{17}'; expected 1 to 16 printable ASCII characters"):
        trim_answer(model(), b"", "a" * 17)
