"""Frozen sets whose groups are bands of temperature: who goes where, what the hash covers, and that they
outlive merging and upgrades.
"""

from __future__ import annotations

import hashlib
import json
import math
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from building import put
from dataset.canonical import frozen_sha256, marks_content
from dataset.errors import InputError
from dataset.records import Frames, FrozenSet, GroupBy, Mark, NewSession, Role, Session, Unit
from dataset.store import Store
from dataset.store.whole.integrity import check_store

if TYPE_CHECKING:
    from building import Bench

EDGES = (5.0, 15.0, 25.0, 35.0)
MARKS = (Mark(0, 10, 10.0), Mark(10, 20, 20.0), Mark(25, 35, 30.0))
ROLES = {"5..15 C": Role.FIT, "15..25 C": Role.PROVE, "25..35 C": Role.CHOOSE}


def frames(seed: int, *means: float) -> Frames:
    """Forty frames, each mark's at its mean, those without a label at 99 C."""
    warm = np.full(40, 99.0)
    for mark, mean in zip(MARKS, means, strict=True):
        warm[mark.start : mark.stop] = mean
    counts = np.random.default_rng(seed).integers(0, 1 << 16, (40, 2)).astype(np.uint32)
    return Frames(np.arange(40, dtype=np.int64) * 100, counts, warm)


def fill(store: Store, register: Callable[[Store], Bench]) -> tuple[Session, ...]:
    """Two units: the first goes through all three bands in one session, the second through two in each of two
    sessions.
    """
    bench = register(store)
    (other,) = put(store, Unit("unit2"))
    return store.add_sessions(
        [
            bench.session(1, MARKS, frames=frames(1, 10.0, 20.0, 30.0)),
            bench.session(2, MARKS, unit=other, frames=frames(2, 12.0, 22.0, 22.0)),
            bench.session(3, MARKS, unit=other, frames=frames(3, 15.0, 14.9, 34.0)),
        ]
    )


@pytest.fixture
def store(new_store: Store, register: Callable[[Store], Bench]) -> Store:
    fill(new_store, register)
    return new_store


def freeze(store: Store, name: str = "bands", edges_c: tuple[float, ...] = EDGES) -> FrozenSet:
    return store.freeze(name, store.sessions(), GroupBy.TEMPERATURE, ROLES, edges_c=edges_c)


def test_the_mark_counts(store: Store) -> None:
    """Frames of one session go to the roles of their marks' bands, as a loop over the sealed frames finds
    them; no band is in two roles.
    """
    frozen = freeze(store)
    data = store.frozen_data(frozen)
    expected = []
    for k, session in enumerate(frozen.sessions):
        warm = store.frames(session).temperature_c
        assert warm is not None
        for mark in session.marks:
            mean = sum(warm[mark.start : mark.stop]) / 10
            band = next(f"{low:g}..{low + 10:g} C" for low in EDGES if low <= mean < low + 10)
            expected += [(k, frame, band, ROLES[band]) for frame in range(mark.start, mark.stop)]
    roles = [frozen.roles[g] for g in data.group]
    assert [(s, f, *r) for s, f, r in zip(data.session, data.frame, roles, strict=True)] == expected
    by_role = {role: data.rows(role) for role in ROLES.values()}
    assert np.sum(list(by_role.values()), axis=0).tolist() == [1] * len(data.group)
    bands = [{frozen.roles[g][0] for g in data.group[rows]} for rows in by_role.values()]
    assert [len(its) for its in bands] == [1, 1, 1]
    assert len(set.union(*bands)) == 3
    (straddling,) = [k for k, s in enumerate(frozen.sessions) if s.unit.name == "unit1"]
    assert {frozen.roles[g][1] for g in data.group[data.session == straddling]} == set(ROLES.values())


def test_no_frame_of_a_proved_band_is_fitted_or_chosen_on(store: Store) -> None:
    """What was measured under the rows of 'prove' and under all others lies on two sides of the edges, where
    marks keep to their bands.
    """
    frozen = freeze(store)
    data, prove = store.frozen_data(frozen), store.frozen_data(frozen).rows(Role.PROVE)
    assert store.frames_outside(frozen) == 0
    assert ((data.temperature_c[prove] >= 15) & (data.temperature_c[prove] < 25)).all()
    assert ((data.temperature_c[~prove] < 15) | (data.temperature_c[~prove] >= 25)).all()


