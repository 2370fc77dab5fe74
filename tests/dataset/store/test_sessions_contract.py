"""What every store does with sessions: kept whole, refused when they are there already, void, amended, live.

The fixture ``store`` says which stores those are.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from stores import ROLES, behind, model_of, refusal_of, unguarded

from building import make_frames
from dataset.errors import InputError, NotFoundError, StoreError
from dataset.records import (
    BoardMeasurement,
    ColumnMapping,
    Frames,
    GroupBy,
    Mark,
    Unit,
)
from dataset.store import Store

Register = Callable[[Store], Any]

FORBIDDEN = (
    "UPDATE capture_session SET note = 'x'",
    "DELETE FROM capture_session",
    "UPDATE frame_block SET frames = 1",
    "DELETE FROM frame_block",
    (
        "INSERT INTO mark (session_id, position, start, stop, level_mm) SELECT session_id, 99, 0, "
        "1, 1.0 FROM mark LIMIT 1"
    ),
    "UPDATE mark SET level_mm = 1",
    "DELETE FROM mark",
    "UPDATE void_event SET reason = 'x'",
    "DELETE FROM void_event",
    "UPDATE frozen_set SET name = 'x'",
    "DELETE FROM frozen_set",
    "UPDATE frozen_role SET role = 'fit'",
    "DELETE FROM frozen_role",
    "DELETE FROM frozen_session",
    "DELETE FROM prove_opening",
    "UPDATE tank SET span_mm = 1",
    "UPDATE pad SET bottom_mm = 1",
    "UPDATE model SET metrics = '{}'",
    "DELETE FROM exported_file",
    "UPDATE board_measurement SET cycles = 1",
    "DELETE FROM board_measurement",
)


def test_sessions_come_back(store: Store, register: Register) -> None:
    """Frames, marks, source and note come back as they went in, temperatures with their gaps."""
    bench = register(store)
    rng = np.random.default_rng(9)
    warm = np.where(np.arange(5000) % 7 == 0, np.nan, rng.normal(20, 1, 5000))
    frames = Frames(
        np.cumsum(rng.integers(95, 106, 5000)),
        rng.integers(0, 1 << 16, (5000, 2)).astype(np.uint32),
        warm,
    )
    new = bench.session(
        1, (Mark(0, 4999, 0.0), Mark(4999, 5000, 100.0, 0.25)), frames=frames, note="first run"
    )
    (session,) = store.add_sessions([new])
    assert (session.unit, session.liquid, session.mounting) == (bench.unit, bench.liquid, bench.mounting)
    assert (session.marks, session.source, session.note, session.frames) == (
        new.marks,
        new.source,
        "first run",
        5000,
    )
    assert session.void_reason is None
    back = store.frames(session, verify=True)
    np.testing.assert_array_equal(back.t_ms, frames.t_ms)
    np.testing.assert_array_equal(back.counts, frames.counts)
    np.testing.assert_array_equal(back.temperature_c, warm)
    assert store.session(session.id[:5]) == store.sessions()[0] == session


def test_all_sessions_or_none(store: Store, register: Register) -> None:
    """When the last of several sessions is refused, none is in the store, and none of the saved mapping
    either.
    """
    bench = register(store)
    bad = bench.session(3, (Mark(0, 41, 1.0),))
    with pytest.raises(InputError, match=r"run3\.csv"):
        store.add_sessions(
            [bench.session(1), bench.session(2), bad], save_mapping=ColumnMapping("tidy", ("a",))
        )
    assert store.sessions() == ()
    assert store.mappings() == ()


@pytest.mark.longer
def test_the_same_content_is_refused(store: Store, register: Register) -> None:
    """A session that is there already is refused by its id, within a call too."""
    bench = register(store)
    (session,) = store.add_sessions([bench.session(1)])
    with pytest.raises(InputError, match=f"logged already as session {session.id}"):
        store.add_sessions([bench.session(1)])
    with pytest.raises(InputError, match="logged already"):
        store.add_sessions([bench.session(2), bench.session(2)])
    assert store.sessions() == (session,)


@pytest.mark.longer
def test_the_same_readings_are_refused_until_void(store: Store, register: Register) -> None:
    """Readings under another label are refused, as one recording could land on both sides of a split; not
    once it is void.
    """
    bench = register(store)
    (session,) = store.add_sessions([bench.session(1)])
    relabelled = bench.session(1, (Mark(0, 10, 16.0),))
    with pytest.raises(InputError, match=f"readings of session {session.id}"):
        store.add_sessions([relabelled])
    store.void(session.id, "wrong level")
    (second,) = store.add_sessions([relabelled])
    assert second.id != session.id


@pytest.mark.longer
def test_one_recording_is_known_by_its_counts(store: Store, register: Register) -> None:
    """Logged again, of another unit, at other times and without its temperatures, it is refused with the
    session named, until that one is void.
    """
    bench = register(store)
    rng = np.random.default_rng(3)
    counts = rng.integers(0, 1 << 16, (60, 2)).astype(np.uint32)
    warm = Frames(np.arange(60) * 100, counts, rng.normal(20.0, 1.0, 60))
    (session,) = store.add_sessions([bench.session(1, frames=warm)])
    other = store.add_unit(Unit("unit2"))
    for frames in (Frames(warm.t_ms, counts), Frames(warm.t_ms + 7, counts, warm.temperature_c)):
        again = bench.session(2, frames=frames, unit=other)
        with pytest.raises(InputError, match=f"frame by frame, the counts of session {session.id}"):
            store.add_sessions([again])
    store.void(session.id, "wrong unit")
    assert len(store.add_sessions([again])) == 1


@pytest.mark.longer
def test_a_board_that_stands_still_may_repeat_itself(store: Store, register: Register) -> None:
    """Up to 50 frames that differ from one another may come again at other times; with one more they are
    one recording.
    """
    bench = register(store)
    for distinct, refused in ((50, False), (51, True)):
        shown = np.arange(200)[:, None] % distinct + np.array([[distinct, 7]])
        counts = shown.astype(np.uint32)
        store.add_sessions([bench.session(1, frames=Frames(np.arange(200) * 100, counts))])
        again = bench.session(2, frames=Frames(np.arange(200) * 100 + 1, counts))
        if refused:
            with pytest.raises(InputError, match="the counts of session"):
                store.add_sessions([again])
        else:
            store.add_sessions([again])


@pytest.mark.longer
def test_voiding(store: Store, register: Register) -> None:
    """A void session is kept, listed with its reason, readable, and refused by freeze; voiding twice is
    refused.
    """
    bench = register(store)
    (session,) = store.add_sessions([bench.session(1)])
    with pytest.raises(InputError, match="explain"):
        store.void(session.id, "  ")
    voided = store.void(session.id[:6], "hose slipped")
    assert voided == replace(session, void_reason="hose slipped") == store.sessions()[0]
    assert len(store.frames(session.id, verify=True)) == 40
    with pytest.raises(InputError, match=r"is void already \('hose slipped'\)"):
        store.void(session.id, "again")
    with pytest.raises(InputError, match="is void"):
        store.freeze("set", [session], GroupBy.LEVEL, ROLES)


@pytest.mark.longer
def test_taking_back_a_void(store: Store, register: Register) -> None:
    """What was voided wrongly can be used again, any number of times; every event stays, each naming the one
    it follows.
    """
    bench = register(store)
    (session,) = store.add_sessions([bench.session(1)])
    with pytest.raises(InputError, match="is not void"):
        store.take_back_void(session.id, "never was")
    store.void(session.id, "hose slipped")
    with pytest.raises(InputError, match="can be used after all"):
        store.take_back_void(session.id, " ")
    assert store.take_back_void(session.id, "it was the other run") == session == store.sessions()[0]
    again = store.void(session.id, "hose slipped")  # the same words are another event, which stands
    assert again.void_reason == "hose slipped"
    first, back, second = store.void_events(session.id)
    assert [e.takes_back for e in (first, back, second)] == [False, True, False]
    assert (first.parent, back.parent, second.parent) == (None, first.sha256, back.sha256)
    assert first.sha256 != second.sha256
    store.take_back_void(session.id, "it was the other run")
    store.freeze("set", [store.session(session.id)], GroupBy.LEVEL, ROLES)


@pytest.mark.longer
def test_a_void_stays_while_another_session_of_the_recording_is_used(
    store: Store, register: Register
) -> None:
    """One recording under two labels, both in use, could stand on both sides of a split."""
    bench = register(store)
    (wrong,) = store.add_sessions([bench.session(1)])
    store.void(wrong.id, "wrong level")
    (right,) = store.add_sessions([bench.session(1, (Mark(0, 5, 3.0),))])
    with pytest.raises(InputError, match=f"the readings of session {right.id}"):
        store.take_back_void(wrong.id, "it was right")
    store.void(right.id, "this one is wrong")
    assert store.take_back_void(wrong.id, "it was right").void_reason is None
    with pytest.raises(InputError, match=f"the readings of session {wrong.id}"):
        store.add_sessions([bench.session(1, (Mark(0, 6, 3.0),))])


@pytest.mark.longer
def test_session_references(store: Store, register: Register) -> None:
    """A prefix that fits several sessions, none, or is no id at all is refused, each with what to do."""
    bench = register(store)
    added = store.add_sessions([bench.session(k) for k in range(17)])  # of 17 ids two begin alike
    letters = [s.id[0] for s in added]
    twice = next(c for c in letters if letters.count(c) > 1)
    with pytest.raises(InputError, match=r"fits \d+ sessions .* Give more digits"):
        store.session(twice)
    with pytest.raises(NotFoundError, match=r"Store.sessions\(\)"):
        store.session("0" * 12)
    for nothing in ("", "%", "run1.csv"):
        with pytest.raises(InputError, match="not a session's id"):
            store.session(nothing)


@pytest.mark.longer
def test_marks_are_amended_by_revisions(store: Store, register: Register) -> None:
    """The newest revision counts, the hash and the frozen set keep what they had; an amendment that
    changes nothing is refused.
    """
    bench = register(store)
    (before,) = store.add_sessions([bench.session(1)])
    frozen = store.freeze("set", [before], GroupBy.LEVEL, ROLES)
    made = store.amend_marks(before.id, [Mark(0, 10, 16.0, 0.5)], "bench", "read again")
    assert [r.sha256 for r in store.mark_revisions(before.id)] == [made.sha256]
    after = store.session(before.id)
    assert (after.sha256, [m.level_mm for m in after.marks], after.mark_revision) == (
        before.sha256,
        [16.0],
        made.sha256,
    )
    assert store.frozen_set("set").sha256 == frozen.sha256
    assert set(store.frozen_data(store.frozen_set("set")).level_mm) == {15.0, 25.0}
    with pytest.raises(InputError):
        store.amend_marks(before.id, [Mark(0, 10, 16.0, 0.5)], "bench", "again")
    assert len(store.mark_temperatures([after])[after.sha256]) == 1


@pytest.mark.longer
def test_live_captures(store: Store, register: Register) -> None:
    """An open capture grows, is no session, and ends as one with the same frames, or leaves nothing."""
    bench = register(store)
    new = bench.session(1, frames=make_frames(1, warm=True))
    opened = store.begin_capture("monday", bench.unit, bench.liquid, bench.mounting, {"levels": [0]})
    store.append_to_capture(opened, new.frames, [{"what": "mark"}])
    with pytest.raises(InputError, match="another process writes to it"):
        store.append_to_capture(opened, new.frames, [])
    assert [(c.name, c.frames, dict(c.settings)) for c in store.open_captures()] == [
        ("monday", 40, {"levels": [0]})
    ]
    (stands,) = store.open_captures()
    assert (stands.unit, stands.liquid, stands.mounting) == (bench.unit, bench.liquid, bench.mounting)
    written = store.open_frames("monday")
    assert (written.counts == new.frames.counts).all()
    np.testing.assert_array_equal(written.temperature_c, new.frames.temperature_c)
    assert store.sessions() == ()
    with pytest.raises(InputError, match="open already"):
        store.begin_capture("monday", bench.unit, bench.liquid, bench.mounting, {})
    sealed = store.seal_capture("monday", new)
    assert (store.frames(sealed, verify=True).counts == new.frames.counts).all()
    store.begin_capture("tuesday", bench.unit, bench.liquid, bench.mounting, {})
    store.discard_capture("tuesday")
    assert store.open_captures() == ()
    with pytest.raises(NotFoundError):
        store.open_capture("tuesday")


@pytest.mark.longer
def test_the_database_itself_refuses_changes(store: Store, register: Register) -> None:
    """What is sealed, frozen, registered or an event cannot be changed even by another program."""
    bench = register(store)
    kept, other = store.add_sessions([bench.session(1), bench.session(2)])
    frozen = store.freeze("set", [kept], GroupBy.LEVEL, ROLES)
    store.void(other.id, "spilled")
    store.open_prove(frozen, "final")
    model = store.add_model(model_of(frozen))
    store.add_export(model, "b" * 64, {"model.c": "c" * 64})
    store.add_board_measurement(
        BoardMeasurement(model.name, "b" * 64, "board", "", "", "", 0, 1, None, None, None, None)
    )
    with behind(store) as connection:
        for statement in FORBIDDEN:
            with pytest.raises(refusal_of(store), match=r"never|sealed"):
                connection.execute(statement)


@pytest.mark.longer
def test_a_changed_frame_is_noticed(store: Store, register: Register) -> None:
    """When the guards were removed and a block replaced, the hash says so: in frames(verify=True) and in
    frozen_data.
    """
    bench = register(store)
    one, two = store.add_sessions([bench.session(1), bench.session(2)])
    frozen = store.freeze("set", [one], GroupBy.LEVEL, ROLES)
    with unguarded(store) as connection:
        connection.execute(
            "UPDATE frame_block SET counts = (SELECT counts FROM frame_block WHERE "
            "session_id = 2) WHERE session_id = 1"
        )
    assert len(store.frames(one)) == 40
    with pytest.raises(StoreError, match=f"session {one.id}: its content hashes to"):
        store.frames(one, verify=True)
    with pytest.raises(StoreError, match="its content hashes to"):
        store.frozen_data(frozen)
    store.frames(two, verify=True)
