"""Objects from store to store: nothing lost, nothing twice, nothing without its references and its hashes."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import replace
from itertools import permutations
from pathlib import Path
from typing import Any

import pytest
from stores import every_row

from building import bench_store, make_frames, put
from dataset.documents import Document, document_of
from dataset.errors import InputError
from dataset.exchange.objects import KINDS, Offered, Parcel
from dataset.exchange.open_files import files_of
from dataset.records import Budget, GroupBy, Liquid, Mark, Restatement, Role, Unit
from dataset.store import Store
from servers import Server

NORTH, SOUTH = "a" * 32, "b" * 32
STORES = Path(__file__).parents[2] / "data" / "stores"
# what a store counts or decides itself: whose bench it is, and the blocks that frames are packed in
OWN = {"bench", "alembic_version", "sqlite_sequence"}


def a_copy(path: Path, folder: Path, name: str) -> Store:
    """A copy of a store that nobody has open."""
    return Store.open(shutil.copy(path, folder / name))


def empty(folder: Path, bench: str = NORTH) -> Store:
    """A store of the bench with nothing in it."""
    return Store.open(folder / f"{bench[0]}.db", bench=bench)


class Given:
    """A source with some of another's objects, each changed on its way."""

    name = "a stranger"

    def __init__(
        self,
        source: Store,
        change: Callable[[Parcel], Parcel] = lambda parcel: parcel,
        without: Collection[str] = (),
    ) -> None:
        self._source, self._change, self._without = source, change, without

    def objects(self) -> Sequence[Offered]:
        return [one for one in self._source.objects() if one.kind not in self._without]

    def parcels(self, wanted: Collection[Offered]) -> Iterator[Parcel]:
        return map(self._change, self._source.parcels(wanted))


def changing(kind: str, change: Callable[[Parcel], Parcel]) -> Callable[[Parcel], Parcel]:
    return lambda parcel: change(parcel) if parcel.document.kind == kind else parcel


@pytest.mark.longer
def test_every_kind_arrives_as_it_was(full: Path, tmp_path: Path) -> None:
    """Every row but the store's own is the same in the store that took everything; again nothing is new. A
    dry run says the same and writes nothing.
    """
    with a_copy(full, tmp_path, "copy.db") as source, empty(tmp_path) as store:
        before = every_row(store.path)
        said = store.accept(source, dry_run=True)
        assert every_row(store.path) == before
        report = store.accept(source)
        assert report == said
        assert report.held == ()
        assert {taken.kind for taken in report.taken} == set(KINDS)
        assert store.objects() == source.objects()
        assert store.lacking(source.objects()) == ()
        again = store.accept(source)
        assert (again.new, again.held) == (0, ())
        assert all(store.frames(s, verify=True) is not None for s in store.sessions())
        there, here = every_row(source.path), every_row(store.path)
    assert {table for table in there if there[table] != here[table]} <= OWN
    assert store.to_text() == source.to_text()


@pytest.mark.longer
@pytest.mark.parametrize("pinned", [pytest.param("0001_first.db", marks=pytest.mark.slow), "0007_proof.db"])
def test_stores_of_before_arrive_as_they_are(pinned: str, tmp_path: Path) -> None:
    """What an upgrade hashed says so in the next store too, and its hashes hold there."""
    with (
        a_copy(STORES / pinned, tmp_path, "old.db") as source,
        Store.open(tmp_path / "new.db", bench=source.bench().identity) as store,
    ):
        assert store.accept(source).held == ()
        assert store.objects() == source.objects()
        assert all(len(store.frames(session, verify=True)) for session in store.sessions())
        there, here = every_row(source.path), every_row(store.path)
    # frames are packed anew, in the newest format, which the record of a session covers
    repacked = {"frame_block", "capture_session"}
    assert {table for table in there if there[table] != here[table]} <= OWN | repacked


def with_facts(parcel: Parcel, **facts: Any) -> Parcel:
    """The parcel with facts that are others, under the name it had."""
    document = parcel.document
    return replace(parcel, document=Document(document.kind, document.name, document.facts | facts))


