"""A store with a row in every table, each column with a value in one row at least."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np
from sqlalchemy.orm import Session as OrmSession

from building import put
from dataset.documents import name_of
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
from dataset.store import Store
from dataset.store.events.channels import NewMove
from dataset.store.team import chain, receipts, tokens

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
