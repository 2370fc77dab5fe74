"""A server that is killed, or whose connection is cut, in the middle of each kind of write: what was
acknowledged is there, what was not is there whole or not at all, what is said of it is true, and nobody holds
a lock.

A kill takes nothing from the system's own buffers: what a power cut would do is not tried here.
``INNAGE_TEST_KILLS`` is how often; ``make kills`` takes two hundred.
"""

from __future__ import annotations

import gc
import itertools
import os
import socket
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sqlalchemy import Engine, event
from stores import ROLES, model_of

from building import bench_store, make_frames
from dataset.errors import InnageError, StoreError
from dataset.records import GroupBy, Mark, Unit
from dataset.store import Store
from dataset.store.database import HISTORY, History
from dataset.store.places import Address
from dataset.store.server.database import upgrade_server
from dataset.store.server.driver import connect
from dataset.store.whole.integrity import check_store
from servers import NO_SERVER, Server, programs

KILLS = int(os.environ.get("INNAGE_TEST_KILLS", "13"))
SEED = 20
AT_COMMIT = 0.4  # of the kills, where what was sent and what was answered part ways
AGAIN_IS_MORE = ("open prove",)  # the others are refused the second time, or change nothing
WAYS = (socket.SHUT_RD, socket.SHUT_WR, socket.SHUT_RDWR)
LATEST_S = 0.004  # after a statement was begun
MIGRATION = f"""
import sqlalchemy as sa
from alembic import op

revision = "9001_throw_away"
down_revision = "{HISTORY.head}"
branch_labels = None
depends_on = None


def upgrade():
    op.add_column("unit", sa.Column("colour", sa.Text()))
    op.add_column("tank", sa.Column("colour", sa.Text()))
    op.add_column("liquid", sa.Column("colour", sa.Text()))
"""
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(programs() is None, reason=NO_SERVER),
    # what was being read when the connection broke cannot be closed any more
    pytest.mark.filterwarnings("ignore:<psycopg.ServerCursor:ResourceWarning"),
]
Work = Callable[[], object]


@pytest.fixture(autouse=True)
def _warnings_come_in_their_own_test() -> Iterator[None]:
    """Nothing that a test left is collected in another."""
    yield
    gc.collect()


@pytest.fixture(scope="module")
def own_server() -> Iterator[Server]:
    """A server to be killed, whose own default is to answer before what was said is safe."""
    started = Server(quick=False, synchronous_commit="off")
    yield started
    started.close()


@dataclass
class Writes:
    """Every kind of write, and the stores that each begins with."""

    server: Server
    folder: Path

    def __post_init__(self) -> None:
        self.newer = History((*HISTORY.revisions, "9001_throw_away"), (*HISTORY.folders, self.folder))
        (self.folder / "9001_throw_away.py").write_text(MIGRATION)
        self.filled = self.server.store()
        with Store.open(self.filled) as store:
            self.bench = bench_store(store)
            self.session, other = store.add_sessions([self.bench.session(1), self.bench.session(2)])
            self.frozen = store.freeze("set", [self.session, other], GroupBy.LEVEL, ROLES)
            self.capture = self._begin(store, "open")
        self.other = self.folder / "other.db"
        with Store.open(self.other) as store:
            store.add_sessions([bench_store(store).session(9)])

    def kinds(self) -> dict[str, Callable[[Store], Any]]:
        """What is written to an open store."""
        bench, ref = self.bench, self.session.id
        return {
            "register": lambda store: store.add_tank(replace(bench.tank, span_mm=300.0)),
            "log": lambda store: store.add_sessions([bench.session(3), bench.session(4)]),
            "amend": lambda store: store.amend_marks(ref, [Mark(0, 5, 16.0)], "A. Tester", "read off late"),
            "void": lambda store: store.void(ref, "the scale was not tared"),
            "freeze": lambda store: store.freeze("again", [self.session], GroupBy.LEVEL, ROLES),
            "open prove": lambda store: store.open_prove(self.frozen, "final"),
            "model": lambda store: store.add_model(model_of(self.frozen)),
            "begin": lambda store: self._begin(store, "another"),
            "append": lambda store: store.append_to_capture(
                self.capture, make_frames(6), [{"key": "mark", "level_mm": 15.0}]
            ),
            "seal": lambda store: store.seal_capture("open", bench.session(5)),
            "merge": lambda store: store.merge(self.other),
        }

    def begun(self, kind: str) -> str:
        """The place of a store, or of an empty database, to which ``kind`` is to be written."""
        return self.server.empty() if kind == "make" else self.server.copy(self.filled)

    def write(self, kind: str, place: str) -> None:
        """Write it, from the opening of the store on."""
        if kind == "make":
            upgrade_server(Address(place))
        elif kind == "migrate":
            upgrade_server(Address(place), history=self.newer)
        else:
            with Store.open(place) as store:
                self.kinds()[kind](store)

    def sound(self, kind: str, place: str) -> list[str]:
        """What is wrong with the store; nothing is looked for in what this version cannot read."""
        return [] if kind == "migrate" else [str(fault) for fault in check_store(Address(place)).faults]

    def _begin(self, store: Store, name: str) -> Any:
        return store.begin_capture(name, self.bench.unit, self.bench.liquid, self.bench.mounting, {})


