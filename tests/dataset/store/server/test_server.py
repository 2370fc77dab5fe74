"""A store on a server: what SQLite's file gives for nothing, and what others may do to it."""

from __future__ import annotations

import platform
import shutil
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import inspect
from stores import ROLES, behind, model_of, refusal_of, unguarded

from building import Bench
from calling import run, run_json
from dataset.errors import InnageError, InputError, StoreError
from dataset.records import GroupBy, Liquid, Mark, Unit
from dataset.store import Store
from dataset.store.database import HISTORY, History
from dataset.store.listing import names, session_lines
from dataset.store.places import Address
from dataset.store.server import database as server_database
from dataset.store.server.database import MOST_TRIES, ServerDatabase, upgrade_server
from dataset.store.server.guards import trigger_statements
from dataset.store.tables import Base
from dataset.store.whole.integrity import check_store
from innage.jobs.stores import program_digest
from servers import Server, programs

Register = Callable[[Store], Bench]
NEWEST = Path(__file__).parents[3] / "data" / "stores" / f"{HISTORY.head}.db"
# what revision 0008 makes, each before what it refers to
TEAM = (
    *("sign_in", "token_use", "token_revocation", "token", "audit", "receipt", "staged_blob"),
    *("channel_move", "withdrawal_event", "bundle_signature", "bundle_content"),
    *("job_event", "job", "job_file"),
)
MIGRATION = """
import sqlalchemy as sa
from alembic import op

revision = "9001_throw_away"
down_revision = "{head}"
branch_labels = None
depends_on = None


def upgrade():
    op.add_column("unit", sa.Column("colour", sa.Text()))
"""


@pytest.fixture
def place(server: Server) -> Iterator[str]:
    """The place of a new store."""
    made = server.store()
    yield made
    server.drop(made)


@pytest.fixture
def store(place: str) -> Iterator[Store]:
    """A new store."""
    with Store.open(place) as opened:
        yield opened


@pytest.fixture
def filled(store: Store, register: Register) -> Store:
    """Three sessions, one void, one tagged with its marks amended, one void no longer; a frozen set and a
    model; a zero below zero, which SQLite does not have.
    """
    bench = register(store)
    store.add_liquid(Liquid("ice", temperature_c=-0.0))
    one, two, three = store.add_sessions([bench.session(1), bench.session(2), bench.session(3)])
    store.void(one.id, "the scale was not tared")
    store.amend_marks(two.id, [Mark(0, 5, 16.0, 0.5)], "A. Tester", "the marks were read off late")
    store.tag([two.id], ["humid"])
    store.void(three.id, "a wrong label")
    store.take_back_void(three.id, "the label was right")
    frozen = store.freeze("set", [two, three], GroupBy.LEVEL, ROLES | {"16": ROLES["15"]})
    store.open_prove(frozen, "final")
    store.add_model(model_of(frozen))
    return store


@pytest.mark.skipif(
    sys.platform != "linux" or platform.machine() != "x86_64",
    reason="elsewhere nobody has seen a wheel with the server's programs",
)
def test_the_server_is_here() -> None:
    """Where there is a wheel, tests on a server are not skipped without anybody seeing it."""
    assert programs() is not None


@pytest.mark.longer
def test_through_a_server_and_back(filled: Store, new_store: Store, server: Server, tmp_path: Path) -> None:
    """From a server into a file, from there to another server, and into a second file: the same hashes, text
    and lines, nothing new the second time, and every record sound.
    """
    new_store.merge(filled.place)
    second = server.store()
    with Store.open(second) as again, Store.open(tmp_path / "last.db") as last:
        again.merge(new_store.path)
        last.merge(second)
        assert last.merge(filled.place).new == 0
        texts = [one.to_text() for one in (filled, new_store, again, last)]
        assert texts[0] == texts[1] == texts[2] == texts[3]
        hashes = [[s.sha256 for s in one.sessions()] for one in (filled, new_store, again, last)]
        assert hashes[0] == hashes[1] == hashes[2] == hashes[3]
        assert last.models() == filled.models()
        assert session_lines(last.path) == session_lines(filled.place)
        assert last.objects() == filled.objects()
    for one in (filled.place, new_store.path, second, tmp_path / "last.db"):
        assert check_store(one).faults == ()
    server.drop(second)


