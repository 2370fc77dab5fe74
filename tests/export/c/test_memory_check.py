"""The check of state and prepared values on request: damaged memory behind an intact check word is noticed,
and no arithmetic overflows on it; and the CRC by a table.
"""

from __future__ import annotations

import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from export.c.extras import Extras
from export.c.source import CSource, emit_c
from export.compilers.core_build import build_core
from export.compilers.host_build import compile_host
from export.compilers.linting import lint
from export.core.emulator import Machine
from training.program import WITHHELD, Builder, Interval, Program

CHECKED = Extras(memory_check=True, fast_crc=True)

# The prepared values and the state are filled with random bytes behind their check words; with 1 as its
# argument the program also forges the sum, so that ranges alone stand against an overflow.
_DAMAGE = """
#include "model.c"
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static uint32_t drawn = 1U;

static uint32_t draw(void)
{
    drawn ^= drawn << 13U; /* xorshift, Marsaglia 2003 */
    drawn ^= drawn >> 17U;
    drawn ^= drawn << 5U;
    return drawn;
}

static void spoil(void *memory, size_t from, size_t size)
{
    for (size_t k = from; k < size; ++k) {
        ((uint8_t *)memory)[k] = (uint8_t)(draw() >> 11U);
    }
}

int main(int argc, char **argv)
{
    innage_state_t state;
    innage_prepared_t prepared;
    innage_scratch_t scratch;
    innage_reading_t reading;
    innage_count_t counts[INNAGE_CHANNELS];
    long given = 0;
    for (int k = 0; k < 20000; ++k) {
        (void)memset(&state, 0, sizeof state);
        (void)memset(&prepared, 0, sizeof prepared);
        innage_init(&state);
        prepared.check = INNAGE_PREPARED_CHECK;
        spoil(&prepared, 4U, sizeof prepared);
        if ((k & 1) != 0) {
            spoil(&state, 4U, sizeof state);
        }
        (void)argv;
#if FORGED
        if (argc > 1) {
            prepared.sum = innage_prepared_sum(&prepared);
        }
#endif
        for (uint32_t c = 0U; c < INNAGE_CHANNELS; ++c) {
            counts[c] = (innage_count_t)(draw() & ((1UL << INNAGE_COUNT_BITS) - 1UL));
        }
        given += innage_step(&state, &prepared, &scratch, counts, 200, 0U, &reading) != INNAGE_WITHHELD;
    }
    (void)printf("%ld", given);
    return argc > 2;
}
"""


def damaged(folder: Path, source: CSource, *, forged: bool) -> subprocess.CompletedProcess[bytes]:
    """Run many steps on damaged memory, with a trap on undefined behaviour."""
    (folder / "innage.h").write_text(source.header)
    (folder / "model.c").write_text(source.source)
    (folder / "damage.c").write_text(_DAMAGE)
    program = folder / "program"
    flag = "-DFORGED=1" if "_prepared_sum(" in source.source else "-DFORGED=0"
    program.write_bytes(compile_host(folder, "damage.c", "-std=c99", flag))
    program.chmod(0o700)
    return subprocess.run([program, *(["forged"] if forged else [])], capture_output=True, check=False)


def shares() -> Program:
    """Shares of a swing, as models have them: prepared rows with a range for each channel, and a sum that is
    carried on; outside these ranges the products and the sum overflow.
    """
    trims = Interval((1000, 2000), (9000, 9500))
    b = Builder("shares", count_bits=16, channels=2, period_ms=100, span=6400, trim_range=trims)
    dry = b.prepare_node("shift", "trim", name="dry", shift=1, keep=True)
    gain = b.prepare_node("clip", "trim", low=3000, high=9000, name="gain", keep=True)
    before = b.state("before", (0,), (0,), (1 << 30,))
    products = b.node("mul", b.node("sub", b.node("clip", "counts", low=0, high=20000), dry), gain)
    parts = b.node("clip", b.node("shift", products, shift=8), low=0, high=4096)
    total = b.node("dense", parts, weights=((1, 1),), bias=(0,))
    b.renew(before, b.node("clip", b.node("add", before, total), low=0, high=1 << 30))
    level = b.node("clip", b.node("shift", before, shift=16), low=0, high=6400)
    return b.finish(low=b.const(0), level=level, high=b.const(6400), validity=b.const(1), flags=b.const(0))


