"""Push and pull over a line: nothing lost, nothing twice, nothing half."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from stores import every_row

from dataset.exchange.objects import KINDS
from dataset.store import Store
from innage.jobs.exchange.pull import pull
from innage.jobs.exchange.push import push
from innage.service.client.connection import Connection

NORTH = "a" * 32  # the rig's bench
# what a store counts, decides or keeps for itself
OWN = {"bench", "alembic_version", "sqlite_sequence", "receipt", "audit"}


@pytest.fixture
def connection(url: str) -> Iterator[Connection]:
    with Connection(url, sleep=lambda _seconds: None) as connection:
        yield connection


def test_every_kind_arrives_as_it_was(rig: Store, team: Store, connection: Connection) -> None:
    """Every row but a store's own is the same at the other end; a dry run says the same and sends nothing."""
    said = push(rig, connection, dry_run=True)
    assert team.objects(("session",)) == ()
    done = push(rig, connection)
    assert (done.held, done.taken) == ((), said.taken)
    assert {taken.kind for taken in done.taken} == set(KINDS)
    assert set(team.objects()) >= set(rig.objects())
    assert all(len(team.frames(session, verify=True)) for session in team.sessions())
    there, here = every_row(rig.path), every_row(team.path)
    # a unit of another bench than the store's own has that one's name beside its own
    assert {table for table in there if there[table] != here[table]} <= OWN | {"unit"}
    again = push(rig, connection)
    assert (again.taken, again.sent_bytes) == ((), 0)
    anew = push(rig, connection, again=True)
    assert (anew.new, anew.sent_bytes) == (0, 0)


def test_what_was_pushed_comes_back(rig: Store, team: Store, connection: Connection, tmp_path: Path) -> None:
    push(rig, connection)
    with Store.open(tmp_path / "other.db", bench=NORTH) as other:
        before = every_row(other.path)
        said = pull(other, connection, tmp_path / "fetched", dry_run=True)
        assert every_row(other.path) == before
        report = pull(other, connection, tmp_path / "fetched")
        assert (report.held, report.new) == ((), said.new)
        assert list((tmp_path / "fetched").iterdir()) == []
        assert set(other.objects()) == set(team.objects())
        there, here = every_row(rig.path), every_row(other.path)
        assert pull(other, connection, tmp_path / "fetched").new == 0
    assert {table for table in there if there[table] != here[table]} <= OWN
