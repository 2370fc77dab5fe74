"""What firmware projects include beside the C: fragments for CMake, Make and the linker, an example of use,
and what runs the vectors on a board. Texts only.
"""

from __future__ import annotations

from export.c.text import fill, template

_TEMPLATES = {
    ".cmake": "model.cmake",
    ".mk": "model.mk",
    ".ld": "model.ld",
    "_example.c": "example.c",
    "_board.c": "board.c",
}


def fragments(prefix: str) -> dict[str, str]:
    """Name and text of each: ``<prefix>.cmake``, ``<prefix>.mk``, ``<prefix>.ld``, ``<prefix>_example.c`` and
    ``<prefix>_board.c``, for ``<prefix>.c`` and ``<prefix>.h`` beside them.
    """
    gaps = {"prefix": prefix, "PREFIX": prefix.upper()}
    return {f"{prefix}{end}": fill(template(name), gaps) for end, name in _TEMPLATES.items()}