CHANGES: dict[str, tuple[str, Callable[[Parcel], Parcel], str]] = {
    "a fact": ("tank", lambda p: with_facts(p, span_mm=101.0), "content hashes to"),
    "a fact that no kind has": ("tank", lambda p: with_facts(p, colour="red"), "a key 'colour'"),
    "a revision": ("tank", lambda p: with_facts(p, revision=7), "in another form"),
    "a note": ("session", lambda p: with_facts(p, note="x"), "content hashes to"),
    "frames": ("session", lambda p: replace(p, frames=make_frames(99)), "other columns"),
    "no frames": ("session", lambda p: replace(p, frames=None), "no frames beside it"),
    "a reason": ("void", lambda p: with_facts(p, reason="another"), "content hashes to"),
    "a number": ("void", lambda p: with_facts(p, reason=7), "a value of type str"),
    "an author": ("amendment", lambda p: with_facts(p, author="Z"), "content hashes to"),
    "marks": ("mark revision", lambda p: with_facts(p, marks=[[0, 5, 1.0, None]]), "content hashes to"),
    "counts": ("trim", lambda p: with_facts(p, counts=[1, 2]), "content hashes to"),
    "a role": ("frozen set", lambda p: with_facts(p, roles={"unit1": "prove"}), "content hashes to"),
    "no role": ("frozen set", lambda p: with_facts(p, roles={"unit1": 7}), "not as innage writes it"),
    "a purpose": ("opening", lambda p: with_facts(p, purpose="x"), "content hashes to"),
    "bytes": ("model", lambda p: replace(p, content=b"other"), "content hashes to"),
    "no bytes": ("model", lambda p: replace(p, content=None), "no float ONNX"),
    "a program": ("model", lambda p: with_facts(p, program='{"format":2}'), "content hashes to"),
    "a status": ("status", lambda p: with_facts(p, status="retired"), "content hashes to"),
    "a signer": ("sign-off", lambda p: with_facts(p, signer="B. Owner"), "content hashes to"),
    "a unit": ("unit assignment", lambda p: with_facts(p, unit="0" * 64), "refers to 000000000000"),
    "a giant": ("budget", lambda p: with_facts(p, cycles=1 << 70), "at most 63 bits"),
    "a NUL": ("operator", lambda p: with_facts(p, note="a\0b"), "without NUL"),
    "a kind": ("sensor", lambda p: with_facts(p, count_law=[]), "one of"),
    "a seed": ("frozen set", lambda p: with_facts(p, seed="7"), "seed: '7'"),
    "edges": ("frozen set", lambda p: with_facts(p, edges_c=[20.0]), "edges where groups are temperatures"),
    "a member": ("frozen set", lambda p: with_facts(p, sessions=[7]), "not as innage writes it"),
    "a tank": ("mounting", lambda p: with_facts(p, tank="0" * 64), "refers to 000000000000"),
}


LEANING = ("leans on", "there already", "not in the store", "that it can follow")


@pytest.fixture(scope="session")
def in_parts(full: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[Parcel]]:
    """Every parcel of the full store, by kind."""
    folder = tmp_path_factory.mktemp("parts")
    parts: dict[str, list[Parcel]] = {}
    with a_copy(full, folder, "copy.db") as source:
        for parcel in source.parcels(source.objects()):
            parts.setdefault(parcel.document.kind, []).append(parcel)
    return parts


class InParts:
    """Parcels at hand as a source."""

    name = "a stranger"

    def __init__(self, parcels: Sequence[Parcel]) -> None:
        self._parcels = parcels

    def objects(self) -> Sequence[Offered]:
        return list(dict.fromkeys(parcel.offered for parcel in self._parcels))

    def parcels(self, wanted: Collection[Offered]) -> Iterator[Parcel]:
        return (parcel for parcel in self._parcels if parcel.offered in wanted)


EVERY_DAY = ("a fact", "frames", "a reason", "a number")


@pytest.mark.longer
@pytest.mark.parametrize(
    "changes",
    [
        pytest.param(EVERY_DAY, id="some"),
        pytest.param(
            tuple(name for name in CHANGES if name not in EVERY_DAY), marks=pytest.mark.slow, id="others"
        ),
    ],
)
def test_what_does_not_hash_to_its_name_is_held_back(
    in_parts: dict[str, list[Parcel]], changes: Sequence[str]
) -> None:
    """With a fact, frames or bytes changed under the same name an object stays out, and so does what leans
    on it; the sentence says what is wrong.
    """
    for kind, change, sentence in map(CHANGES.__getitem__, changes):
        parcels = [p for of_kind in KINDS for p in in_parts[of_kind]]
        first = in_parts[kind][0]
        until = next(at for at, p in enumerate(parcels) if p is in_parts[kind][-1])
        source = InParts([change(p) if p is first else p for p in parcels[: until + 1]])
        with Store.in_memory() as store:
            own = set(store.objects())
            report = store.accept(source)
            held = next(held for held in report.held if held.kind == kind)
            assert sentence in str(held.error), (kind, held.error)
            assert set(store.objects()) - own <= {p.offered for p in parcels}, kind
            others = [str(other.error) for other in report.held if other is not held]
            assert all(any(words in error for words in LEANING) for error in others), others


