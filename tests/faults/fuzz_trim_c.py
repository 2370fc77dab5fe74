"""Hostile trim bytes for the exported C, under the address and undefined-behaviour sanitizers, neither
recovering (``make fuzz`` runs it).

    python -P tests/faults/fuzz_trim_c.py --seconds 600

Valid records are changed at random places, cut and put behind one another, half of them with a CRC that fits
again. ``trim_check`` gets them in memory of exactly their length, so that a read beyond it is seen, and
``prepare`` gets whatever counts came out. Needs gcc.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from export.c.source import emit_c
from training.program import Builder, Program

MAIN = r"""
#include "innage.c"
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define OLD_SENSOR 0x00C0FFEEU /* of the program below, in trims of format 1 */

static uint64_t drawn = 88172645463325252ULL; /* Marsaglia, J. Stat. Softw. 8 (2003), 14: xorshift */
static uint32_t draw(uint32_t below)
{
    drawn ^= drawn << 13; drawn ^= drawn >> 7; drawn ^= drawn << 17;
    return (uint32_t)((drawn >> 32) % below);
}

static void put(uint8_t *at, uint32_t value, uint32_t bytes)
{
    for (uint32_t k = 0U; k < bytes; ++k) { at[k] = (uint8_t)(value >> (8U * k)); }
}

/* A CRC that fits, by the format that the record says it has. */
static void close_record(uint8_t *at)
{
    const uint32_t less = (at[INNAGE_TRIM_AT_FORMAT] == 1U) ? INNAGE_SERIAL_LENGTH : 0U;
    put(&at[INNAGE_TRIM_AT_CRC - less], ~innage_crc(0xFFFFFFFFU, at, INNAGE_TRIM_AT_CRC - less), 4U);
}

static void record(uint8_t *at)
{
    const uint32_t less = (draw(4U) == 0U) ? INNAGE_SERIAL_LENGTH : 0U; /* format 1 has no serial */
    uint8_t *const counts = &at[INNAGE_TRIM_AT_COUNTS - less];
    (void)memset(at, 0, INNAGE_TRIM_LENGTH);
    put(&at[INNAGE_TRIM_AT_MAGIC], INNAGE_TRIM_MAGIC, 4U);
    at[INNAGE_TRIM_AT_FORMAT] = (less > 0U) ? 1U : INNAGE_TRIM_FORMAT;
    at[INNAGE_TRIM_AT_KIND] = (uint8_t)((draw(4U) == 0U) ? draw(256U) : ((draw(2U) == 0U) ? INNAGE_TRIM_KIND_DRY : INNAGE_TRIM_KIND_FULL));
    at[INNAGE_TRIM_AT_CHANNELS] = (uint8_t)INNAGE_CHANNELS;
    at[INNAGE_TRIM_AT_WIDTH] = sizeof(innage_count_t);
    put(&at[INNAGE_TRIM_AT_SENSOR], (less > 0U) ? OLD_SENSOR : INNAGE_SENSOR, 4U);
    put(&at[INNAGE_TRIM_AT_SCALE], (less > 0U) ? 0U : INNAGE_TRIM_SCALE, 2U);
    if (less == 0U) { at[INNAGE_TRIM_AT_SERIAL] = (draw(16U) == 0U) ? (uint8_t)'b' : (uint8_t)'a'; }
    for (uint32_t k = 0U; k < INNAGE_CHANNELS; ++k) { put(&counts[2U * k], draw(65536U), 2U); }
    close_record(at);
}

int main(int argc, char **argv)
{
    const time_t end = time(NULL) + (time_t)strtol((argc > 1) ? argv[1] : "1", NULL, 10);
    unsigned long tried = 0UL, taken = 0UL, prepared = 0UL;
    while ((tried % 4096UL != 0UL) || (time(NULL) < end)) {
        const uint32_t records = draw(5U);
        const uint32_t length = (records * INNAGE_TRIM_LENGTH) + draw(INNAGE_TRIM_LENGTH);
        uint8_t *const bytes = malloc(length + (length == 0U));
        innage_count_t *const trim = malloc(INNAGE_TRIM_COUNTS * sizeof(innage_count_t));
        uint8_t *const board = calloc(INNAGE_SERIAL_LENGTH, 1U);
        innage_prepared_t memory;
        board[0] = (uint8_t)'a';
        for (uint32_t k = 0U; k < length; ++k) { bytes[k] = (uint8_t)draw(256U); }
        for (uint32_t k = 0U; k < records; ++k) {
            uint8_t *const its = &bytes[k * INNAGE_TRIM_LENGTH];
            record(its);
            for (uint32_t changes = draw(3U); changes > 0U; --changes) { its[draw(INNAGE_TRIM_LENGTH)] ^= (uint8_t)(1U << draw(8U)); }
            if (draw(2U) == 0U) { close_record(its); }
        }
        (void)memset(trim, 0, INNAGE_TRIM_COUNTS * sizeof(innage_count_t));
        taken += (innage_trim_check(bytes, length, trim, (draw(2U) == 0U) ? NULL : board) == INNAGE_TRIM_OK) ? 1UL : 0UL;
        prepared += innage_prepare(&memory, trim) ? 1UL : 0UL;
        free(bytes);
        free(trim);
        free(board);
        ++tried;
    }
    (void)printf("{\"reader\": \"trim in C\", \"inputs\": %lu, \"taken\": %lu, \"prepared\": %lu}\n", tried, taken, prepared);
    return 0;
}
"""


def program() -> Program:
    """Three pads with a dry and a full trim; the level is what the second shows when dry."""
    b = Builder(
        "trims",
        count_bits=16,
        channels=3,
        period_ms=100,
        span=640,
        trim_range=(0, 60_000),
        trim_kinds=("dry", "full"),
        notes={"sensor": "strip@1"},
        sensor_key=0x1234ABCD,
        sensor_key_1=0x00C0FFEE,
    )
    b.prepare_node("take", "trim", indices=(1,), name="kept", keep=True)
    level = b.node("clip", "kept", low=0, high=640)
    return b.finish(low=b.const(0), level=level, high=b.const(640), validity=b.const(1), flags=b.const(0))


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=int, default=600)
    given = parser.parse_args()
    compiler = shutil.which("gcc")
    if compiler is None:
        print("trim in C: there is no gcc here, left out")
        return
    source = emit_c(program())
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        for name, text in (("innage.h", source.header), ("innage.c", source.source), ("main.c", MAIN)):
            (root / name).write_text(text)
        flags = ["-std=c99", "-O1", "-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"]
        subprocess.run([compiler, *flags, "main.c", "-o", "fuzz"], cwd=root, check=True)
        sys.exit(subprocess.run([root / "fuzz", str(given.seconds)], check=False).returncode)


if __name__ == "__main__":
    main()
