"""Registry, limits and marks as text: what is written reads back to an equal store, and a changed file is
refused.
"""

from __future__ import annotations

import csv
import io
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from building import Bench, put
from dataset.errors import InputError
from dataset.records import (
    Budget,
    ColumnMapping,
    LevelUnit,
    Limit,
    Limits,
    Liquid,
    Mark,
    Mounting,
    Pad,
    PadRole,
    Tank,
    TimeUnit,
    Unit,
)
from dataset.store import Store
from dataset.tanks.profile import Profile, to_json
from dataset.tanks.shapes import Box
from dataset.text.read import read_csv
from dataset.text.write import guarded, unguarded, write_csv

ODD = '=1+1 "quoted", back\\slash, Füllstand\nsecond line'


@pytest.fixture(scope="module")
def filled(
    template: Path, tmp_path_factory: pytest.TempPathFactory, register: Callable[[Store], Bench]
) -> Path:
    """Every kind of record, with every optional fact and with none; sessions with amended marks, one on both
    benches at once.
    """
    new_store = Store.open(shutil.copy(template, tmp_path_factory.mktemp("filled") / "filled.db"))
    bench = register(new_store)
    box = to_json(Profile((Box(100.0, 50.0, 110.0),)))
    pads = (
        Pad(0, "p", 0.0, 50.0, 8.0, 1e5),
        Pad(1, "p", 0.0, 50.0, 8.0, 1.5e6),
        Pad(2, "ref", 60.0, 0.1 + 0.2, role=PadRole.REFERENCE),
    )
    tank, sensor, *_ = put(
        new_store,
        Tank("canister", 0, 100.0, "PP", 2.0, 3.5, 95.0, ODD, box, 5.0, 1e-4, 20.0),
        replace(bench.sensor, pads=pads, note="'apostrophe"),
        Liquid("brine", 75.0, 5.5, 1025.0, 20.0, "+salt", "water", "-made up"),
        Unit("unit2", "=cmd"),
    )
    put(new_store, Mounting("m2", tank, sensor, -1.5, 0.25, "@note"))
    new_store.add_budget(Budget("small", "cortex-m0plus", 32, 2000, 64, 200, 2000, 1, 48_000_000, 100, ODD))
    new_store.add_limits(
        Limits(
            "owner", 0, (Limit("rmse_mm", 0.1 + 0.2), Limit("p95_pct_span", 2.0, "foam", 0.9, 9, 1.5)), ODD
        )
    )
    new_store.add_limits(Limits("owner", 0, (Limit("rmse_mm", 1e-7),), signer="A. Owner"))
    new_store.add_mapping(
        ColumnMapping(
            "tab", ("a", "b"), "t", TimeUnit.SECONDS, "l", LevelUnit.CENTIMETRES, 0.5, "w", "\t", False
        )
    )
    new_store.add_mapping(ColumnMapping("plain", ("=a", "-b")))
    sessions = new_store.add_sessions(
        [
            bench.session(1),
            bench.session(2, (Mark(0, 10, 1.0, 0.5, 0.25, 5.0, "=method"), Mark(12, 30, 25.0, method=""))),
            bench.session(3, ()),
        ]
    )
    new_store.amend_marks(sessions[0].id, (Mark(0, 10, 16.0, method="-level"),), "=A. Bench", ODD)
    new_store.amend_marks(sessions[0].id, (), "A. Bench", "no marks at all")
    new_store.amend_marks(sessions[0].id, (Mark(3, 4, 1 / 3),), "A. Bench", "a third")
    new_store.amend_marks(sessions[2].id, (Mark(0, 40, 50.0),), "B. Bench", "a first mark")
    new_store.void(sessions[1].id, "=void")
    new_store.close()
    return new_store.path


@pytest.fixture
def store(filled: Path, tmp_path: Path) -> Store:
    return Store.open(shutil.copy(filled, tmp_path / "store.db"))


@pytest.fixture(scope="module")
def texts(filled: Path) -> dict[str, str]:
    with Store.open(filled) as opened:
        return opened.to_text()


@pytest.fixture
def blank(template: Path, tmp_path: Path) -> Store:
    return Store.open(shutil.copy(template, tmp_path / "blank.db"))


def registry(store: Store) -> tuple[object, ...]:
    return (
        store.tanks(),
        store.liquids(),
        store.sensors(),
        store.mountings(),
        store.units(),
        store.budgets(),
        store.all_limits(),
        store.mappings(),
    )


@pytest.mark.longer
def test_the_registry_reads_back_equal(store: Store, blank: Store) -> None:
    """Every record and revision, every fact; a second time nothing is new, and the files are the
    same again.
    """
    files = store.to_text()
    report = blank.from_text(files)
    assert registry(blank) == registry(store)
    assert len(report.elsewhere) == 3
    assert blank.from_text(files).merged.new == 0
    again = blank.to_text()
    assert {name: text for name, text in files.items() if name.endswith(".toml")} == {
        name: text for name, text in again.items() if name.endswith(".toml")
    }