@pytest.fixture(scope="module")
def writes(own_server: Server, tmp_path_factory: pytest.TempPathFactory) -> Writes:
    """What is written, on the server to be killed."""
    return Writes(own_server, tmp_path_factory.mktemp("writes"))


ALL = "count(*), md5(coalesce(string_agg(t::text, '' ORDER BY t::text), ''))"
Content = tuple[list[Any], dict[str, tuple[int, str]]]


def content(place: str) -> Content:
    """The columns of a database, and of each table the number of rows and a hash of all in them."""
    with closing(connect(Address(place), 5.0)) as connection:
        columns = connection.execute(
            "SELECT table_name, column_name FROM information_schema.columns WHERE table_schema = 'public'"
            " ORDER BY 1, 2"
        ).fetchall()
        rows: dict[str, tuple[int, str]] = {}
        for table in sorted({name for name, _ in columns}):
            of_all = f"SELECT {ALL} FROM {table} t"  # noqa: S608 - a name of ours
            count, print_ = connection.execute(of_all.encode()).fetchone() or (0, "")
            rows[table] = (int(count), str(print_))
        return columns, rows


def counts(of: Content) -> tuple[list[Any], dict[str, int]]:
    """The content without what clocks and counters put into it."""
    return of[0], {table: count for table, (count, _) in of[1].items()}


@contextmanager
def each_step(seen: Callable[[Any], None]) -> Iterator[None]:
    """Call ``seen`` with the driver's connection before each statement and each commit on a server."""

    def statement(connection: Any, *_: Any) -> None:
        if connection.dialect.name == "postgresql":
            seen(connection.connection.driver_connection)

    event.listen(Engine, "before_cursor_execute", statement)
    event.listen(Engine, "commit", statement)
    try:
        yield
    finally:
        event.remove(Engine, "before_cursor_execute", statement)
        event.remove(Engine, "commit", statement)


def steps_of(work: Work) -> int:
    """How many statements and commits there are in it."""
    steps: list[int] = []
    with each_step(lambda connection: steps.append(1)):
        work()
    return len(steps)


def disturbed(work: Work, step: int, after_s: float, harm: Callable[[Any], None]) -> str:
    """Do ``work`` and harm it ``after_s`` after its ``step``-th statement began, before it is sent at 0; what
    was said of it, '' for nothing, which acknowledges it.
    """
    seen, harming = [0], list[threading.Thread]()

    def count(connection: Any) -> None:
        seen[0] += 1
        if seen[0] == step and not after_s:
            harm(connection)
        elif seen[0] == step:
            harming.append(threading.Timer(after_s, harm, (connection,)))
            harming[0].start()

    with each_step(count):
        try:
            work()
            said = ""
        except StoreError as error:
            said = str(error).lower()
    for thread in harming:
        thread.join()
    assert seen[0] >= step
    return said


def cut(connection: Any, how: int) -> None:
    """Cut the connection on our side: what is sent, what comes back, or both."""
    if not connection.closed:
        with socket.socket(fileno=os.dup(connection.pgconn.socket)) as wire:
            wire.shutdown(how)


def left_alone(server: Server, place: str) -> bool:
    """Whether soon nobody is in the database any more, nor holds a lock that the next would wait for."""
    name = place.partition("@/")[2].partition("?")[0]
    users = f"SELECT count(*) FROM pg_stat_activity WHERE datname = '{name}'"  # noqa: S608 - a name of ours
    for _ in range(500):
        if server.sql(users) == "0":
            return server.sql("SELECT count(*) FROM pg_locks WHERE locktype = 'advisory'") == "0"
        time.sleep(0.01)
    return False


