"""A store as open files and back: the same bytes, and every file held against its hash."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as arrow
import pytest
from pyarrow import parquet

from building import bench_store, make_frames
from dataset.errors import InputError
from dataset.exchange.frames_table import from_parquet, to_parquet
from dataset.exchange.open_files import HASH, INDEX, MOST_BESIDE, MOST_DOCUMENT, OpenFiles, files_of
from dataset.readings_hashes import columns_content
from dataset.records import Frames
from dataset.store import Store

NORTH = "a" * 32


@pytest.fixture(scope="module")
def files(full: Path) -> dict[str, bytes]:
    """The open files of a store with objects of every kind."""
    with Store.open(full) as store:
        return dict(files_of(store, NORTH))


def written(files: dict[str, bytes], folder: Path) -> Path:
    for name, content in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(content)
    return folder


@pytest.mark.longer
def test_there_and_back_and_there_again(files: dict[str, bytes], tmp_path: Path) -> None:
    """The store that took the files gives the same files, byte for byte; again nothing is new."""
    source = OpenFiles(written(files, tmp_path / "out"))
    with Store.open(tmp_path / "new.db", bench=source.own_bench) as store:
        assert store.accept(source).held == ()
        assert dict(files_of(store, NORTH)) == files
        assert store.accept(source).new == 0


def test_others_can_read_them(files: dict[str, bytes], tmp_path: Path) -> None:
    """By the standard library and Arrow alone: the index tells the files and their hashes, documents are
    JSON, frames are columns of numbers.
    """
    folder = written(files, tmp_path)
    kept, name = (folder / HASH).read_text().split()
    assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == kept
    index = json.loads((folder / INDEX).read_text())
    hashes = {path: digest for one in index["objects"] for path, digest in one["files"].items()}
    assert hashes.keys() | {INDEX, HASH} == files.keys()
    for path, digest in hashes.items():
        assert hashlib.sha256((folder / path).read_bytes()).hexdigest() == digest
    tables = [parquet.read_table(folder / path) for path in hashes if path.endswith(".parquet")]
    assert sorted(table.column_names for table in tables) == [
        ["t_ms", "c0", "c1"],
        ["t_ms", "c0", "c1"],
        ["t_ms", "c0", "c1", "temperature_c"],
    ]
    (warm,) = (table for table in tables if "temperature_c" in table.column_names)
    expected = make_frames(1, 60, warm=True)  # what the store was given
    assert warm.column("c1").to_pylist() == expected.counts[:, 1].tolist()
    assert expected.temperature_c is not None
    np.testing.assert_array_equal(warm.column("temperature_c").to_numpy(), expected.temperature_c)


def again(folder: Path, change: Callable[[Any], object]) -> None:
    """Change the index, and its hash with it."""
    content = json.loads((folder / INDEX).read_text())
    change(content)
    text = json.dumps(content).encode()
    (folder / INDEX).write_bytes(text)
    (folder / HASH).write_text(f"{hashlib.sha256(text).hexdigest()}  {INDEX}\n")


def one_of(folder: Path, pattern: str) -> Path:
    return sorted(folder.glob(pattern))[0]


def flip(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)


def first(content: Any, kind: str) -> Any:
    return next(one for one in content["objects"] if one["kind"] == kind)


def moved(content: Any) -> None:
    """A document out of the folder, by an index that says so."""
    tank = first(content, "tank")
    tank["files"] = {"../../etc/passwd": next(iter(tank["files"].values()))}


def other_parquet(folder: Path, frames: Frames) -> None:
    """Other frames than the document says, with an index that fits."""
    path = one_of(folder, "frames/*.parquet")
    path.write_bytes(to_parquet(frames))
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    name = path.relative_to(folder).as_posix()

    def change(content: Any) -> None:
        next(one for one in content["objects"] if name in one["files"])["files"][name] = digest

    again(folder, change)


def longer(path: Path, size: int) -> None:
    with path.open("r+b") as file:
        file.truncate(size)


def linked(path: Path) -> None:
    path.symlink_to(path.rename(path.with_name("elsewhere")))


def piped(path: Path) -> None:
    path.unlink()
    os.mkfifo(path)


FAULTS: dict[str, tuple[Callable[[Path], object], str]] = {
    "a byte of a document": (lambda f: flip(one_of(f, "documents/session/*")), "was changed"),
    "a byte of frames": (lambda f: flip(one_of(f, "frames/*")), "was changed"),
    "a byte of a model": (lambda f: flip(one_of(f, "models/*.onnx")), "was changed"),
    "a byte of the index": (lambda f: flip(f / INDEX), "was changed"),
    "no document": (lambda f: one_of(f, "documents/tank/*").unlink(), "is missing"),
    "no frames": (lambda f: one_of(f, "frames/*").unlink(), "is missing"),
    "no index": (lambda f: (f / INDEX).unlink(), "is missing"),
    "no hash": (lambda f: (f / HASH).unlink(), "is missing"),
    "an empty hash": (lambda f: (f / HASH).write_text(""), "not as innage writes it"),
    "a path that climbs": (lambda f: again(f, moved), "'../../etc/passwd'"),
    "a key that climbs": (
        lambda f: again(f, lambda c: first(c, "tank").update(key="../x")),
        "64 hexadecimal",
    ),
    "a kind of its own": (lambda f: again(f, lambda c: first(c, "tank").update(kind="pump")), "'pump'"),
    "no hash of a file": (
        lambda f: again(
            f, lambda c: first(c, "tank").update(files=dict.fromkeys(first(c, "tank")["files"], "0"))
        ),
        "64 hexadecimal digits a file",
    ),
    "another fact": (lambda f: again(f, lambda c: first(c, "tank").update(more=1)), "with other facts"),
    "another format": (lambda f: again(f, lambda c: c.update(format=2)), "format 2"),
    "no objects": (lambda f: again(f, lambda c: c.pop("objects")), "not as innage writes it"),
    "no object": (lambda f: again(f, lambda c: c["objects"].append(7)), "not as innage writes it"),
    "a huge document": (lambda f: longer(one_of(f, "documents/tank/*"), MOST_DOCUMENT + 1), "at most 64 MiB"),
    "huge frames": (lambda f: longer(one_of(f, "frames/*"), MOST_BESIDE + 1), "at most 1024 MiB"),
    "a link": (lambda f: linked(one_of(f, "documents/tank/*")), "is no plain file"),
    "a pipe": (lambda f: piped(one_of(f, "documents/tank/*")), "is no plain file"),
    "more frames": (lambda f: other_parquet(f, make_frames(99, 5000)), "5000 rows"),
    "more channels": (lambda f: other_parquet(f, make_frames(99, 40, 3)), "other columns"),
}


@pytest.mark.longer
@pytest.mark.parametrize("fault", FAULTS)
def test_what_is_wrong_with_a_folder(files: dict[str, bytes], fault: str, tmp_path: Path) -> None:
    """One sentence that names the file, and the store is as it was."""
    folder = written(files, tmp_path / "out")
    change, sentence = FAULTS[fault]
    change(folder)
    with Store.in_memory() as store:
        before = store.objects()
        with pytest.raises(InputError) as refused:
            store.accept(OpenFiles(folder))
        assert sentence in str(refused.value)
        assert str(folder) in str(refused.value)
        assert store.objects() == before


def test_other_frames_are_held_back(files: dict[str, bytes], tmp_path: Path) -> None:
    """Frames as many as the document says, but others, with an index that fits: the session stays out."""
    folder = written(files, tmp_path / "out")
    path = one_of(folder, "frames/*.parquet")
    there = parquet.read_table(path)
    other_parquet(folder, make_frames(99, len(there), warm="temperature_c" in there.column_names))
    with Store.in_memory() as store:
        held = store.accept(OpenFiles(folder)).held
        assert (held[0].kind, held[0].key) == ("session", path.stem)
        assert "other columns" in str(held[0].error)
        assert path.stem not in {session.sha256 for session in store.sessions()}


def test_frames_through_parquet() -> None:
    """Every value comes back, the ends of the ranges among them."""
    edges = np.array([[0, (1 << 32) - 1], [1, 0], [7, 8]], np.uint32)
    warm = np.array([np.nan, -0.0, 1e300])
    frames = Frames(np.array([-5, 0, 1 << 60], np.int64), edges, warm)
    content = to_parquet(frames)
    assert to_parquet(frames) == content
    back = from_parquet("here", content, 3, 2, True)
    assert columns_content(back) == columns_content(frames)
    assert back.temperature_c is not None
    np.testing.assert_array_equal(back.temperature_c, warm)
    np.testing.assert_array_equal(np.signbit(back.temperature_c), np.signbit(warm))


def test_parquet_that_does_not_fit() -> None:
    """Other rows, columns, types, empty cells, and what is no Parquet: one sentence each."""
    content = to_parquet(make_frames(1, 5))
    sink = arrow.BufferOutputStream()
    parquet.write_table(
        arrow.table({"t_ms": arrow.array([1, None]), "c0": arrow.array([1, 2], arrow.uint32())}), sink
    )
    for bytes_, rows, channels, warm, sentence in (
        (content, 6, 2, False, "5 rows"),
        (content, 5, 3, False, "other columns"),
        (content, 5, 2, True, "other columns"),
        (content[:-9], 5, 2, False, "no Parquet"),
        (b"", 5, 2, False, "no Parquet"),
        (bytes(sink.getvalue()), 2, 1, False, "without empty cells"),
    ):
        with pytest.raises(InputError, match=sentence):
            from_parquet("here", bytes_, rows, channels, warm)


def test_a_session_of_another_store_comes_alone(tmp_path: Path) -> None:
    """Files of a store go into one that has something else already."""
    with Store.open(tmp_path / "one.db", bench=NORTH) as one:
        one.add_sessions([bench_store(one).session(1)])
        folder = written(dict(files_of(one, NORTH)), tmp_path / "out")
    with Store.open(tmp_path / "other.db", bench="b" * 32) as other:
        other.add_sessions([bench_store(other).session(2)])
        assert {taken.kind: taken.new for taken in other.accept(OpenFiles(folder)).taken if taken.new} == {
            "bench": 1,
            "unit": 1,
            "session": 1,
            "unit assignment": 1,
        }