def test_marks_read_back_to_the_sessions_that_are_there(
    store: Store, tmp_path: Path, template: Path, register: Callable[[Store], Bench]
) -> None:
    """A store with the same sessions, sealed alike and never amended, has all revisions afterwards, and
    writes the same files.
    """
    with Store.open(shutil.copy(template, tmp_path / "other.db")) as other:
        bench = register(other)
        first, third = other.add_sessions([bench.session(1), bench.session(3, ())])
        files = store.to_text()
        report = other.from_text(files)
        assert [len(other.mark_revisions(s.id)) for s in (first, third)] == [3, 1]
        assert other.session(first.id).marks == store.session(first.id).marks == (Mark(3, 4, 1 / 3),)
        assert report.elsewhere == (store.sessions()[1].id,)
        mine = other.to_text()
        assert all(mine[f"marks/{s.id}.csv"] == files[f"marks/{s.id}.csv"] for s in (first, third))


def test_a_change_is_a_line(store: Store) -> None:
    """One more mark revision adds lines and changes none; another limit of a new revision is a table of its
    own.
    """
    before = store.to_text()
    store.add_limits(Limits("owner", 0, (Limit("rmse_mm", 2.0),)))
    store.amend_marks(store.sessions()[2].id, (Mark(0, 39, 50.0),), "B. Bench", "one frame less")
    after = store.to_text()
    changed = {name for name in after if after[name] != before.get(name)}
    assert changed == {"limits.toml", "mark_revisions.csv", f"marks/{store.sessions()[2].id}.csv"}
    for name in changed:
        assert set(before[name].splitlines()) <= set(after[name].splitlines())


def test_no_cell_is_a_formula(store: Store) -> None:
    """No cell of any CSV file begins as a formula does, negative numbers aside.

    Source of the characters: owasp.org, 'CSV Injection' (=, +, -, @, tab, carriage return).
    """
    cells = [
        cell
        for name, text in store.to_text().items()
        if name.endswith(".csv")
        for row in csv.reader(io.StringIO(text))
        for cell in row
    ]
    assert any(cell.startswith("'=") for cell in cells)
    assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@", "\t", "\r"))]


@settings(max_examples=30)
@given(
    st.lists(
        st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Cs")) | st.just("\n")),
        min_size=2,
        max_size=2,
    )
)
def test_any_text_reads_back(cells: list[str]) -> None:
    """Guarding is undone by reading, whatever the text; nothing guarded begins as a formula does."""
    ((_, found),) = read_csv("x.csv", write_csv(("a", "b"), [cells]), ("a", "b"))
    assert list(found.values()) == cells
    assert unguarded(guarded(cells[0])) == cells[0]
    assert not guarded(cells[0]).startswith(("=", "+", "-", "@", "\t", "\r"))


REFUSED = [
    ("tanks.toml", "span_mm = 100.0", "span_mm = true", "tanks.toml, .*span_mm: true; expected a number"),
    ("tanks.toml", "span_mm = 100.0", "span_mm = -1.0", "span: -1"),
    ("tanks.toml", "span_mm = 100.0", "colour = 'red'", "a key 'colour'"),
    ("tanks.toml", "span_mm = 100.0", "", "no key span_mm"),
    ("tanks.toml", "canister@1", "canister@3", "revision 3; expected 1"),
    ("tanks.toml", "canister@1", "canister", "a revision as in name@2"),
    ("tanks.toml", "span_mm", "[", "is not TOML"),
    ("sensors.toml", '"rises"', '"sinks"', 'count_law: "sinks"; expected one of'),
    ("mountings.toml", "canister@1", "canister@7", "canister@7"),
    ("mark_revisions.csv", "no marks at all", "some other reason", "hash to .*A revision never changes"),
    ("mark_revisions.csv", "author", "who", "other columns"),
    ("limits.toml", "rmse_mm", "rsme_mm", "metric: rsme_mm"),
]


@pytest.mark.parametrize(
    ("name", "old", "new", "said"), REFUSED, ids=[f"{r[0]}-{r[3][:20]}" for r in REFUSED]
)
def test_changed_by_hand(
    texts: dict[str, str], blank: Store, name: str, old: str, new: str, said: str
) -> None:
    """What cannot be is refused with file and place, and nothing is written."""
    assert old in texts[name]
    with pytest.raises(InputError, match=said):
        blank.from_text(texts | {name: texts[name].replace(old, new, 1)})
    assert (blank.tanks(), blank.units()) == ((), ())


def test_marks_changed_by_hand(store: Store) -> None:
    """Marks of a revision have its hash, sealed ones are the store's."""
    files, first = store.to_text(), store.sessions()[0]
    name = f"marks/{first.id}.csv"
    with pytest.raises(InputError, match="hash to"):
        store.from_text(files | {name: files[name].replace("16.0", "17.0")})
    with pytest.raises(InputError, match="sealed marks that are others"):
        store.from_text(files | {name: files[name].replace("25.0", "26.0")})
    with pytest.raises(InputError, match=r"revision 0000.*only revisions that"):
        store.from_text(files | {name: files[name] + f"{'0' * 64},0,1,2.0,,,,\n"})


def test_a_text_that_contradicts_the_store(store: Store, blank: Store) -> None:
    """The rules are those of a merge."""
    put(blank, Liquid("brine", 60.0))
    with pytest.raises(InputError, match=r"liquid brine: conductivity is not given in blank\.db and 5\.5 in"):
        blank.from_text(store.to_text())
    assert blank.tanks() == ()
