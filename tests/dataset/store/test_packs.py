"""Frames in packs: the same in whatever packs they come, and bounded by what their document says."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from building import bench_store, make_frames
from dataset.blocks import Block, to_blocks
from dataset.documents import Document
from dataset.errors import InnageError
from dataset.readings_hashes import columns_content
from dataset.records import Frames
from dataset.store import Store
from dataset.store.exchange.packs import MAGIC, MOST_BYTES, from_packs, pack_name, pack_of, spans


def of_session(frames: Frames) -> Document:
    """What of a session's document says which frames it has."""
    return Document("session", "0" * 64, {"columns": columns_content(frames)})


def to_packs(blocks: Sequence[Block]) -> list[bytes]:
    lengths = [len(b.t_ms) + len(b.counts) + len(b.temperature_c or b"") for b in blocks]
    return [pack_of(blocks[span]) for span in spans(lengths)]


@pytest.mark.longer
@pytest.mark.parametrize("warm", [False, True])
def test_frames_come_back(warm: bool) -> None:
    """Value by value, from blocks of any length."""
    frames = make_frames(3, 1000, 3, warm)
    for block_frames in (1, 300, 5000):
        packs = to_packs(to_blocks(frames, block_frames))
        back = from_packs(of_session(frames), packs)
        assert columns_content(back) == columns_content(frames)
    assert len({pack_name(pack) for pack in packs}) == len(packs)


def test_packs_are_cut() -> None:
    """Noise in every bit fills several packs, none above the most."""
    rng = np.random.default_rng(1)
    n = 1 << 16
    counts = rng.integers(0, 1 << 32, (n, 40), dtype=np.uint64).astype(np.uint32)
    frames = Frames(np.cumsum(rng.integers(1, 1 << 40, n)), counts)
    packs = to_packs(to_blocks(frames, 4096))
    assert len(packs) > 1
    assert max(map(len, packs)) <= MOST_BYTES
    assert columns_content(from_packs(of_session(frames), packs)) == columns_content(frames)


def test_a_store_gives_them() -> None:
    """What a stored session travels as is what it was logged with."""
    with Store.in_memory() as store:
        frames = make_frames(1, 500, warm=True)
        (session,) = store.add_sessions([bench_store(store).session(1, frames=frames)])
        names = store.pack_names(session.sha256)
        packs = [store.pack(session.sha256, place) for place in range(len(names))]
        assert tuple(map(pack_name, packs)) == names
        assert columns_content(from_packs(of_session(frames), packs)) == columns_content(frames)


def heading(pack: bytes) -> tuple[Any, bytes]:
    length = int.from_bytes(pack[4:8], "little")
    return json.loads(pack[8 : 8 + length]), pack[8 + length :]


def headed(content: Any, columns: bytes) -> bytes:
    text = json.dumps(content).encode()
    return MAGIC + len(text).to_bytes(4, "little") + text + columns


def test_packs_that_cannot_be() -> None:
    """Cut, longer, of another format, with numbers that lie about what is in them: each is refused before
    more is unpacked than the document says.
    """
    frames = make_frames(1, 200, warm=True)
    document = of_session(frames)
    (pack,) = to_packs(to_blocks(frames))
    content, columns = heading(pack)
    ((format_, n, *lengths),) = content["blocks"]

    def numbers(*block: Any) -> bytes:
        return headed({"format": 1, "blocks": [block]}, columns)

    lies: list[tuple[list[bytes], str]] = [
        ([], "0 frames"),
        ([pack, pack], "400 frames"),
        ([b"XXXX" + pack[4:]], "no pack"),
        ([pack[:-1]], f"{len(pack)}, as its heading"),
        ([pack + b"x"], f"{len(pack)}, as its heading"),
        ([pack + bytes(MOST_BYTES)], "no pack"),
        ([MAGIC + (1 << 31).to_bytes(4, "little") + pack[8:]], "no pack"),
        ([headed({"format": 2, "blocks": content["blocks"]}, columns)], "another format"),
        ([headed([], columns)], "not as innage writes it"),
        ([numbers(format_, 1 << 40, *lengths)], "frames; expected 200"),
        ([numbers(format_, -200, *lengths)], "cannot be"),
        ([numbers(format_, str(n), *lengths)], "cannot be"),
        ([numbers(format_, n, lengths[0], sum(lengths[1:]), 0)], "temperatures in some blocks"),
        ([numbers(99, n, *lengths)], "format"),
        ([numbers(format_, n, lengths[0] - 1, lengths[1] + 1, lengths[2])], "damaged"),
    ]
    for packs, sentence in lies:
        with pytest.raises(InnageError) as refused:
            from_packs(document, packs)
        assert sentence in str(refused.value), (sentence, refused.value)
    columns_ = [column | {"rows": 1 << 40} for column in document.facts["columns"]]
    with pytest.raises(InnageError, match="not as innage writes it"):
        from_packs(replace(document, facts={"columns": columns_}), [pack])
