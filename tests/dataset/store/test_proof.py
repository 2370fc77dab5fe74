"""Whatever is changed behind the tool's back is told: any column of any table, the schema, single bits."""

from __future__ import annotations

import hashlib
import re
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from sqlalchemy import Boolean, Enum
from sqlalchemy.orm import Session as OrmSession
from stores import behind_the_back, every_row

from building import put
from dataset.documents import name_of
from dataset.errors import InnageError, NotFoundError, StoreError
from dataset.records import (
    BoardMeasurement,
    Budget,
    BundleSignature,
    CheckMeasurement,
    CheckStandard,
    ColumnMapping,
    Conditions,
    DoorWarning,
    Flow,
    Frames,
    GroupBy,
    Held,
    Instrument,
    InstrumentKind,
    Limit,
    Limits,
    Mark,
    Model,
    ModelStatus,
    NewJob,
    Occasion,
    Operator,
    Receipt,
    Restatement,
    Role,
    Scope,
    StandardKind,
    Stretch,
    Trim,
    TrimKind,
    Unit,
)
from dataset.store import Store, admitting
from dataset.store.events.channels import NewMove
from dataset.store.reading.quick import open_reading
from dataset.store.reading.rows import MADE, MANY, ONE
from dataset.store.tables import Base
from dataset.store.team import chain, receipts, tokens
from dataset.store.whole.backup import backup
from dataset.store.whole.integrity import check_store

if TYPE_CHECKING:
    from building import Bench

FRAMES = 60  # more than 50 of them differ


def noise(seed: int, frames: int = FRAMES) -> Frames:
    """Counts that do not pack, with temperatures."""
    draw = np.random.default_rng(seed)
    counts = draw.integers(0, 1 << 16, (frames, 2)).astype(np.uint32)
    return Frames(np.arange(frames, dtype=np.int64) * 100, counts, draw.normal(20.0, 1.0, frames))


