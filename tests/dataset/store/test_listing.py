"""What lists read straight from the file is what the store says."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from building import put
from dataset.records import Amendment, GroupBy, Mark, Role, newest_amendment
from dataset.store import Store
from dataset.store.listing import names, session_lines

OLD = Path(__file__).parents[2] / "data" / "stores" / "0003_simulated.db"


@pytest.fixture
def filled(new_store: Store, register: Callable[[Store], Any]) -> Store:
    """Three sessions, one void, one with its marks amended twice; a tank of two revisions; a frozen set."""
    bench = register(new_store)
    put(new_store, replace(bench.tank, span_mm=120.0))
    one, two, _ = new_store.add_sessions([bench.session(1), bench.session(2, ()), bench.session(3)])
    new_store.void(one.id, "the scale was not tared")
    for stop in (5, 8):
        new_store.amend_marks(two.id, [Mark(0, stop, 16.0, 0.5)], "A. Tester", "the marks were read off late")
    new_store.freeze("set", new_store.sessions()[2:], GroupBy.LEVEL, {"15": Role.FIT, "25": Role.PROVE})
    return new_store


def test_session_lines_are_those_of_the_store(filled: Store) -> None:
    """Each column, with amended marks and a void session among them."""
    found = session_lines(filled.path)
    assert found is not None
    assert [
        (
            s.id,
            s.unit.name,
            s.liquid.name,
            s.mounting.name,
            s.frames,
            sum(m.stop - m.start for m in s.marks),
            len(s.warnings),
            s.source.file,
            s.void_reason,
        )
        for s in filled.sessions()
    ] == [
        (x.id, x.unit, x.liquid, x.mounting, x.frames, x.labelled, x.warnings, x.file, x.void_reason)
        for x in found
    ]
    assert [x.labelled for x in found] == [28, 8, 28]
    assert not any(x.simulated for x in found)


def test_names_are_those_of_the_store(filled: Store) -> None:
    """Every kind has its query; names with revisions come once."""
    for what, expected in {
        "tank": ("canister",),
        "sensor": ("strip",),
        "mounting": ("m1",),
        "unit": ("unit1",),
        "liquid": ("water",),
        "frozen": ("set",),
        "model": (),
        "budget": (),
        "limits": (),
        "mapping": (),
        "capture": (),
        "session": tuple(s.id for s in filled.sessions()),
    }.items():
        assert names(filled.path, what) == expected


def test_what_is_no_newest_store_is_left_to_the_store(filled: Store, tmp_path: Path) -> None:
    """None for no file, a text, an older revision, a broken file; and no file is made or changed
    by asking.
    """
    text, old, broken = tmp_path / "text", tmp_path / "old.db", tmp_path / "broken.db"
    text.write_text("not a store")
    shutil.copy(OLD, old)
    content = bytearray(filled.path.read_bytes())
    content[4096:] = bytes(len(content) - 4096)
    broken.write_bytes(content)
    before = sorted((path.name, path.stat().st_size) for path in tmp_path.iterdir())
    for path in (tmp_path / "none.db", tmp_path, text, old, broken):
        assert names(path, "tank") is None
        assert session_lines(path) is None
    assert sorted((path.name, path.stat().st_size) for path in tmp_path.iterdir()) == before


def test_the_newest_amendment_ends_the_longest_chain() -> None:
    """Two amendments of the sealed marks, one amended again: that one; of two as long, the greater hash."""
    a, b, c = Amendment("a", None), Amendment("b", None), Amendment("0", "a")
    assert newest_amendment([a, b, c]) == newest_amendment([b, a, c]) == "0"
    assert newest_amendment([a, b]) == newest_amendment([b, a]) == "b"


def test_listing_loads_no_mapper_and_no_arrays() -> None:
    code = "import sys, dataset.store.listing; print('sqlalchemy' in sys.modules, 'numpy' in sys.modules)"
    assert (
        subprocess.run(
            [sys.executable, "-P", "-c", code], capture_output=True, text=True, check=True, timeout=60
        ).stdout
        == "False False\n"
    )
