"""Quick reading gives what the store gives, and refuses what was changed in the words of the store."""

from __future__ import annotations

import re
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import Boolean, Enum
from stores import behind_the_back

from dataset.errors import InnageError, NotFoundError, StoreError
from dataset.store import Store
from dataset.store.reading.quick import open_reading
from dataset.store.reading.rows import MADE, MANY, ONE
from dataset.store.tables import Base

if TYPE_CHECKING:
    pass


def asked(store: Store, session: str) -> dict[str, Any]:
    """What commands ask quickly of a store."""
    frames = store.frames(session, verify=True)
    return {
        "limits": store.all_limits(),
        "liquids": store.liquids(),
        "mountings": store.mountings(),
        "units": store.units(),
        "benches": store.benches(),
        "retired": {kind: store.retired(kind) for kind in ("limits", "liquid", "unit")},
        "sessions": store.sessions(),
        "session": store.session(session),
        "frames": [part.tobytes() for part in (frames.t_ms, frames.counts, frames.temperature_c)],  # type: ignore[union-attr]  # they have temperatures
        "standards": store.standard_warnings(store.sessions()),
        "calibrations": [store.calibrations(one.instruments) for one in store.sessions()],
        "warm": store.mark_temperatures(store.sessions()),
        "said": (store.void_events(session), store.tag_events(session), store.amendments(session)),
        "trims": (store.trims(), store.trims("unit1")),
        "models": store.models(),
        "statuses": [store.status(model.name) for model in store.models()],
        "boards": (store.board_measurements(), store.board_measurements("m")),
    }


@pytest.mark.longer
def test_quick_reading_gives_what_the_store_gives(filled: Path, tmp_path: Path) -> None:
    """Every record, of every session: amended, tagged, void, of a unit that is one with another."""
    path = Path(shutil.copy(filled, tmp_path / "store.db"))
    with Store.open(path) as store, open_reading(path) as quick:
        assert type(quick) is not Store
        for session in store.sessions():
            assert asked(quick, session.id) == asked(store, session.id)
        for ask in ("frames", "session", "void_events", "tag_events", "amendments"):
            for ref in ("", "xyz", "f" * 64):
                with pytest.raises(InnageError) as one:
                    getattr(store, ask)(ref)
                with pytest.raises(InnageError, match=re.escape(str(one.value))):
                    getattr(quick, ask)(ref)
        with pytest.raises(NotFoundError, match="model none"):
            quick.status("none")


@pytest.mark.parametrize(
    ("statement", "ask"),
    [
        ("UPDATE limit_row SET bound = bound + 1", "all_limits"),
        ("UPDATE model SET metrics = replace(metrics, '0.5', '0.4')", "models"),
        ("UPDATE model SET name = 'n' WHERE name = 'm'", "models"),
        ("UPDATE board_measurement SET cycles = 1", "board_measurements"),
        ("UPDATE trim SET body = replace(body, '40001', '40003')", "trims"),
        ("UPDATE mark_revision SET author = 'x'", "sessions"),
        ("UPDATE amendment SET reason = 'x'", "sessions"),
    ],
)
def test_quick_reading_refuses_what_was_changed(
    filled: Path, tmp_path: Path, statement: str, ask: str
) -> None:
    """In the words of the store itself."""
    path = Path(shutil.copy(filled, tmp_path / "store.db"))
    behind_the_back(path, statement)
    with Store.open(path) as store, open_reading(path) as quick:
        with pytest.raises(StoreError, match="its content hashes to") as told:
            getattr(store, ask)()
        with pytest.raises(StoreError, match=re.escape(str(told.value))):
            getattr(quick, ask)()


def test_quick_reading_checks_frames_and_events(filled: Path, tmp_path: Path) -> None:
    path = Path(shutil.copy(filled, tmp_path / "store.db"))
    with Store.open(path) as store:
        first, _, third, _ = store.sessions()
    for statement in (
        "UPDATE mark SET level_mm = level_mm + 1 WHERE session_id = 1",
        "UPDATE void_event SET reason = 'x'",
        "UPDATE tag_event SET tag = 'x'",
    ):
        behind_the_back(path, statement)
    with open_reading(path) as quick:
        for ask in (
            lambda: quick.frames(first.id, verify=True),
            lambda: quick.tag_events(first.id),
            lambda: quick.void_events(third.id),
        ):
            with pytest.raises(StoreError, match="its content hashes to"):
                ask()


def test_rows_without_the_mapper_are_those_of_the_mapped_tables() -> None:
    """What leads where, in which order, and which columns are words or truth values."""
    mapped = {mapper.class_.__tablename__: mapper for mapper in Base.registry.mappers}
    for table, ways in ONE.items():
        for name, way in ways.items():
            (pair,) = mapped[table].relationships[name].local_remote_pairs or ()
            assert way == (pair[0].name, pair[1].table.name, pair[1].name)
            assert not mapped[table].relationships[name].uselist
    for table, parts in MANY.items():
        assert set(parts) == {r.key for r in mapped[table].relationships if r.uselist}
        for name, part in parts.items():
            relationship = mapped[table].relationships[name]
            (pair,), (order,) = relationship.local_remote_pairs or (), relationship.order_by or ()
            assert part == (pair[1].table.name, pair[1].name, order.name)
            assert pair[0].name == "id"
    reached = {
        *ONE,
        *MANY,
        "bench",
        "liquid",
        "tank",
        "retirement_event",
        *(p[0] for m in MANY.values() for p in m.values()),
    }
    for table in reached:
        kinds = {
            column.name: bool if isinstance(column.type, Boolean) else column.type.enum_class
            for column in mapped[table].columns
            if isinstance(column.type, Boolean | Enum) and column.name != "hashed_by_upgrade"
        }
        assert kinds == MADE.get(table, {}), table


def test_what_is_no_store_of_today_is_left_to_the_store(tmp_path: Path) -> None:
    """One that is not there is made, one that is older upgraded, anything else refused in its words."""
    with open_reading(tmp_path / "new.db") as made:
        assert isinstance(made, Store)
        assert made.sessions() == ()
    (tmp_path / "text.db").write_text("no store")
    with pytest.raises(StoreError, match="is not a store of innage"):
        open_reading(tmp_path / "text.db")
    with closing(sqlite3.connect(tmp_path / "new.db")) as connection:
        connection.execute("UPDATE alembic_version SET version_num = 'later'")
        connection.commit()
    with pytest.raises(StoreError, match="newer version"):
        open_reading(tmp_path / "new.db")