@pytest.mark.longer
@pytest.mark.parametrize("sample", ["strip", "every_op", "two_nets", "shares"])
def test_no_overflow_on_damaged_memory(all_built: dict[str, Any], sample: str, tmp_path: Path) -> None:
    """On random bytes behind intact check words nothing overflows, the sum right or not; with a wrong sum no
    reading is given.
    """
    program = shares() if sample == "shares" else all_built[sample].program
    source = emit_c(program, extras=CHECKED)
    for forged in (False, True):
        done = damaged(tmp_path, source, forged=forged)
        assert done.returncode == 0, (sample, forged)
        if program.prepared and not forged:
            assert done.stdout == b"0"


def test_without_the_check_damaged_memory_overflows(tmp_path: Path) -> None:
    """What the check is for: the same bytes stop the program that has none."""
    assert damaged(tmp_path, emit_c(shares()), forged=False).returncode != 0


@pytest.mark.longer
@pytest.mark.parametrize("sample", ["strip", "every_op", "single_channel", "constant", "two_nets"])
def test_whole_memory_is_left_alone(all_built: dict[str, Any], sample: str) -> None:
    """Readings and states stay those of the interpreter, the self-test passes, and the compiler is silent."""
    its = all_built[sample]
    source = emit_c(its.program, extras=CHECKED)
    machine = Machine(build_core(source))
    run = machine.run(its.vectors.head(20))
    assert (run.readings == its.vectors.readings[: len(run.readings)]).all()
    assert (run.state == its.vectors.state[: len(run.state)]).all()
    assert machine.selftest()
    assert machine.sliced_selftest(1_000_000)
    assert lint(source) == ""


def test_every_flipped_bit_of_the_prepared_values_is_noticed(all_built: dict[str, Any]) -> None:
    """Each bit of the prepared values, and of their sum and check word, turned over by itself: withheld, and
    given again when it is put right.
    """
    its = all_built["strip"]
    machine, frame = Machine(build_core(emit_c(its.program, extras=CHECKED))), its.vectors.head(1)
    machine.call("init", machine._objects["state"][0])
    assert machine.prepare(frame.trim[0])
    whole = machine.object("prepared")
    packed = machine.image.layout.prepared
    counts, temperature = frame.counts[0], int(frame.temperature[0])
    inside = {byte for member in packed.members for byte in range(member.offset, member.end)}
    for byte in sorted(inside):
        for bit in range(8):
            broken = bytearray(whole)
            broken[byte] ^= 1 << bit
            machine._write("prepared", bytes(broken))
            assert machine.step(counts, temperature, 0) == WITHHELD, (byte, bit)
    machine._write("prepared", whole)
    machine.call("init", machine._objects["state"][0])
    stream = its.vectors.head(1)
    rows = zip(stream.counts, stream.temperature, stream.faults, strict=True)
    given = [machine.step(counts, int(temperature), int(faults)) for counts, temperature, faults in rows]
    assert given == stream.readings[:, 3].tolist()


def test_the_fast_crc_has_the_check_value(all_built: dict[str, Any]) -> None:
    """0xCBF43926 of '123456789', the check value of this CRC in published catalogues; and fewer cycles."""
    its = all_built["strip"]
    machine = Machine(build_core(emit_c(its.program, extras=Extras(fast_crc=True))))
    machine._uc.mem_map(0x2200_0000, 0x1000)
    machine._uc.mem_write(0x2200_0000, b"123456789")
    assert machine.call("crc", 0xFFFFFFFF, 0x2200_0000, 9) ^ 0xFFFFFFFF == 0xCBF43926
    cycles = [m.selftest_cycles(64, 2) for m in (machine, Machine(its.image))]
    assert 2 * cycles[0] < cycles[1]
    random = np.random.default_rng(0).bytes(100)
    machine._uc.mem_write(0x2200_0000, random)
    plain = Machine(its.image)
    plain._uc.mem_map(0x2200_0000, 0x1000)
    plain._uc.mem_write(0x2200_0000, random)
    for start in (0xFFFFFFFF, 0, 12345):
        one, other = (m.call("crc", start, 0x2200_0000, 100) for m in (machine, plain))
        assert one == other
