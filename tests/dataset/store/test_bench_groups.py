"""Frozen sets whose groups are benches, for a claim about one never seen."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from building import Bench, make_frames
from dataset.coverage.roles import groups_of
from dataset.errors import InputError
from dataset.records import GroupBy, NewSession, Occasion, Restatement, Role, Unit
from dataset.store import Store
from dataset.store.whole.integrity import check_store
from innage.jobs.models.choosing import Choice, freeze, freeze_choice

Register = Callable[[Store], Bench]
NORTH, SOUTH = "a" * 32, "b" * 32


@pytest.fixture
def two(new_store: Store, register: Register) -> list[NewSession]:
    """Sessions of one unit on two benches, two of each; the last states none."""
    new_store.add_units([Unit(f"of-{bench[0]}", bench=bench) for bench in (NORTH, SOUTH)])
    bench = register(new_store)
    stated = (NORTH, NORTH, SOUTH, SOUTH, None)
    return [
        replace(bench.session(k, frames=make_frames(k)), occasion=Occasion(bench=where))
        for k, where in enumerate(stated)
    ]


def test_a_bench_has_one_role(new_store: Store, two: list[NewSession]) -> None:
    """Groups go by the identity, which every store has; they may be called as this store does."""
    sessions = new_store.add_sessions(two[:4])
    assert [group.name for group in groups_of(sessions, GroupBy.BENCH)] == [NORTH[:12], SOUTH[:12]]
    (south,) = [bench.name for bench in new_store.benches() if bench.identity == SOUTH]
    looked = freeze_choice(
        new_store, "set", Choice(), group_by="bench", roles={"fit": ["rest"], "prove": [south]}
    )
    assert dict(looked.frozen_set.roles) == {NORTH[:12]: Role.FIT, SOUTH[:12]: Role.PROVE}
    assert (SOUTH[:12], south) in looked.benches
    data = new_store.frozen_data(looked.frozen_set)
    proven = {
        data.frozen.sessions[k].occasion.bench for k in set(data.session[data.rows(Role.PROVE)].tolist())
    }
    assert proven == {SOUTH}


def test_a_session_that_states_no_bench_is_refused(new_store: Store, two: list[NewSession]) -> None:
    """Until it says one; what a set pins stays when a session is amended to another bench."""
    *_, last = new_store.add_sessions(two)
    roles = {"fit": [NORTH[:12]], "prove": ["rest"]}
    with pytest.raises(InputError, match="does not say on which bench it was captured"):
        freeze(new_store, "set", group_by="bench", roles=roles)
    new_store.amend_session(last.id, Restatement(bench=SOUTH), "A. Bench", "it stood there")
    frozen = freeze(new_store, "set", group_by="bench", roles=roles)
    before = new_store.groups(frozen)
    new_store.amend_session(last.id, Restatement(bench=NORTH), "A. Bench", "no, here")
    assert new_store.groups(new_store.frozen_set("set")) == before
    new_store.close()
    assert check_store(new_store.path).sound


def test_the_same_set_after_a_merge(new_store: Store, two: list[NewSession], tmp_path: Path) -> None:
    new_store.add_sessions(two[:4])
    roles = {"fit": [NORTH[:12]], "prove": [SOUTH[:12]]}
    frozen = freeze(new_store, "set", group_by="bench", roles=roles)
    with Store.open(tmp_path / "other.db", bench=SOUTH) as other:
        other.merge(new_store.path)
        assert other.frozen_set("set").sha256 == frozen.sha256
        again = freeze(other, "again", group_by="bench", roles=roles)
        assert (again.sha256, again.roles) == (frozen.sha256, frozen.roles)
