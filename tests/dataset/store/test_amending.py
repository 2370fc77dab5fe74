"""What a sealed session says, stated anew: which amendment counts, what rests on it, what is refused."""

from __future__ import annotations

import itertools
import json
import shutil
import sqlite3
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import replace
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sqlalchemy import create_engine
from stores import behind_the_back, every_row, model_of

from building import SENSOR, Bench, bench_store, put
from dataset.errors import InputError, StoreError
from dataset.records import (
    Conditions,
    Frames,
    FrozenSet,
    GroupBy,
    Liquid,
    Mark,
    ModelStatus,
    Mounting,
    Restatement,
    Role,
    Session,
    Stretch,
    Tank,
    Trim,
    TrimKind,
    Unit,
    Wall,
)
from dataset.store import Store
from dataset.store.listing import session_lines
from dataset.store.proof import OWN, facts_sha256, record_sha256
from dataset.store.whole.integrity import check_store

Register = Callable[[Store], Bench]
FILM = (Stretch(0, 40, Conditions(wall=(Wall.FILM,))),)


def amend(store: Store, session: Session, reason: str = "mixed up", **stated: Any) -> Session:
    """The session once it is amended so."""
    store.amend_session(session.sha256, Restatement(**stated), "A. Bench", reason)
    return store.session(session.id)


def frozen(store: Store, name: str, *sessions: Session, even_if: str | None = None) -> FrozenSet:
    roles = {session.unit.name: Role.FIT for session in sessions}
    return store.freeze(name, sessions, GroupBy.UNIT, roles, even_if_warned=even_if)


def test_what_is_stated_anew(store: Store, register: Register) -> None:
    """The record says what is so now, and keeps what it was sealed with; hash, marks and readings stay; a
    second amendment states the first one's facts too.
    """
    bench = register(store)
    other, tea = put(store, Unit("unit7"), Liquid("tea", 79.0))
    (sealed,) = store.add_sessions([bench.session(1)])
    session = amend(store, sealed, unit=other)
    session = amend(store, session, liquid=tea, stretches=FILM)
    assert (session.unit, session.liquid, session.stretches) == (other, tea, FILM)
    assert (session.sha256, session.marks, session.mounting) == (sealed.sha256, sealed.marks, sealed.mounting)
    assert session.as_sealed == sealed
    first, second = store.amendments(session.id)
    assert (first.parents, second.parents) == ((), (first.sha256,))
    assert second.stated == Restatement(unit=other, liquid=tea, stretches=FILM)
    assert session.amendment == second.sha256
    assert len(store.frames(session, verify=True)) == 40
    assert store.sessions() == (session,)
    back = amend(store, session, unit=bench.unit, liquid=bench.liquid, stretches=())
    assert (back.unit, back.liquid, back.stretches) == (sealed.unit, sealed.liquid, ())
    assert store.amendments(session.id)[-1].stated == Restatement()


def test_the_hash_is_made_of_what_its_module_says(new_store: Store, register: Register) -> None:
    """An amendment's hash can be made again with hashlib and json alone: this pins its first format."""
    bench = register(new_store)
    put(new_store, Unit("unit7"))
    (sealed,) = new_store.add_sessions([bench.session(1)])
    amend(new_store, sealed, unit=Unit("unit7"), stretches=FILM)
    names = {"bench": new_store.bench().identity, "name": "unit7"}
    unit = sha256(json.dumps(names, sort_keys=True, separators=(",", ":")).encode()).hexdigest()
    content = {
        "format": 1,
        "session": sealed.sha256,
        "parents": [],
        "author": "A. Bench",
        "reason": "mixed up",
        "unit": unit,
        "stretches": [[0, 40, {"wall": ["film"]}]],
    }
    text = json.dumps(content, sort_keys=True, separators=(",", ":"))
    assert new_store.amendments(sealed.id)[0].sha256 == sha256(text.encode()).hexdigest()