def fill(store: Store, bench: Bench) -> None:
    """A row in every table, each column with a value in one row at least."""
    (other_unit,) = put(store, Unit("unit2", "second shelf"))
    store.add_units([Unit("spare", serial="0417"), Unit("spare2"), Unit("unit9", bench="b" * 32)])
    store.unite_units("spare", "spare2", "one board, listed twice")
    store.part_units("spare", "spare2", "two after all")
    store.unite_units("spare", "unit9", "sent over from the other bench")
    store.add_budget(
        Budget("small", "cortex-m0plus", 1, 1536, 64, 128, 2000, 1, 24_000_000, 100, "left over")
    )
    store.add_mapping(ColumnMapping("tidy", ("a", "b"), "t"))
    limits = store.add_limits(
        Limits("signed", 0, (Limit("p95_pct_span", 1.0, "clean", 0.9, 9, 1.0),), "why", "A. Owner")
    )
    store.add_operator(Operator("ab", "who that is"))
    marks = (Mark(0, 10, 15.0, 0.5, 0.25, 16.0, "read off"), Mark(12, 30, 25.0))
    first, second, third = store.add_sessions(
        [
            replace(
                bench.session(1, marks, frames=noise(1)),
                stretches=(Stretch(0, 10, Conditions(flow=Flow.STATIC)),),
                simulated=True,
                occasion=Occasion("ab", store.bench().identity, "2026-03-02T09:15:00+01:00", "1.4.0"),
                tags=("first-day",),
            ),
            bench.session(2, marks, frames=noise(2), unit=other_unit, note="second day"),
            replace(bench.session(3, marks, frames=noise(3)), warnings=(DoorWarning("noise", "a lot"),)),
        ]
    )
    store.amend_marks(second.id, (Mark(0, 10, 16.0),), "A. Bench", "read off wrongly")
    store.amend_marks(second.id, (Mark(0, 10, 17.0),), "A. Bench", "once more")
    store.void(third.id, "the hose came off")
    store.untag([first.id], ["first-day"], "cd")
    filling = (Stretch(0, 5, Conditions(flow=Flow.FILLING)),)
    stated = Restatement(other_unit, None, bench.mounting, filling, firmware="1.5")
    store.amend_session(first.id, stated, "A. Bench", "the other shelf")
    tea = store.add_liquid(replace(bench.liquid, name="tea"))
    store.amend_session(first.id, Restatement(unit=bench.unit, liquid=tea), "A. Bench", "it was the first")
    store.retire("liquid", "tea", "gone bad")
    store.take_back_retirement("liquid", "tea", "good enough")
    store.add_trim(
        Trim(bench.unit, bench.mounting, TrimKind.FULL, (40000, 40000), "2026-01-01", "bench", 20.0, note="n")
    )
    store.add_trim(
        Trim(
            other_unit,
            bench.mounting,
            TrimKind.FULL,
            (40001, 40002),
            "2026-01-02",
            "line",
            session=second.sha256,
            frames=(0, 10),
        )
    )
    roles = {"unit1": Role.FIT, "unit2": Role.PROVE}
    frozen = store.freeze("set", [first, second], GroupBy.UNIT, roles, 7, allow_mixed=True)
    for purpose in ("train m", "compare m"):
        store.open_prove(frozen, purpose)
    texts = ('{"seed":0}', '{"numpy":"2"}', '{"openings":1,"rmse_mm":0.5}', '{"format":1}\n')
    model = store.add_model(Model("m", "a" * 64, frozen, limits, *texts, b"\x08\x0a\x00"))
    store.add_model(Model("again", "a" * 64, frozen, None, *texts, b"\x08\x0a\x00", parent="m"))
    store.set_status("m", ModelStatus.CANDIDATE, "A. Bench", "meets every limit")
    store.set_status("m", ModelStatus.RETIRED, "B. Bench", "reads foam as liquid")
    store.add_export(model, "b" * 64, {"model.c": "c" * 64, "model.h": "d" * 64})
    words = ("board 3", "sample", "a compiler", "size")
    store.add_board_measurement(
        BoardMeasurement("m", "b" * 64, *words, 48_000_000, 100, 9000, 8000.5, 4000, 180)
    )
    scale = Instrument("s1", InstrumentKind.SCALE, "2026-01-10", 0.8, 2.0, 0.1, 365, "0417", "C-7", "old")
    name = name_of(store.add_instrument(scale))
    store.add_sessions([replace(bench.session(9, frames=noise(9)), instruments=(name,))])
    block = store.add_check_standard(CheckStandard("block", StandardKind.BLOCK, bench.sensor, "of glass"))
    store.add_check_measurement(CheckMeasurement(block, "2026-01-11", (41.5, 42.0), 21.5, 100, "ab", "first"))
    _team(store, first.sha256)
    _releases(store, model)
    _queue(store)
    capture = store.begin_capture("monday", bench.unit, bench.liquid, bench.mounting, {"period": 1})
    store.append_to_capture(capture, noise(4), [{"at": 1}, {"at": 2}])


def _queue(store: Store) -> None:
    """A job that came to something, and one that failed."""
    new = NewJob("replay", {"model": "m"}, {"model": "a" * 64}, {"python": "3"}, {"f" * 64: b"counts"})
    for lease_s in (30.0, 60.0):
        store.queue_job(new)
        held = store.claim_job("host 1", {"python": "3"}, lease_s)
        assert held is not None
        store.job_succeeded(Held(held.key, held.fence), {"readings": f"{lease_s}"}, {"r.csv": b"readings"})
    store.queue_job(replace(new, kind="report"))
    store.claim_job("host 1", {"python": "3"})


def _releases(store: Store, model: Model) -> None:
    """What was let out."""
    files = {name: name.encode() for name in ("manifest.json", "model.c")}
    signed = [BundleSignature("a key", "c2lnbmVk"), BundleSignature("another", "YWdhaW4")]
    for k, bundle in enumerate(("e" * 64, "f" * 64)):
        store.keep_bundle(model, bundle, files | {"model.h": bytes([k])}, "9" * 64, signed)
    when = datetime(2026, 3, 2, 9, 15, tzinfo=UTC)
    before = None
    for bundle in ("e" * 64, "f" * 64, "e" * 64):
        said = store.said_of("m")
        wish = NewMove(
            "washer/stable", bundle, "A. Owner", "to be sold", when, before, said, ("anyway",), "innage 1"
        )
        before = store.move_channel(wish).sha256
    store.withdraw("e" * 64, "A. Owner", "reads foam as liquid", when)
    store.take_back_withdrawal("e" * 64, "A. Owner", "it was the trim", when)


