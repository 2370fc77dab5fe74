"""Frozen sets call units and tanks by what they are, so that one set is the same in every store."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from itertools import permutations
from pathlib import Path
from typing import Any

import pytest

from building import bench_store
from dataset.canonical import frozen_sha256, tank_content_sha256
from dataset.coverage.roles import spread_roles
from dataset.records import GroupBy, Mounting, Role, Tank, Unit
from dataset.store import Store
from dataset.store.whole.integrity import check_store

Register = Callable[[Store], Any]
PINNED = Path(__file__).parents[2] / "data" / "stores" / "0006_temperature.db"
BENCHES = ("a" * 32, "b" * 32, "c" * 32)


def of_each(tmp_path: Path, register: Register) -> list[Path]:
    """Three stores with a session each: of two samples called unit1, and of one called other."""
    paths = []
    for seed, bench in enumerate(BENCHES):
        path = tmp_path / f"{bench[0]}.db"
        with Store.open(path, bench=bench) as store:
            there = register(store)
            unit = there.unit if seed < 2 else store.add_unit(Unit("other", serial="0417"))
            store.add_sessions([there.session(seed, unit=unit)])
        paths.append(path)
    return paths


@pytest.mark.longer
def test_two_units_are_two_groups_in_every_store(tmp_path: Path, register: Register) -> None:
    """Merged in every order and frozen there, by the names that each store shows: the same set, with a group
    for each of the two samples of one name, and the same draw of roles.
    """
    paths, answers, draws = of_each(tmp_path, register), set(), set()
    for k, order in enumerate(permutations(paths)):
        path = Path(shutil.copy(order[0], tmp_path / f"order{k}.db"))
        with Store.open(path) as store:
            for other in order[1:]:
                store.merge(other)
            sessions = sorted(store.sessions(), key=lambda s: s.sha256)
            roles = {s.unit.name: (Role.PROVE if s.unit.serial else Role.FIT) for s in sessions}
            frozen = store.freeze("set", sessions, GroupBy.UNIT, roles)
            levels = store.freeze("levels", sessions, GroupBy.LEVEL, {"15": Role.FIT, "25": Role.PROVE})
            answers.add((frozen.sha256, frozen.roles, levels.sha256))
            answers.add((frozen.sha256, tuple((g.name, Role.FIT) for g in store.groups(frozen)), ""))
            assert {s.unit.name for s in levels.sessions} == {"unit1@aaaaaa", "unit1@bbbbbb", "other"}
            drawn = spread_roles(sessions, GroupBy.UNIT, {Role.FIT: 2, Role.PROVE: 1}, 3)
            draws.add(frozenset((s.sha256, drawn[s.unit.name]) for s in sessions))
            assert len(store.frozen_data(frozen).counts) == 3 * 28
        assert check_store(path).faults == ()
    assert len(draws) == 1
    ((_, roles_of_set, _),) = {answer for answer in answers if answer[2]}
    assert roles_of_set == (("other", Role.PROVE), ("unit1@aaaaaa", Role.FIT), ("unit1@bbbbbb", Role.FIT))
    assert len(answers) == 2


@pytest.mark.longer
def test_a_set_keeps_its_groups_when_units_turn_out_to_be_one(tmp_path: Path, register: Register) -> None:
    """The set was frozen with two groups, and keeps them, its hash and its data; a new one has one."""
    north, south, _ = of_each(tmp_path, register)
    with Store.open(north) as store:
        store.merge(south)
        roles = {"unit1": Role.FIT, "unit1@bbbbbb": Role.PROVE}
        frozen = store.freeze("two", store.sessions(), GroupBy.UNIT, roles)
        store.unite_units("unit1", "unit1@bbbbbb", "sent over")
        assert store.frozen_set("two") == frozen
        assert [g.name for g in store.groups(store.frozen_set("two"))] == ["unit1@aaaaaa", "unit1@bbbbbb"]
        one = store.freeze("one", store.sessions(), GroupBy.UNIT, {"unit1": Role.FIT})
        assert [(g.name, len(g.sessions)) for g in store.groups(one)] == [("unit1", 2)]
        assert len(store.frozen_data(frozen).counts) == len(store.frozen_data(one).counts) == 56
    assert check_store(north).faults == ()


def test_a_set_of_plain_units_hashes_as_ever(new_store: Store) -> None:
    """Where names do not hide anything, the group is not in the hash; with a serial it is."""
    bench = bench_store(new_store)
    plain = new_store.freeze(
        "plain", new_store.add_sessions([bench.session(1)]), GroupBy.UNIT, {"unit1": Role.FIT}
    )
    assert not plain.named_by_content
    assert plain.sha256 == frozen_sha256(GroupBy.UNIT, {"unit1": Role.FIT}, plain.sessions)
    known = new_store.add_unit(Unit("u7", serial="0417"))
    sessions = new_store.add_sessions([bench.session(2, unit=known)])
    assert new_store.freeze("serial", sessions, GroupBy.UNIT, {"u7": Role.FIT}).named_by_content


def test_groups_by_tank(new_store: Store) -> None:
    """One tank of a name is called by it; of two, each with digits of its content. Either may be named by its
    revision here.
    """
    bench = bench_store(new_store)
    taller = new_store.add_tank(replace(bench.tank, revision=0, span_mm=120.0))
    other = new_store.add_mounting(Mounting("taller", taller, bench.sensor))
    first = new_store.add_sessions([bench.session(1)])
    second = new_store.add_sessions([replace(bench.session(2), mounting=other)])
    one = new_store.freeze("one", first, GroupBy.TANK, {"canister@1": Role.FIT})
    assert one.roles == (("canister", Role.FIT),)
    both = new_store.freeze(
        "both", [*first, *second], GroupBy.TANK, {"canister@1": Role.FIT, "canister@2": Role.PROVE}
    )
    names = {t: f"canister@{tank_content_sha256(t)[:6]}" for t in (bench.tank, taller)}
    assert dict(both.roles) == {names[bench.tank]: Role.FIT, names[taller]: Role.PROVE}
    assert len(new_store.frozen_data(both).rows(Role.FIT)) == 56


@pytest.mark.longer
def test_an_old_set_by_tank_keeps_names_and_hash(tmp_path: Path) -> None:
    """Frozen by a version that named groups by revisions: upgraded, and merged to where the number is
    another, it has the names and the hash that it had.
    """
    with Store.open(shutil.copy(PINNED, tmp_path / "aside.db")) as aside:
        (session,) = aside.sessions()
    group = session.mounting.tank.ref
    sha256 = frozen_sha256(GroupBy.TANK, {group: Role.FIT}, [session])
    old = Path(shutil.copy(PINNED, tmp_path / "old.db"))
    with closing(sqlite3.connect(old)) as connection:
        insert = (
            "INSERT INTO frozen_set (id, name, sha256, sealed, group_by) VALUES (77, 'tanks', ?, 0, 'tank')"
        )
        connection.execute(insert, (sha256,))
        connection.execute("INSERT INTO frozen_role VALUES (77, ?, 'fit')", (group,))
        connection.execute(
            "INSERT INTO frozen_session (frozen_set_id, position, session_id, mark_revision_sha256) "
            "VALUES (77, 0, 1, ?)",
            (session.mark_revision,),
        )
        connection.execute("UPDATE frozen_set SET sealed = 1 WHERE id = 77")
        connection.commit()
    name = session.mounting.tank.name
    with Store.open(tmp_path / "new.db") as store:
        store.add_tank(Tank(name, 0, 1.0))
        store.merge(old)
        frozen = store.frozen_set("tanks")
        assert (frozen.sha256, frozen.roles) == (sha256, ((group, Role.FIT),))
        assert frozen.sessions[0].mounting.tank.ref == f"{name}@2"
        assert len(store.frozen_data(frozen).counts)
    assert check_store(tmp_path / "new.db").faults == ()
