"""What firmware projects include beside the C: fragments for CMake, Make and the linker, an example of use,
and what runs the vectors on a board. Texts only.
"""

from __future__ import annotations

from collections.abc import Mapping

from export.c.text import fill, template

_TEMPLATES = {
    ".cmake": "model.cmake",
    ".mk": "model.mk",
    ".ld": "model.ld",
    "_example.c": "example.c",
    "_board.c": "board.c",
}

# How the C is to be compiled, by compiler and by what for; measured so, and passed on so. Loops that clear or
# copy stay loops, or a C library would be linked for them. gcc's -Os takes up to half as many cycles again as
# clang's; its -O2 takes fewer, at most 5 % more, for some 5 % of flash.
SIZE, SPEED = "size", "speed"
SHARED_FLAGS = (
    "-ffunction-sections",
    "-fdata-sections",
    "-fomit-frame-pointer",
    "-fno-unwind-tables",
    "-fno-asynchronous-unwind-tables",
)
CLANG_FLAGS: Mapping[str, tuple[str, ...]] = {
    SIZE: ("-Os", "-ffreestanding"),
    SPEED: ("-O2", "-ffreestanding"),
}
GCC_FLAGS: Mapping[str, tuple[str, ...]] = dict.fromkeys(
    (SIZE, SPEED), ("-O2", "-fno-reorder-blocks", "-fno-tree-loop-distribute-patterns")
)


def fragments(prefix: str, optimise: str = SIZE) -> dict[str, str]:
    """Name and text of each: ``<prefix>.cmake``, ``<prefix>.mk``, ``<prefix>.ld``, ``<prefix>_example.c`` and
    ``<prefix>_board.c``, for ``<prefix>.c`` and ``<prefix>.h`` beside them, compiled for size or for speed.
    """
    gaps = {"prefix": prefix, "PREFIX": prefix.upper(), "shared_flags": " ".join(SHARED_FLAGS)}
    gaps |= {"clang_flags": " ".join(CLANG_FLAGS[optimise]), "gcc_flags": " ".join(GCC_FLAGS[optimise])}
    return {f"{prefix}{end}": fill(template(name), gaps) for end, name in _TEMPLATES.items()}