def test_frames_outside_are_counted(store: Store) -> None:
    """A mark that warms from 13 to 17 C lies in the band of its mean, 15 C, with the frames below 15 C
    outside; unlabelled ones do not count.
    """
    first = store.sessions()[0]
    warming = frames(9, 0.0, 20.0, 30.0)
    assert warming.temperature_c is not None
    warming.temperature_c[:10] = [13.0, 13.0, 14.0, 14.5, 15.0, 15.0, 15.5, 16.0, 17.0, 17.0]
    store.add_sessions([NewSession(first.unit, first.liquid, first.mounting, warming, MARKS, first.source)])
    frozen = freeze(store)
    assert store.frames_outside(frozen) == 4
    assert {g.name: g.frames for g in store.groups(frozen)} == {"5..15 C": 30, "15..25 C": 60, "25..35 C": 30}
    assert (
        store.frames_outside(
            store.freeze("units", store.sessions(), GroupBy.UNIT, {"unit1": Role.FIT, "unit2": Role.PROVE})
        )
        == 0
    )


def test_it_comes_back_with_its_edges(store: Store) -> None:
    """From the store alone: record, groups and rows, whatever is captured afterwards."""
    made = freeze(store)
    assert made.edges_c == EDGES
    with Store.open(store.path) as again:
        found = again.frozen_set("bands")
        assert found == made == again.frozen_sets()[0]
        assert [(g.name, g.frames, len(g.sessions)) for g in again.groups(found)] == [
            ("5..15 C", 30, 3),
            ("15..25 C", 40, 3),
            ("25..35 C", 20, 2),
        ]


def test_the_hash_is_what_its_module_says(store: Store) -> None:
    """Edges are in it where there are any; without them it is what it always was. Made again here with json
    and hashlib, which pins format 1.
    """
    frozen = freeze(store)
    sessions = [
        {"sha256": s.sha256, "marks": marks_content(s.marks)}
        for s in sorted(frozen.sessions, key=lambda s: s.sha256)
    ]
    content = {
        "format": 1,
        "group_by": "temperature",
        "roles": {band: role.value for band, role in ROLES.items()},
        "sessions": sessions,
    }

    def sha256(content: dict[str, object]) -> str:
        return hashlib.sha256(json.dumps(content, sort_keys=True, separators=(",", ":")).encode()).hexdigest()

    assert frozen.sha256 == sha256(content | {"edges_c": [5.0, 15.0, 25.0, 35.0]})
    roles = {"unit1": Role.FIT, "unit2": Role.PROVE}
    units = store.freeze("units", store.sessions(), GroupBy.UNIT, roles)
    assert units.sha256 == sha256(
        content | {"group_by": "unit", "roles": {unit: role.value for unit, role in roles.items()}}
    )
    assert frozen_sha256(GroupBy.UNIT, roles, frozen.sessions) == units.sha256


def test_other_edges_are_another_set(store: Store) -> None:
    """Though every mark lies in a band of the same name; one number written two ways is one edge."""
    first, second = freeze(store), freeze(store, "more", (-5.0, *EDGES))
    assert first.roles == second.roles
    assert first.sha256 != second.sha256
    assert freeze(store, "again", (5, 15, 25, 35)).sha256 == first.sha256


def test_amended_marks_do_not_move(store: Store) -> None:
    """A set keeps the marks it was frozen with, and so the bands that they lie in."""
    frozen = freeze(store)
    before = store.groups(frozen)
    store.amend_marks(store.sessions()[0].id, (Mark(0, 35, 10.0),), "A. Bench", "one long mark")
    assert store.groups(store.frozen_set("bands")) == before
    assert len(store.frozen_data(store.frozen_set("bands")).group) == 90