def _team(store: Store, session: str) -> None:
    """What a team's store has beside its records."""

    def work(orm: OrmSession) -> None:
        token, _ = tokens.add(orm, "rig", [Scope.PUSH], 90, "b" * 32)
        tokens.used_now(orm, token.id)
        tokens.revoke(orm, token.id, "its card was lost")
        receipts.add(orm, [Receipt("session", session, "https://lab", token.created, "d" * 64, 7, "e" * 64)])
        receipts.stage(orm, hashlib.sha256(b"frames").hexdigest(), b"frames", token.id)
        acts = [chain.Act("session", session), chain.Act("void", "f" * 64, session, "the hose came off")]
        chain.append(orm, token.actor, acts)

    store._write(work)
    assert store.sign_in(store.add_token("desk", [Scope.READ])[1]) is not None


@pytest.fixture(scope="module")
def filled(
    tmp_path_factory: pytest.TempPathFactory, template: Path, register: Callable[[Store], Bench]
) -> Path:
    """A store with a row in every table, in one file with nothing beside it."""
    path = tmp_path_factory.mktemp("filled") / "store.db"
    with Store.open(shutil.copy(template, path)) as store:
        fill(store, register(store))
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        connection.execute("PRAGMA journal_mode=DELETE")
        connection.execute("VACUUM")
    return path


def other(value: Any) -> Any:
    """A value of the same type that is another."""
    if isinstance(value, bytes):
        return value[:-1] + bytes([value[-1] ^ 1])
    if isinstance(value, str):
        return value + "x"
    return value + 1000