@dataclass
class Rounds:
    """Writes that are disturbed, one after the other, and what was found wrong after them."""

    writes: Writes

    def __post_init__(self) -> None:
        self.draw, self.wrong, self.outcomes = np.random.default_rng(SEED), list[str](), Counter[str]()
        self.kinds = (*self.writes.kinds(), "migrate", "make")
        self.steps, self.after = dict[str, int](), dict[str, Any]()

    def undisturbed(self, kind: str) -> None:
        """See once of how many steps it is, and what it leaves."""
        place = self.writes.begun(kind)
        self.steps[kind] = steps_of(lambda: self.writes.write(kind, place))
        self.after[kind] = counts(content(place))
        self.writes.server.drop(place)

    def drawn(self, kind: str) -> tuple[int, float]:
        """A step, and how long after it began."""
        at_commit = self.draw.random() < AT_COMMIT
        step = self.steps[kind] if at_commit else int(self.draw.integers(1, self.steps[kind] + 1))
        return step, float(self.draw.choice((0.0, self.draw.uniform(0, LATEST_S))))

    def round(self, kind: str, harm: Callable[[Any], None], answer_lost: bool = False) -> None:
        """One write, harmed at a step that is drawn, or just before its commit is sent."""
        if kind not in self.steps:
            self.undisturbed(kind)
        server, place = self.writes.server, self.writes.begun(kind)
        before = content(place)
        step, after_s = (self.steps[kind], 0.0) if answer_lost else self.drawn(kind)
        said = disturbed(lambda: self.writes.write(kind, place), step, after_s, harm)
        if not server.answers():
            server.start()
        when = f"{kind}, step {step} of {self.steps[kind]}, said {said!r}"
        if not left_alone(server, place):
            self.wrong.append(f"{when}: somebody is still in it")
        now = content(place)
        absent, whole = now == before, counts(now) == self.after[kind]
        outcome = "there" if whole else "not there" if absent else "there in part"
        self.outcomes[outcome if said else "acknowledged"] += 1
        if not (whole if not said else absent if "nothing was changed" in said else absent or whole):
            self.wrong.append(f"{when}: {outcome}")
        if answer_lost and whole:
            self._say_again(kind, place, when)
        if not absent:
            self.wrong += [f"{when}: {fault}" for fault in self.writes.sound(kind, place)]
        else:  # what says that it was not written can be said again
            self.writes.write(kind, place)
            if counts(content(place)) != self.after[kind]:
                self.wrong.append(f"{when}: not whole the second time")
        server.drop(place)

    def _say_again(self, kind: str, place: str, when: str) -> None:
        """What nobody could say of, once more: it is found to be there, and nothing is there twice."""
        if "nobody can say whether it was" not in when or "look whether it is there" not in when:
            self.wrong.append(f"{when}: nobody was told to look")
        with suppress(InnageError):
            self.writes.write(kind, place)
        if (counts(content(place)) == self.after[kind]) == (kind in AGAIN_IS_MORE):
            self.wrong.append(f"{when}: another the second time")


def test_the_server_is_killed(own_server: Server, writes: Writes) -> None:
    """At a statement that is drawn, of each kind of write in turn."""
    rounds = Rounds(writes)
    for kind in itertools.islice(itertools.cycle(rounds.kinds), KILLS):
        rounds.round(kind, lambda _: own_server.kill())
    print(dict(rounds.outcomes))
    assert rounds.wrong == []
    assert rounds.outcomes.total() == KILLS
    assert rounds.outcomes["not there"] > 0


def test_the_connection_is_cut(writes: Writes) -> None:
    """Of each kind of write once so that only the answer to its commit is lost: it is there, and nobody says
    that nothing was changed. Then at a statement that is drawn, one way or both.
    """
    rounds = Rounds(writes)
    for kind in rounds.kinds:
        rounds.round(kind, lambda connection: cut(connection, socket.SHUT_RD), answer_lost=True)
    print(dict(rounds.outcomes))
    assert rounds.wrong == []
    assert rounds.outcomes == {"there": len(rounds.kinds)}
    for kind in itertools.islice(itertools.cycle(rounds.kinds), KILLS // 2):
        rounds.round(kind, partial(cut, how=int(rounds.draw.choice(WAYS))))
    print(dict(rounds.outcomes))
    assert rounds.wrong == []
    assert rounds.outcomes["not there"] > 0


def test_ten_writers_when_the_server_is_killed(own_server: Server, writes: Writes) -> None:
    """Ten write at once, each until it is told that it cannot; every unit that was acknowledged is there, and
    no other but one that nobody could say anything about.
    """
    draw = np.random.default_rng(SEED)
    for number in range(max(1, KILLS // 10)):
        place = own_server.copy(writes.filled)
        enough, acknowledged = int(draw.integers(20, 80)), list[str]()

        def write(
            writer: int, place: str = place, acknowledged: list[str] = acknowledged
        ) -> tuple[list[str], list[str]]:
            done, doubtful = list[str](), list[str]()
            try:
                with Store.open(place) as store:
                    for k in range(10_000):
                        name = f"unit{writer}-{k}"
                        store.add_unit(Unit(name))
                        done.append(name)
                        acknowledged.append(name)
            except StoreError as error:
                if "nobody can say" in str(error):
                    doubtful.append(name)
            return done, doubtful

        with ThreadPoolExecutor(10) as pool:
            writing = [pool.submit(write, writer) for writer in range(10)]
            while len(acknowledged) < enough and not any(each.done() for each in writing):
                time.sleep(0.001)
            own_server.kill()
            outcomes = [each.result() for each in writing]
        own_server.start()
        with Store.open(place, timeout_s=2.0) as store:
            there = {unit.name for unit in store.units()} - {writes.bench.unit.name}
            store.add_unit(Unit(f"after{number}"))
        done = {name for each, _ in outcomes for name in each}
        assert len(done) >= enough
        assert done <= there
        assert there - done <= {name for _, each in outcomes for name in each}
        assert check_store(Address(place)).faults == ()
        own_server.drop(place)
