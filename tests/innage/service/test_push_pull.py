"""Push and pull over a line: nothing lost, nothing twice, nothing half."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest
from stores import every_row

from building import bench_store
from dataset.errors import InputError, StoreError
from dataset.exchange.objects import KINDS, Offered
from dataset.records import Budget, GroupBy, Restatement, Role, Trim, TrimKind
from dataset.store import Store
from doors import open_door
from innage.jobs.exchange.pull import pull
from innage.jobs.exchange.push import Pushed, push
from innage.jobs.sessions.finding import SessionFilter
from innage.service.client.connection import Connection
from innage.service.messages import wire
from servers import Server

NORTH = "a" * 32  # the rig's bench
# what a store counts, decides or keeps for itself
OWN = {"bench", "alembic_version", "sqlite_sequence", "receipt", "audit"}


def connected(url: str, **how: Any) -> Connection:
    """A connection that does not wait."""
    return Connection(url, sleep=lambda _seconds: None, **how)


@pytest.fixture
def connection(url: str) -> Iterator[Connection]:
    with connected(url) as connection:
        yield connection


def new(done: Pushed) -> dict[str, int]:
    """By kind, how many objects were new."""
    return {one.kind: one.new for one in done.taken if one.new}


@pytest.mark.longer
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


@pytest.mark.longer
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
        again = pull(other, connection, tmp_path / "fetched")
        assert (again.new, sum(one.known for one in again.taken)) == (0, len(team.objects()))
    assert {table for table in there if there[table] != here[table]} <= OWN


@pytest.mark.longer
def test_a_store_on_a_server_takes_and_gives(rig: Store, server: Server, tmp_path: Path) -> None:
    """As one in a file does."""
    place = server.store(bench=NORTH)
    with Store.open(place) as team, open_door(team) as url, connected(url) as connection:
        done = push(rig, connection)
        assert (done.held, set(team.objects())) == ((), set(rig.objects()))
        # the bench was the server's own before
        assert all(receipt.audit_sha256 for receipt in rig.receipts() if receipt.kind != "bench")
        with Store.open(tmp_path / "other.db", bench=NORTH) as other:
            assert pull(other, connection, tmp_path / "fetched").held == ()
            assert other.objects() == team.objects()


@pytest.mark.longer
def test_receipts_are_kept_with_what_was_taken(rig: Store, team: Store, connection: Connection) -> None:
    """One for each object: the hash of its document, and the row of the server's audit chain."""
    push(rig, connection)
    receipts = rig.receipts(connection.server)
    assert {Offered(one.kind, one.object_sha256) for one in receipts} == set(rig.objects())
    digests = {parcel.offered: parcel.document.sha256 for parcel in rig.parcels(rig.objects())}
    assert all(digests[Offered(one.kind, one.object_sha256)] == one.digest for one in receipts)
    assert team.audit_faults(receipts) == ()
    assert rig.receipts("http://elsewhere") == ()


class Cut(httpx.BaseTransport):
    """A line that breaks before or after the request number ``at``."""

    def __init__(self, at: int, *, answered: bool) -> None:
        self._line, self._at, self._answered = httpx.HTTPTransport(), at, answered
        self.asked: list[str] = []

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        self.asked.append(f"{request.method} {request.url.path}")
        if len(self.asked) >= self._at and not self._answered:
            raise httpx.ReadError("cut")
        answer = self._line.handle_request(request)
        if len(self.asked) >= self._at:
            answer.read()
            raise httpx.ReadError("cut")
        return answer

    def close(self) -> None:
        self._line.close()


def on_line(connection: Connection, line: httpx.BaseTransport) -> None:
    """Put a connection on another line."""
    connection._client._transport.close()
    connection._client._transport = line


@pytest.mark.longer
@pytest.mark.parametrize("answered", [False, True], ids=["before", "after"])
def test_a_push_that_is_cut_anywhere_goes_on_where_it_was(
    answered: bool, team: Store, url: str, tmp_path: Path
) -> None:
    """At each request in turn: nothing acknowledged is lost, no pack that arrived is sent again, and nothing
    half shows.
    """
    with Store.open(tmp_path / "rig.db", bench=NORTH) as rig:
        bench = bench_store(rig)
        (session,) = rig.add_sessions([bench.session(1)])
        rig.void(session.id, "a leak")
        sent: list[str] = []
        for at in range(1, 20):
            line = Cut(at, answered=answered)
            with connected(url) as connection:
                on_line(connection, line)
                before = rig.receipts()
                try:
                    push(rig, connection)
                except StoreError:
                    sent += [asked for asked in line.asked[: at - (not answered)] if asked.startswith("PUT")]
                    shown = team.sessions()
                    assert not shown or shown[0].void_reason == "a leak"
                    assert rig.receipts()[: len(before)] == before
                    continue
                break
        assert at > 3
        assert len(team.sessions()) == 1
        assert len(set(sent)) == 1 or not answered
        assert {Offered(one.kind, one.object_sha256) for one in rig.receipts()} == set(rig.objects())
        assert team.staged_bytes() == 0


