"""What firmware projects include beside the C: fragments for CMake, Make and the linker, and an example of
use. Texts only.
"""

from __future__ import annotations

from export.c.text import fill, template

_TEMPLATES = {".cmake": "model.cmake", ".mk": "model.mk", ".ld": "model.ld", "_example.c": "example.c"}


def fragments(prefix: str) -> dict[str, str]:
    """Name and text of each: ``<prefix>.cmake``, ``<prefix>.mk``, ``<prefix>.ld`` and
    ``<prefix>_example.c``, for ``<prefix>.c`` and ``<prefix>.h`` beside them.
    """
    gaps = {"prefix": prefix, "PREFIX": prefix.upper()}
    return {f"{prefix}{end}": fill(template(name), gaps) for end, name in _TEMPLATES.items()}
