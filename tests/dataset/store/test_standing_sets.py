"""A frozen set that is kept between two questions: always what reading it anew gives, whatever was done
meanwhile, and no more of it is read than that touches.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from acts import ACTS, AUTHOR, REASON, Doing, copies, fill_both
from stores import fill_lists, model_of, unguarded

from dataset.errors import NotFoundError, StoreError
from dataset.records import FrozenSet, GroupBy, Restatement, Role
from dataset.store import Store
from dataset.store.standing_sets import StandingSet

SETS = ("a", "units", "tanks")


def freeze(store: Store) -> None:
    """Sets by unit and by tank of what can be used: one session of it is amended, of one the marks are."""
    usable = [session for session in store.sessions() if session.void_reason is None]
    for name, by, group in (
        ("units", GroupBy.UNIT, lambda session: session.unit.name),
        ("tanks", GroupBy.TANK, lambda session: session.mounting.tank.ref),
    ):
        store.freeze(name, usable, by, dict.fromkeys(map(group, usable), Role.FIT))


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The stores of two benches, one with sets of sessions of both."""
    paths = fill_both(tmp_path_factory.mktemp("filled"))
    with Store.open(paths[0]) as store:
        store.merge(paths[1])
        freeze(store)
    return paths


@pytest.fixture
def doing(tmp_path: Path, filled: tuple[Path, Path]) -> Iterator[Doing]:
    """Copies of both."""
    with copies(filled, tmp_path) as make:
        yield make()


def held_against_anew(store: Store, name: str, before: StandingSet | None) -> StandingSet:
    """What is kept, asked again: the same as all of it read anew."""
    now, anew = store.standing_set(name, before), store.frozen_set(name)
    assert now.frozen == anew
    assert [s.tank_group for s in now.frozen.sessions] == [s.tank_group for s in anew.sessions]
    assert [s.sealed_unit for s in now.frozen.sessions] == [s.sealed_unit for s in anew.sessions]
    amended = {s.sha256: s for s in store.sessions_now(name) if s.amendment or s.mark_revision}
    assert dict(now.said.now) == amended
    assert len(now) == len(anew.sessions)
    return now


@pytest.mark.longer
@pytest.mark.parametrize("act", ACTS)
def test_what_is_kept_is_what_reading_anew_gives(
    doing: Doing, act: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After each kind of act, done twice. Where it touches sessions alone, the others stay the same records,
    and no set is read whole.
    """
    sets = {name: held_against_anew(doing.north, name, None) for name in SETS}
    read, whole = list[str](), Store.frozen_set

    def counted(store: Store, name: str) -> FrozenSet:
        read.append(name)
        return whole(store, name)

    for _ in range(2):
        touched = ACTS[act](doing)
        for name, before in sets.items():
            with monkeypatch.context() as patch:
                patch.setattr(Store, "frozen_set", counted)
                sets[name] = doing.north.standing_set(name, before)
            assert sets[name] == held_against_anew(doing.north, name, before)
            if touched is not None:
                pairs = list(zip(before.frozen.sessions, sets[name].frozen.sessions, strict=True))
                assert {new.id for old, new in pairs if new is not old} == touched & {
                    new.id for _, new in pairs
                }
                assert read == []


def test_nothing_is_read_where_nothing_came_in(doing: Doing) -> None:
    kept = held_against_anew(doing.north, "units", None)
    assert doing.north.standing_set("units", kept) is kept


def test_amendments_beside_one_another(doing: Doing, tmp_path: Path) -> None:
    """Of a session that the set pins by another amendment: which of both is right is open."""
    store = doing.north
    kept = held_against_anew(store, "units", None)
    amended = next(session for session in kept.frozen.sessions if session.amendment)
    with Store.open(shutil.copy(store.path, tmp_path / "beside.db")) as beside:
        for one, firmware in ((store, "7"), (beside, "8")):
            one.amend_session(amended.id, Restatement(firmware=firmware), AUTHOR, REASON)
    store.merge(tmp_path / "beside.db")
    kept = held_against_anew(store, "units", kept)
    assert [len(session.amended_apart) for session in kept.frozen.sessions if session.amendment] == [2]


def test_a_row_that_says_something_else_is_told(doing: Doing) -> None:
    """Of a session of which something was said since: its hash no longer stands for it."""
    store = doing.north
    kept = held_against_anew(store, "units", None)
    session = next(one for one in kept.frozen.sessions if not one.mark_revision)
    with unguarded(store) as connection:
        connection.execute("UPDATE frozen_session SET mark_revision_sha256 = NULL")
    spoken_of = next(one for one in kept.frozen.sessions if one.mark_revision)
    store.tag([session.id], ["dry"])
    assert store.standing_set("units", kept).frozen.sessions  # nothing was said of the other
    store.tag([spoken_of.id], ["dry"])
    with pytest.raises(StoreError, match="units"):
        store.standing_set("units", kept)


def test_a_set_that_is_not_there(doing: Doing) -> None:
    with pytest.raises(NotFoundError, match="none"):
        doing.north.standing_set("none")


def test_a_model_takes_the_set_that_it_is_handed(doing: Doing) -> None:
    """Of another set nothing is taken, be it of its name or of its hash."""
    store = doing.north
    frozen = store.frozen_set("units")
    store.add_model(replace(model_of(frozen), name="of-units"))
    assert store.model("of-units", frozen).frozen is frozen
    for other in (replace(frozen, name="others"), replace(frozen, sha256="0" * 64), store.frozen_set("a")):
        model = store.model("of-units", other)
        assert (model, model.frozen.name) == (store.model("of-units"), "units")


@pytest.mark.longer
def test_on_each_database(store: Store) -> None:
    """More sessions than one statement takes are read in parts; the same on a server as in a file."""
    fill_lists(store)
    freeze(store)
    kept = held_against_anew(store, "units", None)
    for session in kept.frozen.sessions:
        store.tag([session.id], ["dry"])
    store.void(kept.frozen.sessions[0].id, REASON)
    store.amend_session(kept.frozen.sessions[-1].id, Restatement(firmware="3"), AUTHOR, REASON)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("dataset.store.standing_sets.AT_ONCE", 2)
        kept = held_against_anew(store, "units", kept)
    assert {session.tags for session in kept.frozen.sessions} >= {("dry",)}
    assert isinstance(kept.frozen, FrozenSet)
