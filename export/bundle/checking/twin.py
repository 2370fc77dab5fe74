"""The check of a bundle's C by its checking twin."""

from __future__ import annotations

from export.bundle.checks import Bundle, Failed, equal
from export.compilers.twin import build_together, ranges_held


def on_twin(bundle: Bundle) -> str:
    """With every operation and every stated range checked, the C runs through all vectors and gives the
    expected numbers.
    """
    vectors, source = bundle.vectors, bundle.source
    stated, held = ranges_held(source)
    if stated != held:
        raise Failed(f"the C states {stated} ranges in its comments, of which {held} can be checked")
    readings, state = build_together([source]).run(source.prefix, vectors)
    equal(bundle.program, vectors, "the checked C", readings, state)
    same = f"{len(vectors)} vectors equal, readings and state"
    return f"{same}; no operation left int32, {held} stated ranges held"
