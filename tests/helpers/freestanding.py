"""What the harness asks of a C library, in one file for Linux on x86 of 32 bits: a program of words of that
size without the library of that size, which takes the compiler a minute to build.
"""

from __future__ import annotations

from pathlib import Path

from export.compilers import zig

TARGET = ("-target", "x86-linux-none", "-nostdlib", "-static", "-fno-builtin", "-I.")
HEADER = """\
#pragma once
#include <stddef.h>
#define stdin 0
#define stderr 2
char *fgets(char *line, int size, int file);
int fprintf(int file, const char *form, ...);
int printf(const char *form, ...);
long strtol(const char *text, char **end, int base);
void exit(int code);
void *memset(void *to, int value, size_t size);
void *memcpy(void *to, const void *from, size_t size);
"""
# Calls 1, 3 and 4 of Linux on x86: exit, read, write (arch/x86/entry/syscalls/syscall_32.tbl of its sources)
LIBRARY = """\
#include "library.h"
#include <stdarg.h>
#include <stdbool.h>
static long call(long number, long a, long b, long c)
{
    long answer;
    __asm__ volatile("int $0x80" : "=a"(answer) : "a"(number), "b"(a), "c"(b), "d"(c) : "memory");
    return answer;
}
void exit(int code) { for (;;) { (void)call(1, code, 0, 0); } }
char *fgets(char *line, int size, int file)
{
    static char block[65536];
    static long at, held;
    int n = 0;
    while (n < size - 1) {
        if (at == held) {
            at = 0;
            held = call(3, file, (long)block, sizeof block);
            if (held <= 0) { held = 0; break; }
        }
        line[n++] = block[at++];
        if (line[n - 1] == '\\n') { break; }
    }
    line[n] = 0;
    return (n > 0) ? line : NULL;
}
static char out[65536];
static int held_back;
static void flush(int file) { (void)call(4, file, (long)out, held_back); held_back = 0; }
static void put(int file, char letter)
{
    out[held_back++] = letter;
    if (held_back == sizeof out) { flush(file); }
}
static void put_number(int file, unsigned long value)
{
    if (value >= 10) { put_number(file, value / 10); }
    put(file, (char)('0' + value % 10));
}
static int vprint(int file, const char *form, va_list given)
{
    for (; *form != 0; ++form) {
        if (*form != '%') { put(file, *form); continue; }
        ++form;
        if (*form == 'u') {
            put_number(file, va_arg(given, unsigned int));
        } else { /* %ld */
            ++form;
            const long value = va_arg(given, long);
            if (value < 0) { put(file, '-'); }
            put_number(file, (value < 0) ? 0UL - (unsigned long)value : (unsigned long)value);
        }
    }
    return 0;
}
int printf(const char *form, ...)
{
    va_list given;
    va_start(given, form);
    const int said = vprint(1, form, given);
    va_end(given);
    return said;
}
int fprintf(int file, const char *form, ...)
{
    va_list given;
    flush(1);
    va_start(given, form);
    const int said = vprint(file, form, given);
    va_end(given);
    flush(file);
    return said;
}
long strtol(const char *text, char **end, int base)
{
    const bool below = (*text == '-');
    const char *digit = text + (below ? 1 : 0);
    unsigned long value = 0;
    while ((*digit >= '0') && (*digit <= '9')) {
        value = value * (unsigned long)base + (unsigned long)(*digit++ - '0');
    }
    *end = (char *)digit;
    return below ? (long)(0UL - value) : (long)value;
}
void *memset(void *to, int value, size_t size)
{
    for (size_t k = 0; k < size; ++k) { ((unsigned char *)to)[k] = (unsigned char)value; }
    return to;
}
void *memcpy(void *to, const void *from, size_t size)
{
    for (size_t k = 0; k < size; ++k) { ((unsigned char *)to)[k] = ((const unsigned char *)from)[k]; }
    return to;
}
int main(void);
__attribute__((force_align_arg_pointer)) void _start(void)
{
    const int code = main();
    flush(1);
    exit(code);
}
"""


def build_freestanding(folder: Path, *units: str) -> bytes:
    """The units in ``folder`` as a program of 32 bits; each has what this file has of a library."""
    (folder / "library.h").write_text(HEADER)
    (folder / "library.c").write_text(LIBRARY)
    for name in ("stdio.h", "stdlib.h", "string.h"):
        (folder / name).write_text('#include "library.h"\n')
    zig.run(folder, "cc", *TARGET, "-std=c99", "-O1", "library.c", *units, "-o", "program")
    return (folder / "program").read_bytes()