@pytest.mark.slow
def test_a_store_of_the_whole_job_through_a_server(place: str, store: Store, tmp_path: Path) -> None:
    """A store with models, exports and trims as the commands made them goes to a server, and from there into
    a file: each has every object, by the hash of its document, and is sound.
    """
    before = Path(shutil.copy(NEWEST, tmp_path / "before.db"))
    store.merge(before)
    with Store.open(before) as one, Store.open(tmp_path / "after.db") as other:
        assert other.merge(place).new > 0
        assert other.merge(before).new == store.merge(before).new == 0
        bench = {one.kind for one in one.objects()} - {"bench"}
        objects = [{x for x in each.objects() if x.kind in bench} for each in (one, store, other)]
        assert objects[0] == objects[1] == objects[2]
        assert one.to_text() == store.to_text() == other.to_text()
        assert [m.name for m in store.models()] == [m.name for m in one.models()]
    for each in (place, tmp_path / "after.db"):
        assert check_store(each, digest_of=program_digest).faults == ()


def test_lists_are_those_of_the_store(filled: Store) -> None:
    """Lists without the mapper say what the store says."""
    lines = session_lines(filled.place)
    assert lines is not None
    assert [(x.id, x.void_reason, x.frames) for x in lines] == [
        (s.id, s.void_reason, s.frames) for s in filled.sessions()
    ]
    assert [x.labelled for x in lines] == [28, 5, 28]
    assert names(filled.place, "session") == tuple(s.id for s in filled.sessions())
    assert (names(filled.place, "model"), names(filled.place, "unit")) == (("m",), ("unit1",))
    assert session_lines(Address("postgresql+psycopg://lab@127.0.0.1:1/bench")) is None


def test_ten_writers_take_turns(filled: Store) -> None:
    """Ten processes that each read the newest revision and write the next get ten, without a gap."""
    tank = filled.tanks()[0]

    def write(number: int) -> int:
        with Store.open(filled.place) as one:
            return one.add_tank(replace(tank, span_mm=200.0 + number)).revision

    with ThreadPoolExecutor(10) as pool:
        assert sorted(pool.map(write, range(10))) == list(range(tank.revision + 1, tank.revision + 11))


def test_a_writer_waits_for_another_no_longer_than_it_should(place: str) -> None:
    """What waits too long says so, and nothing is written; a reader does not wait."""
    with Store.open(place) as one, Store.open(place, timeout_s=0.2) as other:
        unit = Unit("first", "")
        with one._database.writing():
            with pytest.raises(StoreError, match=r"another process was writing to it for more than 0.2 s"):
                other.add_unit(unit)
            assert other.units() == ()
            with other._database.reading() as orm:  # not waited for longer than told above
                assert orm.connection().exec_driver_sql("SHOW lock_timeout").scalar() == "200ms"
        assert other.add_unit(unit).name == "first"


def test_a_connection_that_broke_while_nobody_used_it(
    store: Store, place: str, server: Server, register: Register
) -> None:
    """Is replaced before anybody hears of it: whoever reads or writes next."""
    everybody = (
        f"SELECT count(pg_terminate_backend(pid)) FROM pg_stat_activity WHERE datname = '{_name(place)}'"  # noqa: S608 - a name of ours
    )
    assert store.units() == ()
    assert server.sql(everybody) == "1"
    register(store)
    assert server.sql(everybody) == "1"
    assert [unit.name for unit in store.page_of_units().items] == ["unit1"]


def test_what_the_server_cannot_keep(store: Store) -> None:
    """Text with a NUL, which SQLite takes, is one sentence wherever it comes in, and the store goes on."""
    for ask in (store.frozen_set, store.unit, store.session, store.model):
        with pytest.raises(InnageError) as refused:
            ask("a\0b")
        assert "\n" not in str(refused.value)
    with pytest.raises(InputError):
        store.add_liquid(Liquid("wat\0er"))
    assert store.liquids() == ()