@pytest.mark.slow
def test_nothing_comes_without_what_it_refers_to(full: Path, tmp_path: Path) -> None:
    """Where a source keeps back the objects of one kind, those that refer to them stay out, and no more."""
    lean = {
        "liquid": {"session"},
        "operator": {"session", "check measurement"},
        "instrument": {"session"},
        "tank": {"mounting", "retirement"},
        "unit": {"unit assignment", "trim", "session", "retirement"},
        "session": {"void", "tag", "mark revision", "amendment", "unit assignment", "frozen set"},
        "amendment": {"frozen set"},
        "frozen set": {"opening", "model"},
        "sign-off": {"model"},
        "model": {"status", "bundle", "board measurement"},
    }
    with a_copy(full, tmp_path, "copy.db") as source, empty(tmp_path, SOUTH) as store:
        for kind, leaning in lean.items():
            report = store.accept(Given(source, without={kind}), dry_run=True)
            assert leaning <= {held.kind for held in report.held}, kind
            assert "tag" in {taken.kind for taken in report.taken}
            assert not {"budget", "mapping", "check standard"} & {held.kind for held in report.held}


@pytest.mark.longer
def test_one_contradiction_holds_back_what_leans_on_it(full: Path, tmp_path: Path) -> None:
    """A budget of one name with other bytes stays out alone; a liquid takes its sessions with it. The
    sentence says what differs and the way out; again it is still held back, and everything else is known.
    """
    with a_copy(full, tmp_path, "copy.db") as source, empty(tmp_path, SOUTH) as store:
        store.add_budget(Budget("small", "cortex-m0plus", 1, 999, 64, 128, 2000))
        report = store.accept(source)
        (held,) = report.held
        assert str(held.error) == (
            "budget small: flash bytes is 999 here and 1536 in copy.db; expected the same content under the "
            "same name. One of the two needs another name"
        )
        assert len(store.sessions()) == 3
        again = store.accept(source)
        assert (again.new, [one.key for one in again.held]) == (0, [held.key])
    with a_copy(full, tmp_path, "copy.db") as source, Store.open(tmp_path / "other.db") as store:
        put(store, Liquid("water", 77.0))
        report = store.accept(source)
        assert str(report.held[0].error).startswith("liquid water: conductivity is not given here and 0.05")
        assert {held.kind for held in report.held} >= {"session", "void", "frozen set", "model"}
        assert store.sessions() == ()
        assert store.budget("small")


@pytest.mark.longer
def test_a_recording_under_another_label_stays_out(tmp_path: Path) -> None:
    """Readings that stand here under another label are held back with what is said of them; one that is void
    there comes in, and so does a pair that the source holds both.
    """
    with empty(tmp_path, NORTH) as source, empty(tmp_path, SOUTH) as store:
        there, here = bench_store(source), bench_store(store)
        (logged,) = source.add_sessions([there.session(1)])
        source.tag([logged.id], ["odd"])
        store.add_sessions([here.session(1, (Mark(0, 5, 3.0),))])
        report = store.accept(source)
        assert [held.kind for held in report.held] == ["session", "tag", "unit assignment"]
        assert "the readings of session" in str(report.held[0].error)
        source.void(logged.id, "logged twice")
        assert store.accept(source).held == ()
        assert store.session(logged.id).void_reason == "logged twice"
        source.take_back_void(logged.id, "no, it was right")
        (held,) = store.accept(source).held
        assert (held.kind, "its void was taken back" in str(held.error)) == ("void", True)


@pytest.mark.longer
def test_two_amendments_of_one_parent_are_both_kept(tmp_path: Path) -> None:
    """The session is refused by freeze until a third names both as its parents, on either bench."""
    with empty(tmp_path, NORTH) as north, empty(tmp_path, SOUTH) as south:
        (logged,) = north.add_sessions([bench_store(north).session(1)])
        south.accept(north)
        one = north.amend_session(logged.id, Restatement(firmware="1.1"), "A. Bench", "read off")
        other = south.amend_session(logged.id, Restatement(firmware="1.2"), "B. Bench", "read off")
        (remark,) = (r for r in north.accept(south).remarks if "beside one another" in r)
        assert "A. Bench" in remark
        assert "B. Bench" in remark
        south.accept(north)
        apart = {one.sha256, other.sha256}
        for store in (north, south):
            assert set(store.session(logged.id).amended_apart) == apart
            with pytest.raises(InputError, match="beside one another"):
                store.freeze("set", [logged.id], GroupBy.UNIT, {store.units()[0].name: Role.FIT})
        third = south.amend_session(logged.id, Restatement(firmware="1.2"), "C. Both", "talked it over")
        assert set(third.parents) == apart
        north.accept(south)
        north.freeze("set", [logged.id], GroupBy.UNIT, {north.units()[0].name: Role.FIT})