@pytest.mark.longer
def test_a_pull_that_is_cut_fetches_no_pack_again(team: Store, url: str, tmp_path: Path) -> None:
    bench = bench_store(team)
    team.add_sessions([bench.session(1), bench.session(2)])
    folder = tmp_path / "fetched"
    with Store.open(tmp_path / "other.db", bench=NORTH) as other:
        with connected(url) as connection:
            on_line(connection, Cut(5, answered=False))  # protocol, list, documents, a pack
            with pytest.raises(StoreError, match="cut"):
                pull(other, connection, folder)
        assert other.sessions() == ()
        (kept,) = folder.iterdir()
        line = Cut(100, answered=False)
        with connected(url) as connection:
            on_line(connection, line)
            assert pull(other, connection, folder).held == ()
        assert [asked for asked in line.asked if kept.name in asked] == []
        assert len(other.sessions()) == 2


@pytest.mark.longer
def test_a_fetched_pack_that_was_changed_is_fetched_again(team: Store, url: str, tmp_path: Path) -> None:
    bench = bench_store(team)
    (session,) = team.add_sessions([bench.session(1)])
    with Store.open(tmp_path / "other.db", bench=NORTH) as other, connected(url) as connection:
        pull(other, connection, tmp_path / "fetched", dry_run=True)
        (kept,) = (tmp_path / "fetched").iterdir()
        kept.write_bytes(b"another")
        assert pull(other, connection, tmp_path / "fetched").held == ()
        assert [one.sha256 for one in other.sessions()] == [session.sha256]


@pytest.mark.longer
def test_one_budget_holds_no_session_back(rig: Store, team: Store, connection: Connection) -> None:
    """A budget of the same name with other figures is refused, named with the way out, and everything else
    goes; the next push says it again, and nothing else.
    """
    team.add_budget(Budget("small", "cortex-m0plus", 1, 1, 2, 3, 4))
    done = push(rig, connection)
    (held,) = done.held
    assert held.kind == "budget"
    assert "another name" in held.error.hint
    assert "flash bytes is 1 in the team's store and 1536 in what tester sent" in held.error.found
    assert len(team.sessions()) == len(rig.sessions())
    again = push(rig, connection)
    assert ([one.kind for one in again.held], again.taken) == (["budget"], ())


@pytest.mark.longer
def test_what_leans_on_what_was_held_back_is_held_back(
    team: Store, connection: Connection, tmp_path: Path
) -> None:
    """A liquid of the same name with other figures: the session on it is not sent, the other goes."""
    with Store.open(tmp_path / "rig.db", bench=NORTH) as rig:
        wet = bench_store(rig)
        other = rig.add_liquid(replace(wet.liquid, name="oil"))
        team.add_liquid(replace(wet.liquid, permittivity=2.0))
        held, goes = rig.add_sessions([wet.session(1), wet.session(2, liquid=other)])
        done = push(rig, connection)
        assert {one.kind for one in done.held} == {"liquid", "session", "unit assignment"}
        assert [one.sha256 for one in team.sessions()] == [goes.sha256]
        told = next(one.error for one in done.held if one.key == held.sha256)
        assert "leans on liquid water, which was held back" in str(told)


@pytest.mark.longer
def test_two_amendments_of_one_session_are_both_kept(
    team: Store, connection: Connection, tmp_path: Path
) -> None:
    """Two benches amend the same session; no store freezes it until a third amendment names both."""
    with Store.open(tmp_path / "one.db", bench=NORTH) as one, Store.open(tmp_path / "two.db") as two:
        bench = bench_store(one)
        (session,) = one.add_sessions([bench.session(1)])
        two.accept(one)
        one.amend_session(session.id, Restatement(firmware="1.1"), "A", "seen")
        two.amend_session(session.id, Restatement(firmware="1.2"), "B", "seen too")
        assert push(one, connection).held == ()
        done = push(two, connection)
        assert done.held == ()
        assert any("stand beside one another" in remark for remark in done.remarks)
        (there,) = team.sessions()
        assert len(there.amended_apart) == 2
        with pytest.raises(InputError, match="amend"):
            team.freeze("all", [there], GroupBy.SESSION, {there.id: Role.FIT})
        assert pull(one, connection, tmp_path / "fetched").held == ()
        assert len(one.sessions()[0].amended_apart) == 2