def test_a_frozen_set_keeps_what_it_took(store: Store, register: Register) -> None:
    """A set frozen before keeps unit, group and hash; one frozen after has the new unit, and pins the
    amendment that says so.
    """
    bench = register(store)
    (other,) = put(store, Unit("unit7"))
    (sealed,) = store.add_sessions([bench.session(1)])
    before = frozen(store, "before", sealed)
    session = amend(store, sealed, unit=other)
    after = frozen(store, "after", session)
    assert store.frozen_set("before") == before
    kept, new = store.frozen_set("before"), store.frozen_set("after")
    assert [s.unit.name for s in (*kept.sessions, *new.sessions)] == ["unit1", "unit7"]
    assert (kept.roles, new.roles) == ((("unit1", Role.FIT),), (("unit7", Role.FIT),))
    assert (kept.sessions[0].amendment, new.sessions[0].amendment) == (None, session.amendment)
    assert store.frozen_data(kept).frozen == kept
    amend(store, session, unit=bench.unit, reason="it was unit 1 after all")
    assert store.frozen_set("after") == new
    assert new == after
    third = frozen(store, "third", store.session(session.id))
    assert third.roles == kept.roles
    assert third.sha256 != kept.sha256  # the same but for the amendment that it pins


@pytest.mark.longer
@pytest.mark.parametrize(
    ("stated", "message"),
    [
        ({}, "says that already"),
        ({"unit": Unit("unit1")}, "says that already"),
        ({"unit": Unit("unit1", "another note")}, "is another than the store's"),
        ({"stretches": (Stretch(0, 41, Conditions(wall=(Wall.FILM,))),)}, "within 0 to 40"),
        ({"mounting": "low"}, "level of frame 0: 15; expected at least 0 and at most 12"),
        ({"mounting": "wide"}, r"counts of shape \(40, 2\)"),
    ],
)
def test_statements_that_cannot_be(
    store: Store, register: Register, stated: dict[str, Any], message: str
) -> None:
    """What admission refuses of a new session it refuses of an amended one, and nothing is written."""
    bench = register(store)
    low, third = put(
        store,
        Tank("low", 0, 12.0),
        replace(SENSOR, name="wide", pads=(*SENSOR.pads, replace(SENSOR.pads[1], channel=2, name="x"))),
    )
    mountings = {
        "low": Mounting("low", low, bench.sensor),
        "wide": Mounting("wide", bench.tank, third),
    }
    put(store, *mountings.values())
    (sealed,) = store.add_sessions([bench.session(1)])
    named = {what: mountings.get(str(value), value) for what, value in stated.items()}
    with pytest.raises(InputError, match=message):
        amend(store, sealed, **named)
    assert store.session(sealed.id) == sealed


def test_who_and_why_are_asked_for_and_void_ones_stay(store: Store, register: Register) -> None:
    """Without an author or a reason, and on a void session, nothing is amended."""
    bench = register(store)
    (other,) = put(store, Unit("unit7"))
    (sealed,) = store.add_sessions([bench.session(1)])
    for author, reason, what in (("", "why", "author"), ("A. Bench", " ", "reason")):
        with pytest.raises(InputError, match=f"{what}: nothing"):
            store.amend_session(sealed.id, Restatement(unit=other), author, reason)
    store.void(sealed.id, "the hose came off")
    with pytest.raises(InputError, match="is void"):
        amend(store, sealed, unit=other)


def steady(level_counts: Sequence[int], seed: int = 5) -> Frames:
    """Twenty quiet frames at each count of the lower pad; the upper stays dry."""
    draw = np.random.default_rng(seed)
    low = np.repeat(np.asarray(level_counts), 20)
    counts = np.stack([low, np.full(len(low), 20000)], axis=1) + draw.integers(-3, 4, (len(low), 2))
    return Frames(np.arange(len(low), dtype=np.int64) * 100, counts.astype(np.uint32))