def three(folder: Path) -> list[Path]:
    """Three stores: two benches that registered alike, and a copy of the first that went on by itself."""
    paths = [folder / f"{name}.db" for name in ("north", "south", "third")]
    with Store.open(paths[0], bench=NORTH) as north:
        bench = bench_store(north)
        first, second = north.add_sessions([bench.session(1), bench.session(2)])
        north.void(first.id, "hose")
    shutil.copy(paths[0], paths[2])
    with Store.open(paths[0]) as north:
        north.amend_session(second.id, Restatement(firmware="1.1"), "A", "read off")
        north.take_back_void(first.id, "the other hose")
        north.tag([first.id], ["odd"])
        north.retire("unit", "unit1", "worn")
    with Store.open(paths[2]) as third:
        third.amend_session(second.id, Restatement(firmware="1.2"), "B", "read off")
        third.amend_marks(second.id, (Mark(0, 9, 12.0),), "B", "read off wrongly")
        frozen = third.freeze("set", [second.id], GroupBy.UNIT, {"unit1": Role.PROVE})
        third.open_prove(frozen, "look")
        third.tag([first.id], ["odd"], "B")
    with Store.open(paths[1], bench=SOUTH) as south:
        bench = bench_store(south)
        south.add_sessions([bench.session(3)])
        put(south, Unit("board", "", "0417"))
    return paths


@pytest.mark.slow
def test_through_a_server_and_back(full: Path, server: Server, tmp_path: Path) -> None:
    """From a file into a database on a server and into a file: the same objects, open files and text."""
    place = server.store()
    with a_copy(full, tmp_path, "copy.db") as source, Store.open(place) as between:
        assert between.accept(source).held == ()
        again = between.accept(source)
        assert (again.new, again.held) == (0, ())
        assert set(source.objects()) <= set(between.objects())
        with Store.open(tmp_path / "back.db", bench=between.bench().identity) as back:
            assert back.accept(between).held == ()
            for one, other in ((source, between), (between, back)):
                texts = {
                    p.offered: (p.document.text, None if p.frames is None else p.frames.counts.tobytes())
                    for p in other.parcels(source.objects())
                }
                assert texts == {
                    p.offered: (p.document.text, None if p.frames is None else p.frames.counts.tobytes())
                    for p in one.parcels(source.objects())
                }
            assert dict(files_of(back, "")) == dict(files_of(between, ""))
            assert back.to_text() == between.to_text()
    server.drop(place)


@pytest.mark.slow
def test_three_stores_in_every_order(tmp_path: Path) -> None:
    """Whatever the order in which three stores give to one another, each ends with the same objects, says the
    same of its sessions, and finds nothing new any more.
    """
    paths = three(tmp_path)
    ends: set[tuple[Any, ...]] = set()
    for k, order in enumerate(permutations(range(3))):
        folder = tmp_path / str(k)
        folder.mkdir()
        first, second, last = (a_copy(paths[which], folder, f"{which}.db") for which in order)
        for taker, giver in ((first, second), (first, last), (last, first)):
            assert taker.accept(giver).held == ()
        assert first.lacking(last.objects()) == last.lacking(first.objects()) == ()
        assert last.accept(first).new == 0
        for store in (first, last):
            ends.add(
                (
                    frozenset(store.objects()),
                    frozenset(
                        (s.sha256, s.void_reason, s.amendment, s.mark_revision, s.tags)
                        for s in store.sessions()
                    ),
                )
            )
        for store in (first, second, last):
            store.close()
    assert len(ends) == 1


@pytest.mark.slow
def test_a_document_says_the_same_in_every_store(full: Path, tmp_path: Path) -> None:
    """Its bytes are those that the first store wrote, two exchanges later."""
    with a_copy(full, tmp_path, "copy.db") as source, empty(tmp_path, SOUTH) as between:
        between.accept(source)
        with Store.open(tmp_path / "last.db", bench=NORTH) as store:
            store.accept(between)
            wanted = [one for one in source.objects() if one.kind != "bench"]
            texts = [[p.document.text for p in s.parcels(wanted)] for s in (source, store)]
            assert sorted(texts[0]) == sorted(texts[1])
            assert document_of(store.unit("board1")) == document_of(source.unit("board1"))