def change_one(path: Path, table: str, column: str) -> None:
    """Change one value behind the tool's back, and leave the schema as it was."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("BEGIN")  # one write in all: there are some sixty guards
        guards = connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in guards:
            connection.execute(f"DROP TRIGGER {name}")
        key, value = connection.execute(
            f"SELECT rowid, {column} FROM {table} ORDER BY {column} IS NULL, rowid LIMIT 1"  # noqa: S608 - mapped names
        ).fetchone()
        connection.execute(
            f"UPDATE {table} SET {column} = ? WHERE rowid = ?",  # noqa: S608 - mapped names
            (1 if value is None else other(value), key),
        )
        for _, sql in guards:
            connection.execute(sql)
        connection.execute("COMMIT")


@pytest.mark.parametrize("every", [30, pytest.param(2, marks=pytest.mark.slow)])
def test_a_change_of_any_column_is_told(filled: Path, tmp_path: Path, every: int) -> None:
    """One value of one column changed, whatever table: the check says that something is wrong."""
    assert check_store(filled).sound
    silent = []
    everything = [column for table in Base.metadata.sorted_tables for column in table.columns]
    columns = [
        column for column in everything if column.name not in ("id", "sequence")
    ]  # a store's own count
    for column in columns[::every]:
        path = Path(shutil.copy(filled, tmp_path / "store.db"))
        change_one(path, column.table.name, column.name)
        if check_store(path).sound:
            silent.append(str(column))
        for end in ("-wal", "-shm"):
            path.with_name(path.name + end).unlink(missing_ok=True)
    assert silent == []


@pytest.mark.parametrize("flips", [10, pytest.param(80, marks=pytest.mark.slow)])
def test_single_bits(filled: Path, tmp_path: Path, flips: int) -> None:
    """Single bits, each in a fresh copy: the check tells, or every row of every table is as it was."""
    before, content = every_row(filled), filled.read_bytes()
    draw, told, silent = np.random.default_rng(11), 0, []
    pages = np.frombuffer(content, np.uint8).reshape(-1, 4096)  # each table, small or large, has some
    for _ in range(flips):
        page = int(draw.integers(len(pages)))
        at, bit = page * 4096 + int(draw.choice(np.flatnonzero(pages[page]))), int(draw.integers(8))
        flipped = bytearray(content)
        flipped[at] ^= 1 << bit
        copy = tmp_path / "flipped.db"
        copy.write_bytes(flipped)
        for end in ("-wal", "-shm"):
            copy.with_name(copy.name + end).unlink(missing_ok=True)
        try:
            sound = check_store(copy).sound
        except StoreError:
            sound = False
        if not sound:
            told += 1
            continue
        if every_row(copy) != before:
            silent.append((at, bit))
    print(f"{flips} bits: {told} told, {flips - told - len(silent)} harmless, {len(silent)} silent")
    assert silent == []
    assert told > flips / 2


@pytest.mark.parametrize(
    ("statement", "what"),
    [
        ("DROP TRIGGER guard_model_update", "trigger guard_model_update"),
        ("DROP INDEX ix_capture_session_readings_sha256", "index ix_capture_session_readings_sha256"),
        ("ALTER TABLE unit ADD COLUMN colour TEXT", "table unit"),
        ("CREATE TABLE mine (id INTEGER)", "table mine"),
        (
            "CREATE TRIGGER late AFTER INSERT ON unit BEGIN DELETE FROM mapping; END",
            "trigger late",
        ),
    ],
)
def test_another_schema_is_told(filled: Path, tmp_path: Path, statement: str, what: str) -> None:
    """A trigger or an index that is gone, and a column, table or trigger that nobody made, are named."""
    path = Path(shutil.copy(filled, tmp_path / "store.db"))
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(statement)
        connection.commit()
    assert [fault.what for fault in check_store(path).faults] == [what]


@pytest.mark.parametrize(
    ("statement", "what", "how"),
    [
        ("DELETE FROM prove_opening WHERE sequence = 1", "prove opening 2", "which is not there"),
        (
            "DELETE FROM prove_opening",
            "model m",
            "0 openings of its prove groups are kept; expected at least 1",
        ),
        ("UPDATE model SET metrics = replace(metrics, '0.5', '0.4')", "model m", "its content hashes to"),
        ("DELETE FROM frame_block WHERE session_id = 1", "session", "0 frames are there; expected 60"),
    ],
)
def test_what_was_taken_out_is_told(
    filled: Path, tmp_path: Path, statement: str, what: str, how: str
) -> None:
    """An opening from the middle of the chain, all openings of a model that counted one, an edited error, a
    session's blocks.
    """
    path = Path(shutil.copy(filled, tmp_path / "store.db"))
    behind_the_back(path, statement)
    faults = [fault for fault in check_store(path).faults if how in fault.sentence]
    assert faults
    assert faults[0].what.startswith(what)


def test_a_recording_that_is_there_twice_is_warned_of(
    template: Path, tmp_path: Path, register: Callable[[Store], Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A store that took one recording for two opens; the check passes and warns, until one is void; merged,
    both come along and are named.
    """
    path = Path(shutil.copy(template, tmp_path / "old.db"))
    with Store.open(path) as store, monkeypatch.context() as patch:
        patch.setattr(admitting, "refuse_twin", lambda *_: None)  # as it was before counts were looked at
        bench, warm = register(store), noise(1)
        first, second = store.add_sessions(
            [bench.session(1, frames=warm), bench.session(2, frames=Frames(warm.t_ms, warm.counts))]
        )
    report = check_store(path)
    assert report.sound
    (warning,) = report.warnings
    assert (warning.what, first.id in warning.sentence) == (f"session {second.id}", True)
    with Store.open(path) as store, Store.open(shutil.copy(template, tmp_path / "new.db")) as new:
        remarks = new.merge(path).remarks
        assert [f"the counts of session {first.id}" in remark for remark in remarks] == [True]
        store.void(second.id, "logged twice")
    assert check_store(path).warnings == ()


