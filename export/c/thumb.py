"""The kernels of ``c_kernels`` in the instructions of ARMv6-M (Thumb without its later extensions), line by
line.

What compilers do not do here: loads of several words, sums in the high registers, which addition reaches at
no cost, and two checks of a clip in one comparison. Registers: r0 stream, r1 x, r2-r5 words, r6 x[k], r7
product; r8-r11 sums, r12 the end of x, lr out.
On the stack from the loop on: x, shift, high, end of out.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

UNROLLED = (8, 4, 2, 1)  # columns a pass
MOST_WHOLE = 16  # columns of a row that is written out as a whole
_SUMS = ("r8", "r9", "r10", "r11")
_WORDS = ("r2", "r3", "r4", "r5")


@dataclass(frozen=True)
class Element:
    """How the elements of a row are loaded and stored: bytes each, the instructions, what
    extends the sign.
    """

    size: int
    load: str
    store: str
    extend: str = ""


@dataclass(frozen=True)
class Unrolled:
    """Columns written out one after another: those of a pass, or a ``whole`` row without a loop."""

    columns: int
    whole: bool = False


TYPES: Mapping[str, Element] = {
    "uint8_t": Element(1, "ldrb", "strb"),
    "int8_t": Element(1, "ldrb", "strb", "sxtb"),
    "uint16_t": Element(2, "ldrh", "strh"),
    "int16_t": Element(2, "ldrh", "strh", "sxth"),
    "int32_t": Element(4, "ldr", "str"),
}


def thumb(kind: str, x: Element, out: Element, unrolled: Unrolled) -> list[str]:
    """The whole kernel, from three operands in any low registers: stream, x, out."""
    ends = [] if x.size == 1 else [f"lsls r4, r4, #{x.size // 2}"]
    rows = [] if out.size == 1 else [f"lsls r7, r7, #{out.size // 2}"]
    loop = [] if unrolled.whole else [f"adds r1, r1, #{unrolled.columns * x.size}", "cmp r1, r12", "bne 2b"]
    return [
        ".syntax unified",
        "push {r4-r7}",
        "mov r0, %0",
        "mov r1, %1",
        "mov lr, %2",
        "ldmia r0!, {r4-r7}",
        *ends,
        "adds r4, r4, r1",
        "mov r12, r4",
        *rows,
        "add r7, lr",
        "mov r4, r1",
        "push {r4-r7}",
        "1:",
        "ldmia r0!, {r2-r5}",
        *(f"mov {s}, {w}" for s, w in zip(_SUMS, _WORDS, strict=True)),
        "2:",
        *_columns(kind, x, unrolled.columns),
        *loop,
        *_ENDS[kind](out),
        "mov lr, r6",
        "ldr r2, [sp, #12]",
        "cmp r6, r2",
        "beq 4f",
        "b 1b",
        "4:",
        "add sp, #16",
        "pop {r4-r7}",
    ]


def _columns(kind: str, x: Element, unroll: int) -> list[str]:
    """``unroll`` columns: their words in as few loads as the registers allow, then column after column."""
    each = {"bytes": 1, "spread": 1, "halves": 2, "pairs": 4}[kind]
    lines, step = [], 4 // each
    for first in range(0, unroll, step):
        columns = min(step, unroll - first)
        lines += [f"ldmia r0!, {{{', '.join(_WORDS[: columns * each])}}}"]
        for column in range(columns):
            lines += [f"{x.load} r6, [r1, #{(first + column) * x.size}]"] + (
                [f"{x.extend} r6, r6"] if x.extend else []
            )
            lines += _PRODUCTS[kind](_WORDS[column * each : (column + 1) * each])
    return lines


def _add(register: str, total: str) -> list[str]:
    return [f"muls {register}, r6", f"add {total}, {register}"]


def _bytes(words: Sequence[str]) -> list[str]:
    (w,) = words
    return [
        f"sxtb r7, {w}",
        *_add("r7", "r8"),
        f"sxth r7, {w}",
        *_add("r7", "r9"),
        f"asrs {w}, {w}, #16",
        f"sxtb r7, {w}",
        *_add("r7", "r10"),
        *_add(w, "r11"),
    ]


def _spread(words: Sequence[str]) -> list[str]:
    (w,) = words
    lines = []
    for total in _SUMS[:3]:
        lines += [f"sxtb r7, {w}", *_add("r7", total), f"asrs {w}, {w}, #8"]
    return [*lines, *_add(w, "r11")]


def _halves(words: Sequence[str]) -> list[str]:
    lines = []
    for k, w in enumerate(words):
        lines += [
            f"sxth r7, {w}",
            *_add("r7", _SUMS[2 * k]),
            f"asrs {w}, {w}, #16",
            *_add(w, _SUMS[2 * k + 1]),
        ]
    return lines


def _pairs(words: Sequence[str]) -> list[str]:
    return [line for w, total in zip(words, _SUMS, strict=True) for line in _add(w, total)]


_PRODUCTS: Mapping[str, Callable[[Sequence[str]], list[str]]] = {
    "bytes": _bytes,
    "spread": _spread,
    "halves": _halves,
    "pairs": _pairs,
}

# x, shift and high into r1, r6 and r7, out into r5
_RESTORE = ("add r1, sp, #0", "ldmia r1, {r1, r6, r7}")


def _end_of_four(out: Element, between: Sequence[str], shifts: Sequence[str]) -> list[str]:
    """Four sums to r2-r5, then shifted, clipped and stored by one pointer, which stays behind the last of
    them in r6.
    """
    lines = [f"mov {w}, {s}" for s, w in zip(_SUMS, _WORDS, strict=True)]
    return [
        *lines,
        *between,
        *_RESTORE,
        *shifts,
        "mov r6, lr",
        *_clipped(_WORDS, out, "r6"),
        f"adds r6, r6, #{4 * out.size}",
    ]


def _clipped(values: Sequence[str], out: Element, pointer: str, first: int = 0) -> list[str]:
    """Limit to [0, r7]: read as unsigned, a negative value is above any limit."""
    lines = []
    for k, v in enumerate(values):
        lines += [f"cmp {v}, r7", "bls 3f", f"asrs {v}, {v}, #31", f"mvns {v}, {v}", f"ands {v}, r7"]
        lines += ["3:", f"{out.store} {v}, [{pointer}, #{(first + k) * out.size}]"]
    return lines


def _end_of_bytes(out: Element) -> list[str]:
    """The joined sums are 256 times as large once the other row's is taken off: shifted by 8 more."""
    shifts = ["asrs r2, r6", "asrs r4, r6", "adds r6, r6, #8", "asrs r3, r6", "asrs r5, r6"]
    return _end_of_four(out, ["subs r3, r3, r2", "subs r5, r5, r4"], shifts)