def test_warnings_are_found_anew(store: Store) -> None:
    """A session logged of the wrong unit is warned of by that unit's trim; of its own unit it is not, and can
    be frozen without a word.
    """
    bench = bench_store(store, unit=("unit1", "unit2"))
    one, two = bench.units
    for unit, dry in ((one, 20000), (two, 24000)):
        store.add_trim(
            Trim(unit, bench.mounting, TrimKind.DRY, (dry, 20000 + dry // 5), "2026-01-01", "line")
        )
    store.add_trim(Trim(two, bench.mounting, TrimKind.FULL, (50000, 50000), "2026-01-01", "line"))
    marks = (Mark(0, 20, 0.0), Mark(20, 40, 30.0))
    counts = steady((24000, 40000)).counts
    counts[:, 1] += 4800
    frames = Frames(steady((24000, 40000)).t_ms, counts)
    (sealed,) = store.add_sessions([bench.session(1, marks, unit=one, frames=frames)])
    assert [w.check for w in sealed.warnings] == ["other than its trim"]
    with pytest.raises(InputError, match="other than its trim"):
        frozen(store, "wrong", sealed)
    session = amend(store, sealed, unit=two)
    assert session.warnings == ()
    assert frozen(store, "right", session)
    assert session.as_sealed is not None
    assert session.as_sealed.warnings == sealed.warnings


@pytest.mark.longer
def test_trims_of_an_amended_session(store: Store) -> None:
    """A trim that was taken before its session was amended cannot be frozen unless somebody says why; one
    that is taken anew can, and is the one that counts.
    """
    bench = bench_store(store, unit=("unit1", "unit2"))
    (sealed,) = store.add_sessions([bench.session(1, (Mark(20, 40, 30.0),), frames=steady((20000, 40000)))])
    taken = Trim(
        bench.unit,
        bench.mounting,
        TrimKind.FULL,
        (20000, 20000),
        "2026-01-01",
        "bench",
        session=sealed.sha256,
        frames=(0, 20),
        refused=(0, 0),
        spread=(2.0, 2.0),
    )
    old = store.add_trim(taken)
    assert store.doubts_of_trims([old]) == {}
    session = amend(store, sealed, stretches=FILM)
    doubt = store.doubts_of_trims([old])[old.sha256]
    assert "was amended since, by A. Bench ('mixed up')" in doubt
    with pytest.raises(InputError, match=r"trim of unit unit1, full, 2026-01-01: .* was amended since"):
        frozen(store, "doubtful", session)
    assert frozen(store, "told", session, even_if="full it was all the same")
    new = store.add_trim(replace(taken, counts=(20001, 20000), amendment=session.amendment))
    assert store.doubts_of_trims([new]) == {}
    data = store.frozen_data(frozen(store, "anew", session))
    assert data.trim(0, TrimKind.FULL) == new


def test_lists_go_by_the_amendment(new_store: Store, register: Register) -> None:
    """The quick list shows the unit and liquid of the amendment in use, and that it is amended."""
    bench = register(new_store)
    other, tea = put(new_store, Unit("unit7"), Liquid("tea"))
    first, second = new_store.add_sessions([bench.session(1), bench.session(2)])
    amend(new_store, first, unit=other)
    amend(new_store, first, liquid=tea)
    lines = session_lines(new_store.path) or ()
    assert [(s.id, s.unit, s.liquid, s.amendments) for s in lines] == [
        (first.id, "unit7", "tea", 1),
        (second.id, "unit1", "water", 0),
    ]


@pytest.fixture(scope="module")
def each_its_own(template: Path, tmp_path_factory: pytest.TempPathFactory, register: Register) -> list[Path]:
    """Three stores of one bench, each of which then says something of its own of the same things: amendments
    of one session, retirements and take-backs of one unit, and what one model is.
    """
    folder = tmp_path_factory.mktemp("three")
    first = folder / "first.db"
    with Store.open(shutil.copy(template, first)) as store:
        bench = register(store)
        put(store, Unit("unit7"), Unit("unit8"), Unit("spare"), Liquid("tea"))
        (session,) = store.add_sessions([bench.session(1)])
        frozen(store, "set", session)
        store.retire("unit", "spare", "lost")
        store.add_model(model_of(store.frozen_set("set")))
    paths = [first, *(Path(shutil.copy(first, folder / f"{name}.db")) for name in ("second", "third"))]
    for path, says in zip(paths, (_first_says, _second_says, _third_says), strict=True):
        with Store.open(path) as store:
            says(store, store.sessions()[0])
    return paths


@pytest.fixture
def three(each_its_own: list[Path], tmp_path: Path) -> list[Path]:
    """Copies of the three for one test."""
    return [Path(shutil.copy(path, tmp_path / path.name)) for path in each_its_own]


def _first_says(store: Store, session: Session) -> None:
    amend(store, session, unit=store.unit("unit7"))
    store.take_back_retirement("unit", "spare", "found")
    store.set_status("m", ModelStatus.CANDIDATE, "A. Bench", "meets every limit")


def _second_says(store: Store, session: Session) -> None:
    session = amend(store, session, liquid=store.liquid("tea"))
    amend(store, session, stretches=FILM)
    store.set_status("m", ModelStatus.RETIRED, "B. Bench", "reads foam as liquid")


def _third_says(store: Store, session: Session) -> None:
    amend(store, session, unit=store.unit("unit8"), reason="read the label again")
    store.retire("liquid", "tea", "gone bad")
    store.take_back_retirement("unit", "spare", "it was in the drawer")
    store.retire("unit", "spare", "broken")


@pytest.mark.longer
def test_every_order_of_three_stores_gives_the_same(three: list[Path], tmp_path: Path) -> None:
    """Whatever store brings in the others, in whatever order: the same session, the same units in use, the
    same status, and every event is there. All pass the check.
    """
    answers: list[Any] = []
    for number, order in enumerate(itertools.permutations(three)):
        path = Path(shutil.copy(order[0], tmp_path / f"union{number}.db"))
        with Store.open(path) as store:
            for other in order[1:]:
                store.merge(other)
            (session,) = store.sessions()
            (line,) = session_lines(path) or ()
            status = store.status("m")
            answers.append(
                (
                    session,
                    {a.sha256 for a in store.amendments(session.id)},
                    (line.unit, line.liquid, line.amendments),
                    store.retired("unit"),
                    store.retired("liquid"),
                    {e.sha256 for e in store.retirement_events("unit", "spare")},
                    None if status is None else (status.sha256, status.status),
                    {e.sha256 for e in store.status_events("m")},
                )
            )
        assert check_store(path).faults == ()
    assert all(answer == answers[0] for answer in answers)
    session, amendments, listed, units, liquids, events, said, statuses = answers[0]
    assert (len(amendments), len(session.amended_apart), len(events), len(statuses)) == (4, 3, 4, 2)
    assert listed == ("unit1", "tea", 3)  # the longest chain
    assert (units, liquids) == ({"spare": "broken"}, {"tea": "gone bad"})
    assert said is not None
    assert said[1] is ModelStatus.RETIRED


def test_what_stands_apart_is_united_by_a_further_amendment(three: list[Path]) -> None:
    """Two benches' amendments are both kept and said; the session cannot be frozen, and the amendment that
    follows both must say what they do not agree on.
    """
    with Store.open(three[0]) as store:
        remarks = store.merge(three[1]).remarks
        assert any("it was amended on both benches" in remark for remark in remarks)
        (session,) = store.sessions()
        with pytest.raises(InputError, match="stand beside one another: which is right is open"):
            frozen(store, "open", session)
        with pytest.raises(InputError, match="differ in unit, liquid, condition"):
            amend(store, session, reason="talked it over")
        united = amend(store, session, unit=store.unit("unit7"), liquid=store.liquid("tea"), stretches=FILM)
        assert united.amended_apart == ()
        assert set(store.amendments(session.id)[-1].parents) == set(session.amended_apart)
        assert frozen(store, "united", united)
    assert check_store(three[0]).sound


HOSTILE = {
    "an amendment that was edited": (
        "UPDATE amendment SET author = 'Nobody' WHERE depth = 1",
        r"second\.db, session \w+, amendment \w+: its content hashes to",
    ),
    "an amendment without the one it follows": (
        "DELETE FROM amendment WHERE depth = 1",
        r"second\.db, session \w+, amendment \w+: follows \w+, which is not there",
    ),
    "one that says it is deeper": (
        "UPDATE amendment SET depth = 9 WHERE depth = 2",
        r"second\.db, .* says that it is 9 deep",
    ),
    "a status that was edited": (
        "UPDATE status_event SET status = 'candidate'",
        r"second\.db, status of model \w+: its content hashes to",
    ),
}


@pytest.mark.longer
@pytest.mark.parametrize("what", HOSTILE)
def test_hostile_rows_do_not_come_in(three: list[Path], what: str) -> None:
    """What was changed behind the tool's back is named with its store, and nothing of that store is taken."""
    statement, message = HOSTILE[what]
    behind_the_back(three[1], statement)
    assert not check_store(three[1]).sound
    with Store.open(three[0]) as store:
        before = every_row(three[0])
        with pytest.raises(StoreError, match=message):
            store.merge(three[1])
    assert every_row(three[0]) == before


def test_a_take_back_of_something_else(three: list[Path]) -> None:
    """A take-back counts for the event of its own record only: one that names an event of another record is
    damage.
    """
    with Store.open(three[2]) as store:
        (event,) = store.retirement_events("liquid", "tea")
    with closing(sqlite3.connect(three[2])) as connection:
        connection.execute("DROP TRIGGER guard_retirement_event_update")
        connection.execute("UPDATE retirement_event SET parent_sha256 = ? WHERE takes_back", (event.sha256,))
        for (sequence,) in connection.execute("SELECT sequence FROM retirement_event").fetchall():
            connection.execute(
                "UPDATE retirement_event SET record_sha256 = ? WHERE sequence = ?",
                (rehashed(connection, sequence), sequence),
            )
        connection.commit()
    assert any("which is not there" in f.sentence for f in check_store(three[2]).faults)


@pytest.mark.longer
def test_a_void_that_follows_nothing(three: list[Path], tmp_path: Path) -> None:
    """A take-back that names no void of its session is damage and doesn't come in, though its hash is
    right.
    """
    with Store.open(three[1]) as store:
        session = store.sessions()[0]
        if session.void_reason is None:
            store.void(session.id, "the hose slipped")
        store.take_back_void(session.id, "it did not")
    for parent in ("f" * 64, None):
        path = shutil.copy(three[1], tmp_path / "hostile.db")
        engine = create_engine(f"sqlite:///{path}")
        with engine.begin() as connection:
            (guard,) = connection.exec_driver_sql(
                "SELECT sql FROM sqlite_master WHERE name = 'guard_void_event_update'"
            ).one()
            connection.exec_driver_sql("DROP TRIGGER guard_void_event_update")
            connection.exec_driver_sql("UPDATE void_event SET parent_sha256 = ? WHERE takes_back", (parent,))
            for (sequence,) in connection.exec_driver_sql("SELECT sequence FROM void_event").all():
                connection.exec_driver_sql(
                    "UPDATE void_event SET record_sha256 = ? WHERE sequence = ?",
                    (record_sha256(connection, "void_event", sequence), sequence),
                )
            connection.exec_driver_sql(guard)
        engine.dispose()
        assert any("which is not there" in f.sentence for f in check_store(path).faults)
        with Store.open(three[0]) as store, pytest.raises(StoreError, match="which is not there"):
            store.merge(path)


def rehashed(connection: sqlite3.Connection, sequence: int) -> str:
    """The hash that somebody who knows how it is made would give a changed event."""
    cursor = connection.execute("SELECT * FROM retirement_event WHERE sequence = ?", (sequence,))
    names = [name for name, *_ in cursor.description]
    facts = dict(zip(names, cursor.fetchone(), strict=True))
    return facts_sha256("retirement_event", {k: v for k, v in facts.items() if k not in OWN})