def test_a_record_that_was_edited_does_not_come_in(filled: Path, template: Path, tmp_path: Path) -> None:
    """A merge hashes what comes in again, and names the other store and the record."""
    path = Path(shutil.copy(filled, tmp_path / "other.db"))
    behind_the_back(path, "UPDATE budget SET cycles = cycles + 1")
    with (
        Store.open(shutil.copy(template, tmp_path / "new.db")) as new,
        pytest.raises(StoreError, match=r"other\.db, budget small: its content hashes to"),
    ):
        new.merge(path)


def test_a_merged_store_is_sound(filled: Path, template: Path, tmp_path: Path) -> None:
    """Everything that came in has its hash, and the check of the new store says so."""
    path = Path(shutil.copy(template, tmp_path / "new.db"))
    with Store.open(path) as new:
        assert new.merge(filled).new > 0
        (frozen,) = new.frozen_sets()
        assert new.prove_purposes(frozen) == ("train m", "compare m")
    report = check_store(path)
    assert (report.faults, report.hashed_by_upgrade) == ((), 0)


def test_copies_are_sound(filled: Path, template: Path, tmp_path: Path) -> None:
    """A backup holds the same rows, hashes included; the registry written as text and read into a new store
    gets hashes there, the same where the record is.
    """
    copy = tmp_path / "copy.db"
    backup(Path(shutil.copy(filled, tmp_path / "store.db")), copy)
    assert every_row(copy) == every_row(filled)
    path = Path(shutil.copy(template, tmp_path / "text.db"))
    with Store.open(copy) as store, Store.open(path) as new:
        assert new.from_text(store.to_text()).merged.new > 0
    assert check_store(path).faults == ()
    for table in ("tank", "budget", "unit"):
        hashes, copied = ({row["record_sha256"] for row in rows_of(file, table)} for file in (filled, path))
        assert hashes == copied


def rows_of(path: Path, table: str) -> list[dict[str, Any]]:
    with closing(sqlite3.connect(path)) as connection:
        connection.row_factory = sqlite3.Row
        return [dict(row) for row in connection.execute(f"SELECT * FROM {table}")]  # noqa: S608 - a mapped name


def asked(store: Store, session: str) -> dict[str, Any]:
    """What commands ask quickly of a store."""
    frames = store.frames(session, verify=True)
    return {
        "limits": store.all_limits(),
        "liquids": store.liquids(),
        "mountings": store.mountings(),
        "units": store.units(),
        "benches": store.benches(),
        "retired": {kind: store.retired(kind) for kind in ("limits", "liquid", "unit")},
        "sessions": store.sessions(),
        "session": store.session(session),
        "frames": [part.tobytes() for part in (frames.t_ms, frames.counts, frames.temperature_c)],  # type: ignore[union-attr]  # they have temperatures
        "standards": store.standard_warnings(store.sessions()),
        "calibrations": [store.calibrations(one.instruments) for one in store.sessions()],
        "warm": store.mark_temperatures(store.sessions()),
        "said": (store.void_events(session), store.tag_events(session), store.amendments(session)),
        "trims": (store.trims(), store.trims("unit1")),
        "models": store.models(),
        "statuses": [store.status(model.name) for model in store.models()],
        "boards": (store.board_measurements(), store.board_measurements("m")),
    }


def test_quick_reading_gives_what_the_store_gives(filled: Path, tmp_path: Path) -> None:
    """Every record, of every session: amended, tagged, void, of a unit that is one with another."""
    path = Path(shutil.copy(filled, tmp_path / "store.db"))
    with Store.open(path) as store, open_reading(path) as quick:
        assert type(quick) is not Store
        for session in store.sessions():
            assert asked(quick, session.id) == asked(store, session.id)
        for ask in ("frames", "session", "void_events", "tag_events", "amendments"):
            for ref in ("", "xyz", "f" * 64):
                with pytest.raises(InnageError) as one:
                    getattr(store, ask)(ref)
                with pytest.raises(InnageError, match=re.escape(str(one.value))):
                    getattr(quick, ask)(ref)
        with pytest.raises(NotFoundError, match="model none"):
            quick.status("none")