@pytest.mark.longer
def test_a_filter_takes_along_what_its_sessions_lean_on(
    team: Store, connection: Connection, tmp_path: Path
) -> None:
    """One unit's session goes, then the rest; the same filter pulls it into another store."""
    with Store.open(tmp_path / "rig.db", bench=NORTH) as rig, Store.open(tmp_path / "other.db") as other:
        bench = bench_store(rig, unit=("one", "two"))
        first, second = rig.add_sessions([bench.session(k, unit=u) for k, u in enumerate(bench.units)])
        for unit in bench.units:  # a trim that is of no session
            rig.add_trim(Trim(unit, bench.mounting, TrimKind.FULL, (40000, 40000), "2026-01-03", "line"))
        rig.add_budget(Budget("small", "cortex-m0plus", 1, 1, 2, 3, 4))
        done = push(rig, connection, wanted=SessionFilter(unit=("one",)))
        assert (done.held, new(done)["session"], new(done)["trim"], "budget" in new(done)) == (
            (),
            1,
            1,
            False,
        )
        assert [one.sha256 for one in team.sessions()] == [first.sha256]
        assert new(push(rig, connection)) == {
            "session": 1,
            "trim": 1,
            "unit": 1,
            "budget": 1,
            "unit assignment": 2,
        }
        wanted = SessionFilter(unit=(next(u.name for u in team.units() if u.name.startswith("two")),))
        assert pull(other, connection, tmp_path / "fetched", wanted=wanted).held == ()
        assert [one.sha256 for one in other.sessions()] == [second.sha256]


def test_a_rig_that_was_away_catches_up(rig: Store, team: Store, connection: Connection) -> None:
    """What was captured and said meanwhile goes with the next call, and nothing else."""
    push(rig, connection)
    session = next(one for one in rig.sessions() if one.void_reason is None)
    rig.void(session.id, "it leaked")
    done = push(rig, connection)
    assert (new(done), done.sent_bytes) == ({"void": 1}, 0)
    assert team.session(session.id).void_reason == "it leaked"


@pytest.mark.longer
def test_ten_rigs_push_while_lists_are_read(team: Store, url: str, tmp_path: Path) -> None:
    """None of them waits in vain, and every session is there; whoever reads meanwhile sees what was there
    before, and no session without what was said of it.
    """

    def rig(store: Store) -> None:
        with connected(url) as line:
            assert push(store, line).held == ()

    with ExitStack() as opened, ThreadPoolExecutor(10) as rigs, connected(url) as reader:
        stores = [opened.enter_context(Store.open(tmp_path / f"{number}.db")) for number in range(10)]
        of_session = dict[Offered, set[Offered]]()
        for number, store in enumerate(stores):
            (session,) = store.add_sessions([bench_store(store).session(number)])
            store.void(session.id, f"a leak at rig {number}")
            said = {one for one in store.objects() if one.kind in ("void", "unit assignment")}
            of_session[Offered("session", session.sha256)] = said
        pushing = [rigs.submit(rig, store) for store in stores]
        seen, lists = set[Offered](), 0
        while not all(push.done() for push in pushing):
            listed = reader.offered(SessionFilter())
            assert seen <= set(listed)
            seen, lists = set(listed), lists + 1
            for one, said in of_session.items():
                assert {one, *said} <= seen or not {one, *said} & seen
        for push_of_one in pushing:
            push_of_one.result()
    assert lists > 0
    assert len(team.sessions()) == 10
    assert all(session.void_reason for session in team.sessions())


Change = Callable[[httpx.Request], httpx.Response]


def answering(connection: Connection, change: Change) -> None:
    """Put a connection on a line where a server of a stranger's answers."""
    on_line(connection, httpx.MockTransport(change))


HOSTILE: dict[str, tuple[Change, str]] = {
    "a redirect": (
        lambda _r: httpx.Response(302, headers={"location": "https://evil.example/"}),
        "evil.example",
    ),
    "another major version": (
        lambda _r: httpx.Response(200, json={"protocol": "2.0", "innage": "9", "store": "0", "limits": {}}),
        "version 2.0",
    ),
    "no store": (lambda _r: httpx.Response(200, text="<html>"), "another form"),
    "a plain error": (lambda _r: httpx.Response(500, text="oops"), "without saying why"),
    "a problem that is none": (
        lambda _r: httpx.Response(400, text="[", headers={"content-type": "application/problem+json"}),
        "another form",
    ),
    "a problem of a stranger's": (
        lambda _r: httpx.Response(
            400,
            json={"type": 7, "detail": "x" * 10_000, "where": ["a"], "found": {}, "fields": 7},
            headers={"content-type": "application/problem+json"},
        ),
        "",
    ),
}


