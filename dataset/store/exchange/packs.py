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
from dataset.blocks_hasher import hashes_of
from dataset.canonical_text import canonical_json
from dataset.documents import Document
from dataset.errors import InputError, StoreError
from dataset.exchange.reading import as_written, shape_of
from dataset.long_frames import WINDOW, LongFrames, Stowed
from dataset.records import ID_DIGITS, Recording

MAGIC = b"INFP"
FORMAT = 1
MOST_BYTES = 8 << 20
_MOST_HEADING = 1 << 16  # bytes; a block takes some thirty
_BESIDE = 64  # bytes that are reckoned for a block's numbers


def spans(lengths: Iterable[int]) -> Iterator[slice]:
    """Which blocks go into each pack, by the bytes of each block's columns; as many as go in."""
    start, size, place = 0, 0, -1
    for place, length in enumerate(lengths):
        if place > start and size + length + _BESIDE > MOST_BYTES - _MOST_HEADING:
            yield slice(start, place)
            start, size = place, 0
        size += length + _BESIDE
    if place >= start:
        yield slice(start, place + 1)


def pack_of(blocks: Sequence[Block]) -> bytes:
    """These blocks as one pack."""
    heading = canonical_json(
        {
            "format": FORMAT,
            "blocks": [[block.format, block.frames, *map(len, _columns(block))] for block in blocks],
        }
    ).encode()
    columns = b"".join(column for block in blocks for column in _columns(block))
    return MAGIC + len(heading).to_bytes(4, "little") + heading + columns


def from_packs(document: Document, packs: Iterable[bytes]) -> Recording:
    """The frames that packs hold, of the session of a document, packed where they are many. What it says
    bounds what is unpacked; whether they are the right ones, :func:`dataset.documents.session_from` tells.

    Raises:
        InputError: packs that cannot be, or with more or fewer frames than the document says, or damaged.
    """
    where = f"frames of session {document.name[:ID_DIGITS]}"
    with as_written(where):
        rows, channels, warm = shape_of(document)
        read = _of_session(where, packs, rows, warm)
        blocks = list(read) if rows <= WINDOW else Stowed(read)
    try:
        if rows <= WINDOW:
            return from_blocks(blocks, channels, where)
        return LongFrames(blocks, channels, hashes_of(blocks, channels, where), where)
    except StoreError as error:  # it is none of a store's yet
        raise InputError(error.where, error.found, error.expected) from error


def _of_session(where: str, packs: Iterable[bytes], rows: int, warm: bool) -> Iterator[Block]:
    """The blocks in packs, which are to hold so many frames."""
    held = 0
    for block in (block for pack in packs for block in _blocks(where, pack)):
        held += block.frames
        if (block.temperature_c is not None) != warm:
            raise InputError(where, "temperatures in some blocks only", "those that its document says")
        if held <= rows:
            yield block
    if held != rows:
        raise InputError(
            where, f"{held} frames", f"{rows}, as its document says", "send the packs that are missing"
        )


def pack_name(pack: bytes) -> str:
    """The hash that a pack is known by."""
    return hashlib.sha256(pack).hexdigest()


def _columns(block: Block) -> tuple[bytes, bytes, bytes]:
    return block.t_ms, block.counts, block.temperature_c or b""


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
