"""The frames of a session on their way: packs of at most 8 MiB, each known by the hash of its bytes, so that
a cut is taken up again at the last whole one.

A pack holds consecutive blocks as a store keeps them (:mod:`dataset.blocks`): the four bytes ``INFP``,
the length of the heading (4 bytes, little-endian), the heading as canonical JSON, and the bytes of all
columns one after the other. The heading says of each block its format, its frames, and the lengths of its
columns; 0 for temperatures that were not measured.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Sequence

from dataset.blocks import Block, from_blocks
from dataset.canonical_text import canonical_json
from dataset.documents import Document
from dataset.errors import InputError, StoreError
from dataset.exchange.reading import as_written, shape_of
from dataset.records import ID_DIGITS, Frames

MAGIC = b"INFP"
FORMAT = 1
MOST_BYTES = 8 << 20
_MOST_HEADING = 1 << 16  # bytes; a block takes some thirty


def to_packs(blocks: Iterable[Block]) -> Iterator[bytes]:
    """The packs of a session's blocks, in order; as many blocks to a pack as go in."""
    held: list[Block] = []
    size = 0
    for block in blocks:
        length = sum(map(len, _columns(block))) + 64
        if held and size + length > MOST_BYTES - _MOST_HEADING:
            yield _pack(held)
            held, size = [], 0
        held.append(block)
        size += length
    if held:
        yield _pack(held)


def from_packs(document: Document, packs: Sequence[bytes]) -> Frames:
    """The frames that packs hold, of the session of a document. What it says bounds what is unpacked; whether
    they are the right ones, :func:`dataset.documents.session_from` tells.

    Raises:
        InputError: packs that cannot be, or with more or fewer frames than the document says, or damaged.
    """
    where = f"frames of session {document.name[:ID_DIGITS]}"
    with as_written(where):
        rows, channels, warm = shape_of(document)
        blocks = [block for pack in packs for block in _blocks(where, pack)]
    if sum(block.frames for block in blocks) != rows:
        found = f"{sum(block.frames for block in blocks)} frames"
        raise InputError(where, found, f"{rows}, as its document says", "send the packs that are missing")
    if any((block.temperature_c is not None) != warm for block in blocks):
        raise InputError(where, "temperatures in some blocks only", "those that its document says")
    try:
        return from_blocks(blocks, channels, where)
    except StoreError as error:  # it is none of a store's yet
        raise InputError(error.where, error.found, error.expected) from error


def pack_name(pack: bytes) -> str:
    """The hash that a pack is known by."""
    return hashlib.sha256(pack).hexdigest()


def _columns(block: Block) -> tuple[bytes, bytes, bytes]:
    return block.t_ms, block.counts, block.temperature_c or b""


def _pack(blocks: Sequence[Block]) -> bytes:
    heading = canonical_json(
        {
            "format": FORMAT,
            "blocks": [[block.format, block.frames, *map(len, _columns(block))] for block in blocks],
        }
    ).encode()
    columns = b"".join(column for block in blocks for column in _columns(block))
    return MAGIC + len(heading).to_bytes(4, "little") + heading + columns


def _blocks(where: str, pack: bytes) -> list[Block]:
    """The blocks of a pack, nothing of them unpacked yet."""
    length = int.from_bytes(pack[4:8], "little")
    if len(pack) > MOST_BYTES or pack[:4] != MAGIC or length > _MOST_HEADING:
        raise InputError(where, "no pack of frames", f"one of at most {MOST_BYTES >> 20} MiB")
    heading = json.loads(pack[8 : 8 + length])
    if heading.keys() != {"format", "blocks"} or heading["format"] != FORMAT:
        raise InputError(where, "a pack of another format", f"format {FORMAT}")
    blocks: list[Block] = []
    at = 8 + length
    for format_, frames, *lengths in heading["blocks"]:
        if not all(type(n) is int and n >= 0 for n in (format_, frames, *lengths)) or frames < 1:
            raise InputError(where, "a pack with numbers that cannot be", "whole numbers")
        t_ms, counts, warm = (_cut(pack, at + sum(lengths[:k]), n) for k, n in enumerate(lengths))
        at += sum(lengths)
        blocks.append(Block(frames, t_ms, counts, warm or None, format_))
    if at != len(pack):
        raise InputError(where, f"a pack of {len(pack)} bytes", f"{at}, as its heading says")
    return blocks


def _cut(pack: bytes, at: int, length: int) -> bytes:
    return pack[at : at + length]