@pytest.mark.parametrize("case", HOSTILE)
def test_servers_that_are_none_are_one_sentence(case: str, rig: Store) -> None:
    change, sentence = HOSTILE[case]
    with connected("http://127.0.0.1:9", token="inn_x") as connection:  # noqa: S106 - no token
        answering(connection, change)
        with pytest.raises(InputError) as raised:
            push(rig, connection)
    assert sentence in str(raised.value)
    assert len(str(raised.value)) < 3000


def test_a_token_goes_to_no_other_host(rig: Store) -> None:
    """A redirect is not followed."""
    asked: list[str] = []

    def sends_on(request: httpx.Request) -> httpx.Response:
        asked.append(request.url.host)
        return httpx.Response(302, headers={"location": "https://evil.example/"})

    with connected("http://127.0.0.1:9", token="inn_x") as connection:  # noqa: S106 - no token
        answering(connection, sends_on)
        with pytest.raises(InputError, match=r"sends on to 'evil\.example'"):
            push(rig, connection)
    assert asked == ["127.0.0.1"]


def test_a_busy_server_is_asked_again_when_it_says(rig: Store) -> None:
    waited: list[float] = []
    headers = {"content-type": "application/problem+json", "retry-after": "7"}
    busy = httpx.Response(503, json={"type": "/problems/busy", "detail": "try again"}, headers=headers)
    with Connection("http://127.0.0.1:9", sleep=waited.append) as connection:
        answering(connection, lambda _request: busy)
        with pytest.raises(InputError, match="try again"):
            push(rig, connection)
    assert waited == [7.0, 7.0, 7.0]


@pytest.mark.longer
def test_a_server_that_gives_what_it_did_not_offer(team: Store, url: str, tmp_path: Path) -> None:
    """Other documents, other bytes, none: nothing of it is taken."""
    bench = bench_store(team)
    team.add_sessions([bench.session(1), bench.session(2)])

    class Other(Connection):
        lie = ""

        def documents(self, wanted: Sequence[Offered]) -> Iterator[Any]:
            given = list(super().documents(wanted))
            yield from given[:-1] if self.lie == "fewer" else given
            if self.lie == "twice":
                yield given[-1]

        def offered(self, wanted: SessionFilter) -> tuple[Offered, ...]:
            every = super().offered(wanted)
            return every[:-1] if self.lie == "more" else every

        def blob(self, one: Offered, name: str) -> bytes:
            return b"another" if self.lie == "bytes" else super().blob(one, name)

    with Store.open(tmp_path / "other.db", bench=NORTH) as other, connected(url) as line:
        connection = Other(url)
        connection._client = line._client
        for lie, sentence in (("fewer", "not as it was offered"), ("bytes", "hash to another name")):
            connection.lie = lie
            with pytest.raises(InputError, match=sentence):
                pull(other, connection, tmp_path / "fetched")
            assert other.sessions() == ()
        connection.lie = "twice"
        assert pull(other, connection, tmp_path / "fetched").held == ()


class OtherMinor(httpx.BaseTransport):
    """A line to a server of another minor version: it says so, and each of its answers has an entry more."""

    def __init__(self, protocol: str) -> None:
        self.protocol, self.line = protocol, httpx.HTTPTransport()

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        answer = self.line.handle_request(request)
        content, kind = answer.read(), answer.headers.get("content-type", "")
        if kind == "application/json":
            said = json.loads(content) | {"later": [1]}
            content = json.dumps(said | {"protocol": self.protocol} if "protocol" in said else said).encode()
        return httpx.Response(answer.status_code, headers={"content-type": kind}, content=content)

    def close(self) -> None:
        self.line.close()


@pytest.mark.longer
@pytest.mark.parametrize(("client", "server"), [((1, 1), "1.0"), ((1, 0), "1.1")])
def test_the_other_end_is_a_minor_version_older_or_newer(
    team: Store,
    url: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    client: tuple[int, int],
    server: str,
) -> None:
    """What is pushed arrives, and is pulled by another rig; another major version gets nothing."""
    monkeypatch.setattr(wire, "PROTOCOL", client)
    with Store.open(tmp_path / "a.db") as rig, Store.open(tmp_path / "b.db") as other:
        rig.add_sessions([bench_store(rig).session(1)])
        with spoken_to(url, server) as connection:
            push(rig, connection)
            pull(other, connection, tmp_path / "fetched")
        assert set(rig.objects()) == set(team.objects()) == set(other.objects()) != set()
        with (
            spoken_to(url, "2.0") as connection,
            pytest.raises(InputError, match=r"speaks version 2\.0.*version 1"),
        ):
            push(rig, connection, again=True)


def spoken_to(url: str, server: str) -> Connection:
    """A connection to a server that says it speaks this version."""
    connection = connected(url)
    connection._client.close()
    connection._client = httpx.Client(base_url=connection.server, transport=OtherMinor(server))
    return connection
