"""The prefix that begins every C name of a model, and its file names."""

from __future__ import annotations

import re

from dataset.errors import InputError

_SHAPE = re.compile(r"[a-z][a-z0-9_]{0,30}")
# Words of C and C++, and the name of the bundle's own harness.
_RESERVED = """
alignas alignof and asm auto bool break case catch char class compl const constexpr continue decltype
default delete do double else enum explicit export extern false float for friend goto harness if inline
int long main mutable namespace new noexcept not nullptr operator or private protected public register
restrict return short signed sizeof static struct switch template this throw true try typedef typeid
typename union unsigned using virtual void volatile while xor
"""
_TAKEN = frozenset(_RESERVED.split())


def check_prefix(prefix: str) -> str:
    """``prefix`` when it can begin C identifiers and file names; InputError otherwise."""
    if not _SHAPE.fullmatch(prefix) or prefix in _TAKEN:
        raise InputError(
            "prefix",
            repr(prefix),
            "a lower-case C identifier of at most 31 letters, digits and _, that C and the bundle leave free",
            fields=("prefix",),
        )
    return prefix
