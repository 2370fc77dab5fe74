"""The canonical text that hashes are taken of: JSON with sorted keys, no spaces and no NaN, so that equal
content gives equal text.

A session says much that thousands of others say too, and to make the same text again would take most of the
time that its hash takes: texts of parts are put together here, and those of shared records kept.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from math import isfinite
from typing import Any, TypeVar

T = TypeVar("T")
_ENCODER = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
_MOST_TEXTS = 1024
_texts: dict[int, tuple[object, str]] = {}  # by identity: equal records may say 100 and 100.0


def canonical_json(content: Any) -> str:
    """Sorted keys, no spaces, no NaN: equal content gives equal text."""
    return _ENCODER.encode(content)


def sha256(content: Any) -> str:
    """SHA-256 of the canonical JSON, in hex."""
    return hashlib.sha256(canonical_json(content).encode()).hexdigest()


def sha256_with(facts: Mapping[str, object], texts: Mapping[str, str]) -> str:
    """SHA-256 of :func:`object_text`."""
    return text_sha256(object_text(facts, texts))


def object_text(facts: Mapping[str, object], texts: Mapping[str, str]) -> str:
    """The canonical JSON of an object of ``facts``, and of what is canonical JSON already: a session says
    much that thousands of others say too, and making the same text again would take most of its time.
    """
    parts = dict(texts)
    parts.update((key, "null" if fact is None else canonical_json(fact)) for key, fact in facts.items())
    entries = [f'"{key}":{parts[key]}' for key in sorted(parts)]
    return f"{{{','.join(entries)}}}"


def list_text(texts: Sequence[str]) -> str:
    """The canonical JSON of a list of what is canonical JSON already."""
    return f"[{','.join(texts)}]"


def text_sha256(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def bytes_sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def text_of(record: T, content: Callable[[T], object]) -> str:
    """The canonical JSON of a record's content, made once for all that refers to the same record."""
    known = _texts.get(id(record))
    if known is not None and known[0] is record:
        return known[1]
    if len(_texts) >= _MOST_TEXTS:
        _texts.clear()
    text = canonical_json(content(record))
    _texts[id(record)] = record, text
    return text


def number_text(value: float | None) -> str:
    """The canonical JSON of what :func:`real` gives."""
    if value is None:
        return "null"
    real = float(value) + 0.0
    if not isfinite(real):
        raise ValueError(f"{real} is no number of JSON")
    return repr(real)


def real(value: float | None) -> float | None:
    """100 and 100.0, 0.0 and -0.0 are one value."""
    return None if value is None else float(value) + 0.0