@pytest.mark.longer
def test_a_copied_database_gets_a_bench_of_its_own(filled: Store, server: Server) -> None:
    """As a copied file does. Neither the new bench nor the one that it parted from can be another, or go, and
    what was there stays of the old one.
    """
    filled.close()  # nobody may be in a database that is copied
    copied = server.copy(str(filled.place))
    with Store.open(copied) as copy:
        before, kept = copy.bench(), copy.sessions()
        bench = copy.part_bench("cellar", "a copy for the second rig", "c" * 32)
        assert (copy.bench(), copy.sessions()) == (bench, kept)
        assert (copy.unit("unit1").bench, copy.add_unit(Unit("unit9")).bench) == (before.identity, "c" * 32)
        with behind(copy) as connection:
            for statement in (
                "UPDATE bench SET identity = 'd' WHERE own",
                "UPDATE bench SET identity = 'd' WHERE NOT own",
                "DELETE FROM bench WHERE own",
                "DELETE FROM bench WHERE NOT own",
                "UPDATE unit SET bench_id = bench_id",
            ):
                with pytest.raises(refusal_of(copy), match="never"):
                    connection.execute(statement)
    assert check_store(Address(copied)).faults == ()
    server.drop(copied)


def test_more_threads_than_connections(place: str) -> None:
    """Who finds every connection of the process in use waits as long as told, then says so."""
    with Store.open(place, users=1, timeout_s=0.2) as store:
        with store._database.reading() as orm:
            orm.connection()
            with pytest.raises(
                StoreError, match=r"connections of this process were in use for more than 0\.2 s"
            ):
                store.units()
        assert store.units() == ()


