"""What every store does, however it came to be: made new, in a file or in memory, or brought up from the
first revision of the schema.
"""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from building import make_frames
from dataset.errors import InputError, NotFoundError, StoreError
from dataset.records import (
    Budget,
    ColumnMapping,
    Frames,
    GroupBy,
    LevelUnit,
    Limit,
    Limits,
    Liquid,
    Mark,
    Model,
    Mounting,
    PadRole,
    Role,
    Tank,
    TimeUnit,
    Trim,
    TrimKind,
    Unit,
)
from dataset.store import Store
from dataset.store.database import HISTORY, upgrade
from dataset.tanks.profile import stack, to_json
from dataset.tanks.shapes import Box

Register = Callable[[Store], Any]
ROLES = {"15": Role.FIT, "25": Role.PROVE}

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
)


@pytest.fixture(scope="module")
def brought_up(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty store of the first revision of the schema, brought up by opening it."""
    path = tmp_path_factory.mktemp("first") / "store.db"
    upgrade(path, HISTORY.revisions[0])
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT version_num FROM alembic_version").fetchall() == [
            (HISTORY.revisions[0],)
        ]
    Store.open(path).close()
    return path


@contextmanager
def behind(store: Store) -> Iterator[sqlite3.Connection]:
    """A connection past the store's own door; to a store in memory there is only the store's."""
    if store.path.name == ":memory:":
        held = store._database._reader.raw_connection()
        yield held.driver_connection  # type: ignore[misc]  # the driver below
        held.close()
    else:
        with closing(sqlite3.connect(store.path)) as connection:
            yield connection
            connection.commit()


@pytest.fixture(
    params=[pytest.param("new", marks=pytest.mark.slow), "in memory", "brought up from the first revision"]
)
def store(
    request: pytest.FixtureRequest, tmp_path: Path, template: Path, brought_up: Path
) -> Iterator[Store]:
    """A store of the newest revision."""
    if request.param == "in memory":
        with Store.in_memory() as made:
            yield made
        return
    yield Store.open(shutil.copy(template if request.param == "new" else brought_up, tmp_path / "store.db"))


class TestStoreContract:
    """The promises of the store, one test each."""

    def test_revisions_count_up(self, store: Store) -> None:
        """A tank's name again is its next revision; bare names mean the latest, name@n a certain one."""
        first, second = (
            store.add_tank(Tank("can", 0, 100.0, "PP", 2.0)),
            store.add_tank(Tank("can", 0, 120.0, note="taller")),
        )
        assert (first.revision, second.revision) == (1, 2)
        assert store.tank("can") == second
        assert store.tank("can@1") == first
        assert store.tanks() == (first, second)
        with pytest.raises(InputError, match="exactly this content as can@1"):
            store.add_tank(Tank("can", 0, 100, "PP", 2))
        with pytest.raises(NotFoundError, match=r"can@[12], can@[12]"):
            store.tank("can@3")
        with pytest.raises(InputError, match="revision 'x'"):
            store.tank("can@x")

    def test_tanks_keep_their_shape(self, store: Store) -> None:
        """A tank's profile, headspace and expansion come back as they were; another shape is another
        revision, which never changes.
        """
        box = Tank(
            "can",
            0,
            100.0,
            profile=to_json(stack([Box(50, 40, 110)])),
            headspace_mm=10.0,
            expansion_per_k=1e-4,
            reference_c=20.0,
        )
        first, second = (
            store.add_tank(box),
            store.add_tank(replace(box, profile=to_json(stack([Box(50, 41, 110)])))),
        )
        assert (first, second.revision) == (replace(box, revision=1), 2)
        assert (store.tank("can@1"), store.tank("can")) == (first, second)
        with pytest.raises(InputError, match="exactly this content as can@1"):
            store.add_tank(box)
        with pytest.raises(
            InputError, match="a span of 100 mm with 11 mm of headspace; expected at most 110 mm"
        ):
            store.add_tank(replace(box, headspace_mm=11.0))

    def test_sensors_keep_their_pads(self, store: Store, register: Register) -> None:
        """A sensor comes back with every pad in channel order, and equal content is refused."""
        bench = register(store)
        pads = (replace(bench.sensor.pads[0], frequency_hz=5e5, role=PadRole.REFERENCE), bench.sensor.pads[1])
        made = store.add_sensor(replace(bench.sensor, revision=0, pads=pads))
        assert made.revision == 2
        assert store.sensor("strip") == made
        assert store.sensor("strip@1") == bench.sensor
        assert store.sensors() == (bench.sensor, made)
        with pytest.raises(InputError, match="strip@2"):
            store.add_sensor(made)

    def test_limits_keep_their_rows(self, store: Store) -> None:
        """Limits come back row by row, in order, by revision."""
        rows = (
            Limit("rmse_mm", 0.9),
            Limit("worst_group_rmse_mm", 2.0, "beyond", 0.95, 3),
            Limit("rmse_mm", 1.5, "foam"),
        )
        first = store.add_limits(Limits("signed", 0, rows, "by the owner"))
        second = store.add_limits(Limits("signed", 0, rows[::-1]))
        assert first.rows == rows
        assert store.limits("signed@1") == first
        assert store.all_limits() == (first, second)

    def test_unique_names(self, store: Store, register: Register) -> None:
        """Liquids, units, mountings, budgets and mappings have one record a name, which comes
        back as it was.
        """
        bench = register(store)
        budget = Budget("small", "cortex-m0plus", 1, 1536, 64, 128, 2000, 1, 24_000_000, 100, "left over")
        mapping = ColumnMapping(
            "tidy", ("a", "b"), "t", TimeUnit.SECONDS, "l", LevelUnit.FRACTION, 0.5, "temp", ";", False
        )
        bare, tap = Liquid("unknown"), Liquid("tap", conductivity=0.05, model="water", source="releases")
        assert store.add_liquid(bare) == store.liquid("unknown") == bare
        assert store.add_liquid(tap) == store.liquid("tap") == tap
        assert store.add_budget(budget) == store.budget("small") == budget
        assert store.add_mapping(mapping) == store.mapping("tidy") == mapping
        assert (store.liquids(), store.units(), store.mountings()) == (
            (tap, bare, bench.liquid),
            (bench.unit,),
            (bench.mounting,),
        )
        assert (store.budgets(), store.mappings()) == ((budget,), (mapping,))
        for again in (
            lambda: store.add_liquid(bare),
            lambda: store.add_unit(bench.unit),
            lambda: store.add_mounting(bench.mounting),
            lambda: store.add_budget(budget),
            lambda: store.add_mapping(mapping),
        ):
            with pytest.raises(InputError, match="exists already"):
                again()

    def test_what_is_missing_is_named(self, store: Store, register: Register) -> None:
        """Asking for what is not there says what is, the nearest first; in an empty registry,
        how to add it.
        """
        with pytest.raises(NotFoundError, match=r"Add it with Store\.add_unit"):
            store.unit("unit1")
        register(store)
        store.add_unit(Unit("other"))
        with pytest.raises(NotFoundError, match="There are: unit1, other"):
            store.unit("unti1")
        for revisions, name in ((store.tank, "canister"), (store.sensor, "strip")):
            with pytest.raises(NotFoundError, match=f"There are: {name}"):
                revisions("other")

    def test_a_mounting_needs_records_of_this_store(self, store: Store, register: Register) -> None:
        """A tank that is not the store's own, though its name is, cannot be mounted on."""
        bench = register(store)
        with pytest.raises(InputError, match="another than the store's"):
            store.add_mounting(Mounting("m2", replace(bench.tank, span_mm=90.0), bench.sensor))
        with pytest.raises(NotFoundError):
            store.add_mounting(Mounting("m2", replace(bench.tank, revision=2), bench.sensor))

    def test_sessions_come_back(self, store: Store, register: Register) -> None:
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

    def test_all_sessions_or_none(self, store: Store, register: Register) -> None:
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

    def test_the_same_content_is_refused(self, store: Store, register: Register) -> None:
        """A session that is there already is refused by its id, within a call too."""
        bench = register(store)
        (session,) = store.add_sessions([bench.session(1)])
        with pytest.raises(InputError, match=f"logged already as session {session.id}"):
            store.add_sessions([bench.session(1)])
        with pytest.raises(InputError, match="logged already"):
            store.add_sessions([bench.session(2), bench.session(2)])
        assert store.sessions() == (session,)

    def test_the_same_readings_are_refused_until_void(self, store: Store, register: Register) -> None:
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

    def test_one_recording_is_known_by_its_counts(self, store: Store, register: Register) -> None:
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

    def test_a_board_that_stands_still_may_repeat_itself(self, store: Store, register: Register) -> None:
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

    def test_voiding(self, store: Store, register: Register) -> None:
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

    def test_session_references(self, store: Store, register: Register) -> None:
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

    def test_marks_are_amended_by_revisions(self, store: Store, register: Register) -> None:
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

    def test_live_captures(self, store: Store, register: Register) -> None:
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

    def test_trims_are_kept_in_order(self, store: Store, register: Register) -> None:
        """Each with a hash of its content; the same one again is refused, and a frozen set takes those that
        its units have.
        """
        bench = register(store)
        made = [
            store.add_trim(
                Trim(
                    bench.unit, bench.mounting, TrimKind.BOARD, (5 + k, 6), f"2026-01-0{k + 1}", "line", 20.0
                )
            )
            for k in range(2)
        ]
        assert store.trims() == store.trims("unit1") == tuple(made)
        with pytest.raises(InputError):
            store.add_trim(made[0])
        (session,) = store.add_sessions([bench.session(1)])
        assert store.freeze("set", [session], GroupBy.LEVEL, ROLES).trims == tuple(made)
        assert store.dry_counts(bench.mounting) == ()

    def test_the_store_as_text(self, store: Store, register: Register) -> None:
        """What is registered, written as text, makes another store with the same records."""
        bench = register(store)
        with Store.in_memory() as other:
            other.from_text(store.to_text())
            assert (other.tanks(), other.sensors(), other.liquids(), other.units()) == (
                store.tanks(),
                store.sensors(),
                store.liquids(),
                store.units(),
            )
            assert other.mounting("m1") == bench.mounting

    def test_the_database_itself_refuses_changes(self, store: Store, register: Register) -> None:
        """What is sealed, frozen, registered or an event cannot be changed even by another program."""
        bench = register(store)
        kept, other = store.add_sessions([bench.session(1), bench.session(2)])
        frozen = store.freeze("set", [kept], GroupBy.LEVEL, ROLES)
        store.void(other.id, "spilled")
        store.open_prove(frozen, "final")
        store.add_export(store.add_model(_model(frozen)), "b" * 64, {"model.c": "c" * 64})
        with behind(store) as connection:
            for statement in FORBIDDEN:
                with pytest.raises(sqlite3.IntegrityError, match=r"never|sealed"):
                    connection.execute(statement)

    def test_a_changed_frame_is_noticed(self, store: Store, register: Register) -> None:
        """When the guards were removed and a block replaced, the hash says so: in frames(verify=True) and in
        frozen_data.
        """
        bench = register(store)
        one, two = store.add_sessions([bench.session(1), bench.session(2)])
        frozen = store.freeze("set", [one], GroupBy.LEVEL, ROLES)
        with behind(store) as connection:
            connection.execute("DROP TRIGGER guard_frame_block_update")
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

    def test_freezing(self, store: Store, register: Register) -> None:
        """A frozen set comes back with hash, roles sorted by group, and sessions; its name is
        taken for good.
        """
        bench = register(store)
        added = store.add_sessions([bench.session(k) for k in (1, 2)])
        frozen = store.freeze("set", added, GroupBy.LEVEL, {"25": Role.PROVE, "15": Role.FIT}, seed=4)
        assert frozen.roles == (("15", Role.FIT), ("25", Role.PROVE))
        assert sorted(s.id for s in frozen.sessions) == sorted(s.id for s in added)
        assert frozen.seed == 4
        assert store.frozen_set("set") == frozen == store.frozen_sets()[0]
        with pytest.raises(InputError, match="never change"):
            store.freeze("set", added, GroupBy.LEVEL, ROLES)

    def test_the_name_is_not_in_the_hash(self, store: Store, register: Register) -> None:
        """The same choice under another name, seed and order of sessions has the same hash and the same rows;
        another role has not.
        """
        bench = register(store)
        added = store.add_sessions([bench.session(k) for k in (1, 2, 3)])
        one = store.freeze("one", added, GroupBy.LEVEL, ROLES)
        two = store.freeze("two", added[::-1], GroupBy.LEVEL, ROLES, seed=1)
        three = store.freeze("three", added, GroupBy.LEVEL, {"15": Role.PROVE, "25": Role.FIT})
        assert one.sha256 == two.sha256 != three.sha256
        np.testing.assert_array_equal(store.frozen_data(one).counts, store.frozen_data(two).counts)

    def test_groups_without_a_role_or_without_frames(self, store: Store, register: Register) -> None:
        """Every group needs a role and every role a group; sessions without a labelled frame are refused."""
        bench = register(store)
        labelled, bare = store.add_sessions([bench.session(1), bench.session(2, ())])
        with pytest.raises(InputError, match="no role for group 25"):
            store.freeze("set", [labelled], GroupBy.LEVEL, {"15": Role.FIT})
        with pytest.raises(InputError, match="no group is called '35'"):
            store.freeze("set", [labelled], GroupBy.LEVEL, ROLES | {"35": Role.FIT})
        with pytest.raises(InputError, match="no labelled frame"):
            store.freeze("set", [labelled, bare], GroupBy.LEVEL, ROLES)
        with pytest.raises(InputError, match="named twice"):
            store.freeze("set", [labelled, labelled.id], GroupBy.LEVEL, ROLES)
        with pytest.raises(InputError, match="no sessions"):
            store.freeze("set", [], GroupBy.LEVEL, ROLES)
        assert store.frozen_sets() == ()

    def test_frozen_data(self, store: Store, register: Register) -> None:
        """Only labelled frames come, each with its level, uncertainty, session and group, as a loop over the
        marks finds them.
        """
        bench = register(store)
        store.add_unit(Unit("unit2"))
        added = store.add_sessions(
            [
                bench.session(1),
                bench.session(2, (Mark(5, 8, 25.0), Mark(8, 9, 0.0)), unit=store.unit("unit2")),
            ]
        )
        frozen = store.freeze("set", added, GroupBy.UNIT, {"unit1": Role.FIT, "unit2": Role.PROVE})
        data = store.frozen_data(frozen)
        expected = []
        for k, session in enumerate(frozen.sessions):
            its = store.frames(session)
            for m in session.marks:
                expected += [
                    (k, session.unit.name, its.t_ms[row], *its.counts[row], m.level_mm)
                    for row in range(m.start, m.stop)
                ]
        found = [
            (s, frozen.roles[g][0], t, *c, level)
            for s, g, t, c, level in zip(
                data.session, data.group, data.t_ms, data.counts, data.level_mm, strict=True
            )
        ]
        assert found == expected
        assert len(found) == 28 + 4
        assert data.counts.dtype == data.t_ms.dtype == data.group.dtype == np.int64
        assert np.isnan(data.temperature_c).all()
        assert np.nansum(data.u_mm) == 5.0  # ten frames of 0.5 mm, the others unknown
        assert int(data.rows(Role.FIT).sum()) == 28

    def test_frozen_data_of_a_voided_session(self, store: Store, register: Register) -> None:
        """A set whose session was voided since still shows, but gives no rows."""
        bench = register(store)
        (session,) = store.add_sessions([bench.session(1)])
        frozen = store.freeze("set", [session], GroupBy.LEVEL, ROLES)
        store.void(session.id, "wrong liquid")
        assert store.frozen_set("set").sessions[0].void_reason == "wrong liquid"
        with pytest.raises(InputError, match="wrong liquid"):
            store.frozen_data(frozen)

    def test_openings_of_prove_are_counted(self, store: Store, register: Register) -> None:
        """Each opening counts, with its purpose, and for the same choice under another name too."""
        bench = register(store)
        added = store.add_sessions([bench.session(1)])
        one, two = (store.freeze(name, added, GroupBy.LEVEL, ROLES) for name in ("one", "two"))
        other = store.freeze("other", added, GroupBy.SESSION, {added[0].id: Role.PROVE})
        assert store.prove_openings(one) == 0
        assert [store.open_prove(one, "tuning"), store.open_prove(two, "final")] == [1, 2]
        assert (store.prove_openings(one), store.prove_openings(other)) == (2, 0)
        assert (store.prove_purposes(one), store.prove_purposes(two)) == (("tuning",), ("final",))
        with pytest.raises(InputError, match="purpose"):
            store.open_prove(one, "")

    def test_openings_of_prove_are_a_chain(self, store: Store, register: Register) -> None:
        """Each follows the one before it, whatever the set's name; another choice has a chain of its own."""
        bench = register(store)
        added = store.add_sessions([bench.session(1)])
        one, two = (store.freeze(name, added, GroupBy.LEVEL, ROLES) for name in ("one", "two"))
        other = store.freeze("other", added, GroupBy.SESSION, {added[0].id: Role.PROVE})
        for frozen in (one, two, other, one):
            store.open_prove(frozen, "final")
        with behind(store) as connection:
            rows = connection.execute(
                "SELECT sha256, parents FROM prove_opening ORDER BY sequence"
            ).fetchall()
        hashes = [sha256 for sha256, _ in rows]
        assert [json.loads(parents) for _, parents in rows] == [[], [hashes[0]], [], [hashes[1]]]
        assert len(set(hashes)) == 4

    @pytest.mark.parametrize(
        ("statement", "read"),
        [
            ("UPDATE model SET metrics = replace(metrics, '0.5', '0.4')", lambda store: store.model("m")),
            ("UPDATE model SET float_onnx = x'0809'", lambda store: store.models()),
            ("UPDATE limits SET signer = 'somebody else'", lambda store: store.limits("signed")),
            ("UPDATE limit_row SET bound = 2.0", lambda store: store.limits("signed")),
            ("UPDATE budget SET flash_bytes = 9999", lambda store: store.budget("small")),
        ],
    )
    def test_what_decisions_rest_on_is_hashed_again(
        self, store: Store, register: Register, statement: str, read: Callable[[Store], object]
    ) -> None:
        """A model, limits and a budget that were changed behind the tool's back are refused where they are
        read.
        """
        bench = register(store)
        frozen = store.freeze("set", store.add_sessions([bench.session(1)]), GroupBy.LEVEL, ROLES)
        limits = store.add_limits(Limits("signed", 0, (Limit("rmse_mm", 1.0),)))
        store.add_model(replace(_model(frozen), limits=limits))
        store.add_budget(Budget("small", "cortex-m0plus", 1, 1536, 64, 128, 2000))
        read(store)
        with behind(store) as connection:
            for (name,) in connection.execute(
                "SELECT name FROM sqlite_master WHERE type = 'trigger'"
            ).fetchall():
                connection.execute(f"DROP TRIGGER {name}")
            connection.execute(statement)
        with pytest.raises(StoreError, match="its content hashes to"):
            read(store)

    def test_models_and_exports(self, store: Store, register: Register) -> None:
        """A model comes back whole; a file's hash leads to every export of it; the same bundle again changes
        nothing.
        """
        bench = register(store)
        frozen = store.freeze("set", store.add_sessions([bench.session(1)]), GroupBy.LEVEL, ROLES)
        limits = store.add_limits(Limits("signed", 0, (Limit("rmse_mm", 1.0),)))
        model = store.add_model(replace(_model(frozen), limits=limits))
        assert model == store.model("m") == store.models()[0] == replace(_model(frozen), limits=limits)
        other = store.add_model(replace(_model(frozen), name="other"))
        for _ in range(2):
            store.add_export(model, "b" * 64, {"model.c": "c" * 64, "model.h": "d" * 64})
        store.add_export(other, "e" * 64, {"model.c": "c" * 64})
        found = store.exported("C" * 64)
        assert [(f.name, f.bundle_sha256, f.model) for f in found] == [
            ("model.c", "b" * 64, model),
            ("model.c", "e" * 64, other),
        ]
        with pytest.raises(InputError, match="other files"):
            store.add_export(model, "b" * 64, {"model.c": "c" * 64})
        with pytest.raises(NotFoundError, match="not written by an export"):
            store.exported("f" * 64)
        with pytest.raises(InputError, match="64 hexadecimal digits"):
            store.exported("model.c")

    def test_a_retrained_model_names_its_parent(self, store: Store, register: Register) -> None:
        """The parent must be there; the seed is the recipe's; models come by name, each with its set."""
        frozen = store.freeze("set", store.add_sessions([register(store).session(1)]), GroupBy.LEVEL, ROLES)
        first = store.add_model(_model(frozen))
        with pytest.raises(NotFoundError, match="model nobody"):
            store.add_model(replace(first, name="second", parent="nobody"))
        second = store.add_model(replace(first, name="second", parent="m"))
        assert (first.parent, store.model("second").parent, second.seed) == (None, "m", 0)
        assert store.models() == (first, second)

    def test_model_names_are_taken(self, store: Store, register: Register) -> None:
        """The same model again and another of its name are both refused, each in its own words; texts must be
        JSON objects.
        """
        bench = register(store)
        frozen = store.freeze("set", store.add_sessions([bench.session(1)]), GroupBy.LEVEL, ROLES)
        model = store.add_model(_model(frozen))
        with pytest.raises(InputError, match="exactly as it is"):
            store.add_model(model)
        with pytest.raises(InputError, match="another program or recipe"):
            store.add_model(replace(model, recipe='{"seed":1}'))
        with pytest.raises(InputError, match="recipe: not JSON"):
            store.add_model(replace(model, name="x", recipe="seed=1"))
        with pytest.raises(InputError, match="not an object"):
            store.add_model(replace(model, name="x", metrics="[]"))
        with pytest.raises(InputError, match="as the store has it"):
            store.add_model(replace(model, name="x", frozen=replace(frozen, sha256="0" * 64)))


def _model(frozen: Any) -> Model:
    return Model(
        "m",
        "a" * 64,
        frozen,
        None,
        '{"seed":0}',
        '{"numpy":"2"}',
        '{"rmse_mm":0.5}',
        '{"format":1}',
        b"\x08\x0a\x00",
    )