@pytest.mark.parametrize(
    ("group_by", "edges", "sentence"),
    [
        (GroupBy.TEMPERATURE, (), "edges of temperature bands: nothing; expected at least two edges"),
        (GroupBy.TEMPERATURE, (5.0, 15.0, 15.0), "expected edges that rise"),
        (
            GroupBy.TEMPERATURE,
            (5.0, 15.0, 25.0),
            "a mean of 3[04] C; expected one within the bands, 5 to 25 C",
        ),
        (GroupBy.TEMPERATURE, (5.0, 35.0), "no group is called '15..25 C'|no group is called '5..15 C'"),
        (GroupBy.UNIT, EDGES, "4 of them for groups by unit; expected edges for groups by temperature only"),
    ],
)
def test_edges_that_do_not_fit(
    store: Store, group_by: GroupBy, edges: tuple[float, ...], sentence: str
) -> None:
    with pytest.raises(InputError, match=sentence):
        store.freeze("x", store.sessions(), group_by, ROLES, edges_c=edges)
    assert store.frozen_sets() == ()


@pytest.mark.parametrize("warm", [None, np.full(40, math.nan)], ids=["no column", "nothing measured"])
def test_marks_without_a_temperature_are_refused(store: Store, warm: np.ndarray | None) -> None:
    """In the store a choice is whole or nothing; the temperature that the liquid's values hold at (20 C) is
    not the session's.
    """
    first = store.sessions()[0]
    assert first.liquid.temperature_c == 20.0
    its = replace(frames(7, 10.0, 20.0, 30.0), temperature_c=warm)
    (added,) = store.add_sessions(
        [NewSession(first.unit, first.liquid, first.mounting, its, MARKS, first.source)]
    )
    with pytest.raises(InputError, match=f"session {added.id}, frames 0 to 9: no temperature was measured"):
        freeze(store)


def test_edges_never_change(store: Store) -> None:
    """The guard of a sealed set holds for its edges; with it removed, the hash notices, and the check of the
    store names the set.
    """
    freeze(store)
    change = "UPDATE frozen_set SET edges_c = '[5.0,15.0,25.0,36.0]'"
    with closing(sqlite3.connect(store.path)) as connection:
        with pytest.raises(sqlite3.IntegrityError, match="a sealed frozen_set never changes"):
            connection.execute(change)
        assert check_store(store.path).sound
        ((guard,),) = connection.execute(
            "SELECT sql FROM sqlite_master WHERE name = 'guard_frozen_set_update'"
        )
        connection.execute("DROP TRIGGER guard_frozen_set_update")
        connection.execute(change)
        connection.execute(guard)
        connection.commit()
    assert [fault.what for fault in check_store(store.path).faults] == ["frozen set bands"]


@pytest.mark.longer
def test_a_merge_brings_them_along(
    template: Path, tmp_path: Path, store: Store, register: Callable[[Store], Bench]
) -> None:
    """Into a bench that knows nothing of it, and again, which finds nothing new; another set under the name
    is refused.
    """
    frozen = freeze(store)
    with Store.open(shutil.copy(template, tmp_path / "other.db")) as other:
        other.merge(store.path)
        found = other.frozen_set("bands")
        assert (found.sha256, found.edges_c, found.roles) == (frozen.sha256, EDGES, frozen.roles)
        assert other.groups(found) == store.groups(frozen)
        assert np.array_equal(other.frozen_data(found).group, store.frozen_data(frozen).group)
        assert other.merge(store.path).new == 0
        assert check_store(other.path).sound
    with Store.open(shutil.copy(template, tmp_path / "third.db")) as third:
        fill(third, register)
        freeze(third, edges_c=(-5.0, *EDGES))
        with pytest.raises(InputError, match="frozen set bands: hash is"):
            third.merge(store.path)


def test_text_goes_round_beside_them(store: Store) -> None:
    """Frozen sets are not in the text (docs/keeping.md): it is the same with one and without, and brings
    nothing new.
    """
    before = store.to_text()
    freeze(store)
    assert store.to_text() == before
    assert store.from_text(before).merged.new == 0
    assert store.frozen_set("bands").edges_c == EDGES