def test_what_the_server_undid_is_done_again(place: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A deadlock or a clash is no error before the fifth time; the work is done whole each time."""
    monkeypatch.setattr(server_database, "PAUSE_S", 0.0)
    with Store.open(place) as store:
        database, tries = store._database, []
        assert isinstance(database, ServerDatabase)

        def clashes(times: int, state: str) -> Callable[[Any], int]:
            def work(orm: Any) -> int:
                tries.append(state)
                if len(tries) <= times:
                    orm.connection().exec_driver_sql(
                        f"DO $$ BEGIN RAISE EXCEPTION 'clash' USING ERRCODE = '{state}'; END $$"
                    )
                return len(tries)

            return work

        assert database.write(clashes(2, "40001")) == 3
        tries.clear()
        assert database.write(clashes(MOST_TRIES - 1, "40P01")) == MOST_TRIES
        tries.clear()
        with pytest.raises(StoreError, match="others kept changing the same rows"):
            database.write(clashes(MOST_TRIES, "40001"))
        assert len(tries) == MOST_TRIES
        tries.clear()
        with pytest.raises(StoreError, match="clash"):
            database.write(clashes(1, "P0001"))
        assert len(tries) == 1


def test_nothing_sealed_is_emptied(filled: Store) -> None:
    """TRUNCATE, which SQLite does not have, is refused for every table that has guards, and no row comes to
    something sealed.
    """
    events = [name.removeprefix("guard_").rpartition("_") for name in trigger_statements()]
    guarded = {table for table, _, event in events if event == "truncate"}
    assert guarded == {table for table, _, _ in events}
    come_and_go = {"open_capture", "open_block", "open_entry", "token_use", "sign_in"}
    assert {*Base.metadata.tables} - guarded == come_and_go
    with behind(filled) as connection:
        for table in guarded:
            with pytest.raises(refusal_of(filled), match=r"never|sealed"):
                connection.execute(f"TRUNCATE {table} CASCADE")
        with pytest.raises(refusal_of(filled), match="sealed"):
            connection.execute("UPDATE mark SET session_id = 2 WHERE session_id = 1")
        with pytest.raises(refusal_of(filled), match="sealed"):
            connection.execute("INSERT INTO door_warning VALUES (1, 99, 'check', 'sentence')")


def test_a_check_names_what_is_damaged(filled: Store) -> None:
    """A changed record, a lost row that others refer to, a guard that is off, an index that is gone."""
    with unguarded(filled) as connection:
        connection.execute("UPDATE budget SET cycles = cycles")
        connection.execute("UPDATE void_event SET reason = 'another'")
        connection.execute("DELETE FROM liquid")
    with behind(filled) as connection:
        connection.execute("ALTER TABLE trim DISABLE TRIGGER guard_trim_update")
        connection.execute("DROP INDEX ix_capture_session_counts_sha256")
        connection.execute("ALTER TABLE tank ALTER note DROP NOT NULL")
    faults = {fault.what: fault.sentence for fault in check_store(filled.place).faults}
    assert faults["void 1"].startswith("its content hashes to")
    assert faults["row 1 of capture_session"] == "refers to a row of liquid that is not there"
    assert faults["trigger guard_trim_update"] == "is another than in this revision's schema"
    assert faults["index ix_capture_session_counts_sha256"] == "is missing"
    assert faults["column tank.note"] == "is another than in this revision's schema"


def test_both_begin_with_the_same_schema(store: Store, new_store: Store) -> None:
    """The schema that a server begins with has the tables, columns, keys and indexes of the one that the
    migrations make in a file, and the same guards, and TRUNCATE beside them.
    """
    with store._database.reading() as here, new_store._database.reading() as there:
        assert _shape(here.connection()) == _shape(there.connection())
        guards = "SELECT name FROM sqlite_master WHERE type = 'trigger'"
        in_file = {name for (name,) in there.connection().exec_driver_sql(guards)}
    assert {name for name in trigger_statements() if not name.endswith("_truncate")} == in_file


def test_text_is_sorted_byte_by_byte(store: Store) -> None:
    """Whatever the locale of the server: each column of text has its own collation, but for words of a list,
    which nothing is sorted by.
    """
    of_text = (
        "SELECT c.relname, a.attname, l.collname FROM pg_attribute a JOIN pg_class c ON c.oid = a.attrelid "
        "JOIN pg_collation l ON l.oid = a.attcollation WHERE c.relnamespace = 'public'::regnamespace "
        "AND c.relkind = 'r' AND a.attnum > 0 AND c.relname <> 'alembic_version'"
    )
    with behind(store) as connection:
        rows = connection.execute(of_text).fetchall()
    assert len(rows) > 100
    words = {("sensor", "count_law"), ("pad", "role"), ("frozen_set", "group_by"), ("frozen_role", "role")}
    assert {(table, column) for table, column, collation in rows if collation != "C"} == words


def test_an_upgrade_is_asked_for(place: str, tmp_path: Path) -> None:
    """A store of another revision is refused with both named, brought up by the command whole, and refused by
    the older version after that; what fails half way leaves nothing.
    """
    newer = _history(tmp_path / "good", MIGRATION.format(head=HISTORY.head))
    broken = MIGRATION.format(head=HISTORY.head) + '    op.drop_table("no_such_table")\n'
    with pytest.raises(StoreError, match=f"is of revision {HISTORY.head}; expected 9001_throw_away"):
        Store.open(place, history=newer)
    with pytest.raises(StoreError, match="no_such_table"):
        upgrade_server(Address(place), history=_history(tmp_path / "broken", broken))
    assert upgrade_server(Address(place)) == HISTORY.head
    assert upgrade_server(Address(place), history=newer) == HISTORY.head
    with Store.open(place, history=newer) as store, behind(store) as connection:
        assert connection.execute("SELECT count(colour) FROM unit").fetchone() == (0,)
    with pytest.raises(
        StoreError, match=r"written by a newer version of innage \(revision 9001_throw_away\)"
    ):
        Store.open(place)


@pytest.mark.longer
def test_a_server_of_before_is_brought_up(server: Server) -> None:
    """Later revisions than the first that a server has give it the schema that a new one begins with."""
    old = server.store()
    name = old.partition("@/")[2].partition("?")[0]
    for table in TEAM:
        server.sql(f"DROP TABLE {table}", name)
    server.sql("UPDATE alembic_version SET version_num = '0007_proof'", name)
    with pytest.raises(StoreError, match=f"is of revision 0007_proof; expected {HISTORY.head}"):
        Store.open(old)
    assert upgrade_server(Address(old)) == "0007_proof"
    assert check_store(old).faults == ()
    server.drop(old)


def test_a_database_that_is_no_store(server: Server) -> None:
    """An empty one is not filled by opening it; tables of something else are not touched."""
    empty = server.empty()
    name = empty.partition("@/")[2].partition("?")[0]
    with pytest.raises(StoreError, match=r"the database is empty; expected a store of innage\. Make"):
        Store.open(empty)
    assert server.sql("SELECT count(*) FROM pg_tables WHERE schemaname = 'public'", name) == "0"
    server.sql("CREATE TABLE stranger (id int)", name)
    for use in (Store.open, lambda place: upgrade_server(Address(place))):
        with pytest.raises(StoreError, match=r"tables that are not those of a store \(such as stranger\)"):
            use(empty)
    with pytest.raises(StoreError, match=r"cannot be reached.*nowhere.*check the URL"):
        Store.open(server.url("nowhere"))
    server.drop(empty)


@pytest.mark.longer
def test_commands_on_a_server(place: str, register: Register, server: Server) -> None:
    """Commands take the URL where they take a file; those that are the server's own say which."""
    at = ("--store", place)
    with Store.open(place) as store:
        (session,) = store.add_sessions([register(store).session(1)])
    assert session.id in run("sessions", *at)
    assert "Everything is as it was written." in run("check", *at)
    refused = run("backup", "copy.db", *at, code=2)
    assert "is on a server; expected a store in a file" in refused
    assert "pg_dump" in refused
    made = run_json("store", "upgrade", "--store", server.empty())
    assert (made["before"], made["revision"]) == (None, HISTORY.head)
    chosen = ("--store", server.empty(), "--bench", "b" * 32)
    for before in (None, HISTORY.head):  # the second time it is there
        assert run_json("store", "upgrade", *chosen)["before"] == before
    with Store.open(chosen[1]) as store:
        assert store.bench().identity == "b" * 32
    assert f"is of bench {'b' * 32}" in run("store", "upgrade", *chosen[:3], "c" * 32, code=2)
    assert "32 hexadecimal digits" in run("store", "upgrade", *chosen[:3], "c3", code=2)
    again = run_json("store", "upgrade", *at)
    assert again["before"] == again["revision"] == HISTORY.head


def _history(folder: Path, script: str) -> History:
    folder.mkdir()
    (folder / "9001_throw_away.py").write_text(script)
    return History((*HISTORY.revisions, "9001_throw_away"), (*HISTORY.folders, folder))


def _shape(connection: Any) -> dict[str, Any]:
    """What a database has, by names: types are spelled in each one's own way."""
    inspector = inspect(connection)
    return {
        table: {
            "columns": [(c["name"], bool(c["nullable"])) for c in inspector.get_columns(table)],
            "primary key": inspector.get_pk_constraint(table)["constrained_columns"],
            "unique": sorted(
                (u["name"], *u["column_names"]) for u in inspector.get_unique_constraints(table)
            ),
            "indexes": sorted(
                (i["name"], *i["column_names"])
                for i in inspector.get_indexes(table)
                if "duplicates_constraint" not in i
            ),
            "references": sorted(
                (k["name"], *k["constrained_columns"], k["referred_table"], k["options"].get("ondelete", ""))
                for k in inspector.get_foreign_keys(table)
            ),
        }
        for table in inspector.get_table_names()
        if table != "alembic_version"
    }


def _name(place: str) -> str:
    return place.partition("@/")[2].partition("?")[0]
