"""What the page on a team's store tells its administrator to do (docs/team.md), done with the server's own
programs: roles, and a backup and its return.
"""

from __future__ import annotations

import subprocess
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest
from stores import ROLES, model_of

from building import Bench, make_frames
from calling import run
from dataset.errors import StoreError
from dataset.records import GroupBy, Unit
from dataset.store import Store
from dataset.store.places import Address
from dataset.store.registry import adding
from dataset.store.server.database import upgrade_server
from dataset.store.server.driver import connect
from dataset.store.whole.integrity import check_store
from servers import OWNER, Server

pytestmark = pytest.mark.slow  # a store is made anew, and two are checked
PAGE = Path(__file__).parents[4] / "docs" / "team.md"


@pytest.fixture
def emptied(server: Server) -> Iterator[list[str]]:
    """Databases that are removed in the end."""
    places: list[str] = []
    yield places
    for place in places:
        server.drop(place)


def test_a_dump_comes_back(
    server: Server, register: Callable[[Store], Bench], emptied: list[str], tmp_path: Path
) -> None:
    """A dump that was taken while somebody wrote is the store as it was, once it is put into an empty
    database: the same hashes and text, every guard, no fault. It does not go over a store that is there.
    """
    place, copy, dump = server.store(), server.empty(), tmp_path / "bench.dump"
    emptied += [place, copy]
    with Store.open(place) as store:
        bench = register(store)
        sessions = store.add_sessions([bench.session(1), bench.session(2)])
        store.void(sessions[0].id, "the scale was not tared")
        store.add_model(model_of(store.freeze("set", [sessions[1]], GroupBy.LEVEL, ROLES)))
        text, objects = store.to_text(), store.objects()
        with store._database.writing() as orm:
            adding.add_unit(orm, Unit("halfway"))
            dump.write_bytes(server.run("pg_dump", "--format=custom", database=_name(place)).stdout)
    restore = ("pg_restore", "--exit-on-error", "--single-transaction", str(dump))
    server.run(*restore, database=_name(copy))
    assert check_store(Address(copy)).faults == ()
    with Store.open(copy) as again:
        assert again.to_text() == text
        assert again.objects() == objects
        added = again.add_unit(Unit("after"))  # the counters of rows came along
        with pytest.raises(subprocess.CalledProcessError) as refused:
            server.run(*restore, database=_name(copy))
        assert b"already exists" in refused.value.stderr
        assert added in again.units()


def test_roles(
    server: Server, register: Callable[[Store], Bench], emptied: list[str], tmp_path: Path
) -> None:
    """By the page's own statements the owner makes the store, writers write, readers read, and neither can
    put a guard aside.
    """
    emptied.append(server.url("bench"))
    script = tmp_path / "roles.sql"
    script.write_text(PAGE.read_text().partition("```sql\n")[2].partition("```")[0])
    server.run("psql", "-Xq", "-v", "ON_ERROR_STOP=1", "-f", str(script), database=OWNER)
    owner, writer, reader = (server.url("bench", f"bench_{role}") for role in ("owner", "writer", "reader"))
    with pytest.raises(StoreError, match=r"the server refuses it.*permission denied"):
        upgrade_server(Address(writer))
    upgrade_server(Address(owner))
    with Store.open(writer) as store:
        bench = register(store)
        (session,) = store.add_sessions([bench.session(1)])
        capture = store.begin_capture("open", bench.unit, bench.liquid, bench.mounting, {})
        store.append_to_capture(capture, make_frames(2), [])
        store.seal_capture("open", bench.session(2))
    assert session.id in run("sessions", "--store", reader)
    with Store.open(reader) as store, pytest.raises(StoreError, match=r"refuses it.*permission denied"):
        store.add_unit(Unit("another"))
    assert check_store(Address(reader)).faults == ()
    for place in (writer, reader):
        for statement in ("ALTER TABLE unit DISABLE TRIGGER ALL", "TRUNCATE unit CASCADE"):
            with (
                closing(connect(Address(place), 5.0)) as connection,
                pytest.raises(Exception, match=r"must be owner|permission denied"),
            ):
                connection.execute(statement)


def _name(place: str) -> str:
    return place.partition("@/")[2].partition("?")[0]
