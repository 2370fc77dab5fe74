"""What is kept of every session between two questions: always what reading all of it anew gives, whatever was
done meanwhile, and no more is read than that touches.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from acts import ACTS, REASON, Doing, bench_of, copies, fill_both
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from stores import fill_lists

from building import make_frames
from dataset.records import GroupBy, Role, Session
from dataset.store import Store
from dataset.store.listing import SessionLine
from dataset.store.standing import Standing


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The stores of two benches, with sessions in both."""
    return fill_both(tmp_path_factory.mktemp("filled"))


@pytest.fixture
def two_benches(tmp_path: Path, filled: tuple[Path, Path]) -> Iterator[Callable[[], Doing]]:
    """Gives copies of both."""
    with copies(filled, tmp_path) as make:
        yield make


def held_against_anew(
    store: Store, lines: Standing[SessionLine] | None, sessions: Standing[Session] | None
) -> tuple[Standing[SessionLine], Standing[Session]]:
    """What is kept, asked again: the same as all of it read anew."""
    now = store.standing_lines(lines), store.standing_sessions(sessions)
    assert now[0].items == store.page_of_session_lines(limit=1000).items
    assert now[1].items == store.sessions()
    assert list(now[0].of_rows) == list(now[1].of_rows) == sorted(now[0].of_rows)
    return now


@pytest.mark.longer
@pytest.mark.parametrize("act", ACTS)
def test_what_is_kept_is_what_reading_anew_gives(two_benches: Callable[[], Doing], act: str) -> None:
    """After each kind of act, done twice; the records of sessions that it does not touch stay the same."""
    doing = two_benches()
    lines, sessions = held_against_anew(doing.north, None, None)
    for _ in range(2):
        before, is_of = sessions, {line.id: line for line in lines.items}
        touched = ACTS[act](doing)
        lines, sessions = held_against_anew(doing.north, lines, sessions)
        assert sessions is not before
        if touched is None:
            continue
        there = {session.id: session for session in sessions.items}
        assert {session.id for session in before.items if there[session.id] is not session} == touched
        assert {line.id for line in lines.items if is_of.get(line.id) is line} == {*is_of} - touched


def test_nothing_is_read_where_nothing_came_in(two_benches: Callable[[], Doing]) -> None:
    doing = two_benches()
    lines, sessions = held_against_anew(doing.north, None, None)
    again = held_against_anew(doing.north, lines, sessions)
    assert (again[0] is lines, again[1] is sessions) == (True, True)


@pytest.mark.slow
@settings(max_examples=12, deadline=None, database=None, suppress_health_check=list(HealthCheck))
@given(st.lists(st.tuples(st.sampled_from([*ACTS]), st.booleans()), min_size=2, max_size=9))
def test_in_any_order(two_benches: Callable[[], Doing], acts: list[tuple[str, bool]]) -> None:
    """Acts in any order, of which some come several at a time between two questions."""
    doing = two_benches()
    lines, sessions = held_against_anew(doing.north, None, None)
    for act, asked in acts:
        ACTS[act](doing)
        if asked:
            lines, sessions = held_against_anew(doing.north, lines, sessions)
    held_against_anew(doing.north, lines, sessions)


@pytest.mark.longer
def test_on_each_database(store: Store) -> None:
    """More sessions than one statement takes are read in parts; the same on a server as in a file."""
    fill_lists(store)
    lines, sessions = held_against_anew(store, None, None)
    bench = bench_of(store)
    store.add_sessions([bench.session(seed, frames=make_frames(seed, n=32)) for seed in range(1000, 1007)])
    store.void(store.sessions()[1].id, REASON)
    store.tag([store.sessions()[2].id], ["dry"])
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("dataset.store.standing.AT_ONCE", 2)
        held_against_anew(store, lines, sessions)


@pytest.mark.longer
def test_frozen_sets_on_each_database(store: Store) -> None:
    """Their hashes and openings, none of them read; another state once there is one more of either."""
    fill_lists(store)
    sets = store.frozen_sets()
    assert store.frozen_set_digests() == {one.name: one.sha256 for one in sets}
    state = store.state_of_frozen_sets()
    assert store.openings_of_choices() == {}
    store.open_prove(sets[0], "a look")
    store.open_prove(sets[1], "the same choice under another name")
    openings = store.openings_of_choices()
    assert openings == {one.sha256: count for one in sets if (count := store.prove_openings(one))}
    assert sum(openings.values()) == 2
    assert (opened := store.state_of_frozen_sets()) != state
    usable = [session for session in store.sessions() if session.void_reason is None]
    store.freeze("more", usable[:1], GroupBy.SESSION, {usable[0].id: Role.FIT})
    assert store.state_of_frozen_sets() not in (state, opened)