@pytest.mark.parametrize(
    ("statement", "ask"),
    [
        ("UPDATE limit_row SET bound = bound + 1", "all_limits"),
        ("UPDATE model SET metrics = replace(metrics, '0.5', '0.4')", "models"),
        ("UPDATE model SET name = 'n' WHERE name = 'm'", "models"),
        ("UPDATE board_measurement SET cycles = 1", "board_measurements"),
        ("UPDATE trim SET body = replace(body, '40001', '40003')", "trims"),
        ("UPDATE mark_revision SET author = 'x'", "sessions"),
        ("UPDATE amendment SET reason = 'x'", "sessions"),
    ],
)
def test_quick_reading_refuses_what_was_changed(
    filled: Path, tmp_path: Path, statement: str, ask: str
) -> None:
    """In the words of the store itself."""
    path = Path(shutil.copy(filled, tmp_path / "store.db"))
    behind_the_back(path, statement)
    with Store.open(path) as store, open_reading(path) as quick:
        with pytest.raises(StoreError, match="its content hashes to") as told:
            getattr(store, ask)()
        with pytest.raises(StoreError, match=re.escape(str(told.value))):
            getattr(quick, ask)()


def test_quick_reading_checks_frames_and_events(filled: Path, tmp_path: Path) -> None:
    path = Path(shutil.copy(filled, tmp_path / "store.db"))
    with Store.open(path) as store:
        first, _, third, _ = store.sessions()
    for statement in (
        "UPDATE mark SET level_mm = level_mm + 1 WHERE session_id = 1",
        "UPDATE void_event SET reason = 'x'",
        "UPDATE tag_event SET tag = 'x'",
    ):
        behind_the_back(path, statement)
    with open_reading(path) as quick:
        for ask in (
            lambda: quick.frames(first.id, verify=True),
            lambda: quick.tag_events(first.id),
            lambda: quick.void_events(third.id),
        ):
            with pytest.raises(StoreError, match="its content hashes to"):
                ask()


def test_rows_without_the_mapper_are_those_of_the_mapped_tables() -> None:
    """What leads where, in which order, and which columns are words or truth values."""
    mapped = {mapper.class_.__tablename__: mapper for mapper in Base.registry.mappers}
    for table, ways in ONE.items():
        for name, way in ways.items():
            (pair,) = mapped[table].relationships[name].local_remote_pairs or ()
            assert way == (pair[0].name, pair[1].table.name, pair[1].name)
            assert not mapped[table].relationships[name].uselist
    for table, parts in MANY.items():
        assert set(parts) == {r.key for r in mapped[table].relationships if r.uselist}
        for name, part in parts.items():
            relationship = mapped[table].relationships[name]
            (pair,), (order,) = relationship.local_remote_pairs or (), relationship.order_by or ()
            assert part == (pair[1].table.name, pair[1].name, order.name)
            assert pair[0].name == "id"
    reached = {
        *ONE,
        *MANY,
        "bench",
        "liquid",
        "tank",
        "retirement_event",
        *(p[0] for m in MANY.values() for p in m.values()),
    }
    for table in reached:
        kinds = {
            column.name: bool if isinstance(column.type, Boolean) else column.type.enum_class
            for column in mapped[table].columns
            if isinstance(column.type, Boolean | Enum) and column.name != "hashed_by_upgrade"
        }
        assert kinds == MADE.get(table, {}), table


def test_what_is_no_store_of_today_is_left_to_the_store(tmp_path: Path) -> None:
    """One that is not there is made, one that is older upgraded, anything else refused in its words."""
    with open_reading(tmp_path / "new.db") as made:
        assert isinstance(made, Store)
        assert made.sessions() == ()
    (tmp_path / "text.db").write_text("no store")
    with pytest.raises(StoreError, match="is not a store of innage"):
        open_reading(tmp_path / "text.db")
    with closing(sqlite3.connect(tmp_path / "new.db")) as connection:
        connection.execute("UPDATE alembic_version SET version_num = 'later'")
        connection.commit()
    with pytest.raises(StoreError, match="newer version"):
        open_reading(tmp_path / "new.db")
