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

# What stands in them for a step that takes the seconds since the last pour, and is left out for any other.
_TOLD = {
    "since_pour": " int32_t since_pour,",
    "pour": " since_pour,",
    "pour_bytes": " + 4U",
    "minus_pour": " - 4U",
    "pour_on_the_line": ", 4 since_pour",
    "spare_pour": "    (void)since_pour;\n",
    "take_pour": "    const int32_t since_pour = (int32_t)number_at(counts_end + 6U, 4U);\n",
    "poured": " seconds_since_pour(),",
    "pour_of_the_board": (
        "static int32_t seconds_since_pour(void); "
        "/* by a clock that the inlet sets to 0 and nothing stops */\n"
    ),
    "pour_in_place": """
static int32_t seconds_since_pour(void)
{
    return @PREFIX@_NO_POUR;
}
""",
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


def fragments(prefix: str, optimise: str = SIZE, *, told: bool = False) -> dict[str, str]:
    """Name and text of each: ``<prefix>.cmake``, ``<prefix>.mk``, ``<prefix>.ld``, ``<prefix>_example.c`` and
    ``<prefix>_board.c``, for ``<prefix>.c`` and ``<prefix>.h`` beside them, compiled for size or for speed.
    ``told``: their step takes the seconds since the last pour.
    """
    gaps = {"prefix": prefix, "PREFIX": prefix.upper(), "shared_flags": " ".join(SHARED_FLAGS)}
    gaps |= {name: fill(text, gaps) if told else "" for name, text in _TOLD.items()}
    gaps |= {"clang_flags": " ".join(CLANG_FLAGS[optimise]), "gcc_flags": " ".join(GCC_FLAGS[optimise])}
    return {f"{prefix}{end}": fill(template(name), gaps) for end, name in _TEMPLATES.items()}