def _end_of_rows(out: Element) -> list[str]:
    return _end_of_four(out, [], [f"asrs {w}, r6" for w in _WORDS])


def _end_of_pairs(out: Element) -> list[str]:
    """The lower sum is what its half says as a signed number; taking it off leaves the upper one."""
    lines = [*_RESTORE, "mov r4, r6", "adds r4, r4, #16", "mov r5, r6", "mov r6, lr"]
    for k, total in enumerate(_SUMS):
        lines += [
            f"mov r3, {total}",
            "sxth r2, r3",
            "subs r3, r3, r2",
            "asrs r2, r5",
            "asrs r3, r4",
            *_clipped(("r2", "r3"), out, "r6", 2 * k),
        ]
    return [*lines, f"adds r6, r6, #{8 * out.size}"]


_ENDS: Mapping[str, Callable[[Element], list[str]]] = {
    "bytes": _end_of_bytes,
    "spread": _end_of_rows,
    "halves": _end_of_rows,
    "pairs": _end_of_pairs,
}


def tree_walk(depth: int, x: Element, signed: bool, leaf_bytes: int) -> list[str]:
    """The sum over complete trees with leaves of one or two bytes, into operand 0, from operands 1 to 3:
    first tree, x, end of the trees.

    The comparison leaves its answer in the carry, which doubles into the node: r0 tree, r1 x, r2 node, r3
    word, r4 feature, r5 place, r6 sum.
    """
    load = {"ldrb": "ldrsb", "ldrh": "ldrsh", "ldr": "ldr"}[x.load] if x.extend else x.load
    # a threshold less the feature is negative where the feature is above it: the sign, doubled away, is the
    # carry
    decide = (
        ["asrs r3, r3, #16", "subs r3, r3, r4", "adds r3, r3, r3"]
        if signed
        else ["lsrs r3, r3, #16", "cmp r4, r3"]
    )
    step = ["uxtb r4, r3", f"{load} r4, [r1, r4]", *decide, "adcs r2, r2"]
    down = ["lsls r5, r2, #2", "ldr r3, [r0, r5]", *step]
    size = 4 * ((1 << depth) - 1) + (leaf_bytes << depth)
    leaf = (
        ["lsls r2, r2, #1", f"adds r2, r2, #{2 << depth}", "ldrsh r2, [r0, r2]"]
        if leaf_bytes == 2
        else [f"adds r2, r2, #{3 << depth}", "ldrsb r2, [r0, r2]"]
    )
    return [
        ".syntax unified",
        "push {r4-r6}",
        "mov r0, %1",
        "mov r1, %2",
        "mov r12, %3",
        "subs r0, r0, #4",
        "movs r3, #4",
        "rsbs r3, r3, #0",
        "add r12, r3",
        "movs r6, #0",
        "1:",
        "movs r2, #1",
        "ldr r3, [r0, #4]",
        *step,
        *(depth - 1) * down,
        *leaf,
        "adds r6, r6, r2",
        f"adds r0, r0, #{size}",
        "cmp r0, r12",
        "bne 1b",
        "mov r0, r6",
        "pop {r4-r6}",
        "mov %0, r0",
    ]
