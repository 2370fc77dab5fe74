"""Two benches into one store: nothing lost, nothing twice, all or nothing."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from stores import content

from building import put
from dataset.errors import InputError
from dataset.records import (
    BoardMeasurement,
    Budget,
    ColumnMapping,
    GroupBy,
    Limit,
    Limits,
    Liquid,
    Mark,
    Model,
    Mounting,
    Role,
    Tank,
    Trim,
    TrimKind,
    Unit,
)
from dataset.store import Store, tables
from dataset.store.exchange import offering
from dataset.store.listing import session_lines
from dataset.store.proof import COVERS, Cover

Register = Callable[[Store], Any]


def alike(store: Store) -> dict[str, Any]:
    """What a store answers, without the numbers that it counts itself: revisions, and the order in which
    things came.
    """

    def unnumbered(mounting: Mounting) -> Mounting:
        return replace(
            mounting, tank=replace(mounting.tank, revision=0), sensor=replace(mounting.sensor, revision=0)
        )

    sessions = {s.sha256: replace(s, mounting=unnumbered(s.mounting)) for s in store.sessions()}
    frames = {sha: store.frames(sha, verify=True) for sha in sessions}
    sets = store.frozen_sets()
    return {
        "tanks": {replace(t, revision=0) for t in store.tanks()},
        "sensors": {replace(s, revision=0) for s in store.sensors()},
        "limits": {replace(x, revision=0) for x in store.all_limits()},
        "others": (
            store.liquids(),
            store.units(),
            store.budgets(),
            store.mappings(),
            tuple(unnumbered(m) for m in store.mountings()),
        ),
        "sessions": sessions,
        "counts": {
            sha: hashlib.sha256(f.counts.tobytes() + f.t_ms.tobytes()).hexdigest()
            for sha, f in frames.items()
        },
        "amendments": {sha: {r.sha256 for r in store.mark_revisions(sha)} for sha in sessions},
        "trims": {replace(t, mounting=unnumbered(t.mounting)) for t in store.trims()},
        "sets": {
            (
                f.name,
                f.sha256,
                f.roles,
                f.seed,
                tuple(s.sha256 for s in f.sessions),
                tuple(t.sha256 for t in f.trims),
            )
            for f in sets
        },
        "openings": {f.name: (store.prove_openings(f), sorted(store.prove_purposes(f))) for f in sets},
        "models": {
            (m.name, m.sha256, m.parent, m.recipe, m.frozen.sha256, m.limits and m.limits.rows)
            for m in store.models()
        },
        "boards": set(store.board_measurements()),
    }


def model(frozen: Any, name: str, limits: Limits | None = None) -> Model:
    return Model(
        name,
        hashlib.sha256(name.encode()).hexdigest(),
        frozen,
        limits,
        '{"seed":0}',
        "{}",
        "{}",
        '{"format":1}',
        b"\x08\x0a\x00",
    )


def fill(left: Store, right: Store, register: Register) -> None:
    """Two benches that share a sensor, a tank and one session, and each have more."""
    one = register(left)
    put(right, replace(one.tank, span_mm=120.0))  # here the shared tank is the second revision of its name
    two = register(right)
    shared = one.session(1)
    for store, bench, seed in ((left, one, 2), (right, two, 3)):
        its, _ = put(store, Unit(f"unit-{seed}", "its own"), Liquid(f"liquid-{seed}", 40.0))
        store.add_budget(Budget(f"budget-{seed}", "cortex-m0plus", 1, 1, 1, 1, 1))
        store.add_mapping(ColumnMapping(f"mapping-{seed}", ("c0", "c1")))
        limits = store.add_limits(Limits("signed", 0, (Limit("rmse_mm", float(seed)),)))
        first, second = store.add_sessions(
            [replace(shared, mounting=bench.mounting), bench.session(seed, unit=its)]
        )
        session, frames = first.sha256, (0, 10)
        store.add_trim(
            Trim(
                its,
                bench.mounting,
                TrimKind.FULL,
                (30000 + seed, 40000),
                "2026-01-02",
                "line",
                session=session,
                frames=frames,
            )
        )
        frozen = store.freeze(
            f"set-{seed}", [first, second], GroupBy.UNIT, {"unit1": Role.FIT, its.name: Role.PROVE}, seed
        )
        store.open_prove(frozen, f"train m-{seed}")
        made = store.add_model(model(frozen, f"m-{seed}", limits))
        store.add_export(made, f"{seed}" * 64, {"innage.c": f"{seed}" * 64})
        words = (f"board {seed}", "", "a compiler", "size")
        store.add_board_measurement(
            BoardMeasurement(f"m-{seed}", f"{seed}" * 64, *words, 0, 100, 9000, 8000.5, None, 180)
        )
        store.amend_marks(first.id, [Mark(0, 10, 16.0 + seed, 0.5)], f"author {seed}", "the scale was off")
        store.void(second.id, "wrong liquid")


@pytest.mark.slow
def test_both_ways_both_answer_alike(benches: tuple[Store, Store], register: Register) -> None:
    """Each bench brings in the other's; then both have everything, and give the same answers."""
    left, right = benches
    fill(left, right, register)
    before = alike(left), alike(right)
    report = left.merge(right.path)
    back = right.merge(left.path)
    assert alike(left) == alike(right)
    assert [len(f.trims) for f in left.frozen_sets()] == [1, 1]
    for kind in ("sessions", "tanks", "limits", "sets", "models", "boards"):
        assert set(alike(left)[kind]) == set(before[0][kind]) | set(before[1][kind]), kind
    assert {c.kind: (c.new, c.known) for c in report.taken} == {
        "tank": (1, 1),
        "sensor": (0, 1),
        "limits": (1, 0),
        "liquid": (1, 1),
        "unit": (1, 1),
        "budget": (1, 0),
        "mapping": (1, 0),
        "mounting": (0, 1),
        "session": (1, 1),
        "void": (1, 0),
        "mark revision": (1, 0),
        "trim": (1, 0),
        "frozen set": (1, 0),
        "prove opening": (1, 0),
        "model": (1, 0),
        "export": (1, 0),
        "board measurement": (1, 0),
    }
    assert [(r.what, r.theirs, r.ours) for r in report.renumbered] == [
        ("tank", "canister@1", "canister@2"),
        ("tank", "canister@2", "canister@1"),
        ("limits", "signed@1", "signed@2"),
    ]
    assert sum(c.new for c in back.taken) == 15 - 1  # as much, but for the tank that only the right bench had
    assert left.exported("3" * 64)[0].model.name == "m-3"
    assert {s.mounting.tank.revision for s in left.sessions()} == {1}
    assert {s.mounting.tank.revision for s in right.sessions()} == {2}


def test_again_changes_nothing(benches: tuple[Store, Store], register: Register) -> None:
    """A second merge reports nothing new and leaves every row of both stores as it is."""
    left, right = benches
    fill(left, right, register)
    assert left.merge(right.path).new > 0
    digests = content(left), content(right)
    assert left.merge(right.path).new == 0
    assert (content(left), content(right)) == digests


@pytest.mark.longer
def test_a_dry_run_says_the_same_and_writes_nothing(benches: tuple[Store, Store], register: Register) -> None:
    """With dry_run the report is that of the merge, and the store is as it was."""
    left, right = benches
    fill(left, right, register)
    before = content(left)
    said = left.merge(right.path, dry_run=True)
    assert content(left) == before
    assert left.merge(right.path) == said


@pytest.mark.longer
def test_the_other_file_is_not_touched(benches: tuple[Store, Store], register: Register) -> None:
    """Byte for byte the other file is what it was, and nothing lies beside it."""
    left, right = benches
    fill(left, right, register)
    right.close()
    before = right.path.read_bytes()
    left.merge(right.path)
    assert right.path.read_bytes() == before
    assert [p.name for p in right.path.parent.iterdir()] == ["right.db"]


@pytest.mark.longer
def test_concurrent_amendments_are_both_kept(benches: tuple[Store, Store], register: Register) -> None:
    """Two that amend the same marks are kept, named with their authors, and both stores say the same one
    counts; a longer chain wins.
    """
    left, right = benches
    fill(left, right, register)
    (remark,) = left.merge(right.path).remarks
    right.merge(left.path)
    (shared,) = (s for s in left.sessions() if len(left.mark_revisions(s.id)) == 2)
    assert shared.mark_revision is not None
    assert "author 2" in remark
    assert "author 3" in remark
    assert f"{shared.mark_revision[:12]} counts" in remark
    assert right.session(shared.id).marks == shared.marks
    (loser,) = (r for r in left.mark_revisions(shared.id) if r.sha256 != shared.mark_revision)
    assert loser.parent is None
    longer = right.amend_marks(shared.id, loser.marks, "both", "talked it over")
    left.merge(right.path)
    assert left.session(shared.id).mark_revision == longer.sha256
    assert longer.parent == shared.mark_revision


CONFLICTS: dict[str, tuple[Callable[[Store, Any], object], Callable[[Store, Any], object], str]] = {
    "liquid": (
        lambda s, b: put(s, Liquid("tea", 78.0, 0.05)),
        lambda s, b: put(s, Liquid("tea", 78.0, 0.07)),
        "liquid tea: conductivity is 0.05 in left.db and 0.07 in right.db",
    ),
    "budget": (
        lambda s, b: s.add_budget(Budget("small", "cortex-m0plus", 1, 1000, 1, 1, 1)),
        lambda s, b: s.add_budget(Budget("small", "cortex-m0plus", 1, 2000, 1, 1, 1)),
        "budget small: flash bytes is 1000 in left.db and 2000 in right.db",
    ),
    "mounting": (
        lambda s, b: put(s, Mounting("m2", b.tank, b.sensor)),
        lambda s, b: put(s, Mounting("m2", put(s, replace(b.tank, span_mm=90.0))[0], b.sensor)),
        "mounting m2: tank span mm is 100 in left.db and 90 in right.db",
    ),
    "frozen set": (
        lambda s, b: s.freeze("set", s.add_sessions([b.session(1)]), GroupBy.UNIT, {"unit1": Role.FIT}),
        lambda s, b: s.freeze("set", s.add_sessions([b.session(2)]), GroupBy.UNIT, {"unit1": Role.FIT}),
        "frozen set set: hash is ",
    ),
    "readings under another label": (
        lambda s, b: s.add_sessions([b.session(1)]),
        lambda s, b: s.add_sessions([b.session(1, (Mark(0, 5, 3.0),))]),
        "in right.db it has, frame by frame, the readings of session",
    ),
    "model": (
        lambda s, b: s.add_model(
            model(s.freeze("one", s.add_sessions([b.session(1)]), GroupBy.UNIT, {"unit1": Role.FIT}), "m")
        ),
        lambda s, b: s.add_model(
            replace(
                model(
                    s.freeze("one", s.add_sessions([b.session(1)]), GroupBy.UNIT, {"unit1": Role.FIT}), "m"
                ),
                recipe='{"seed":1}',
            )
        ),
        'model m: recipe is {"seed":0} in left.db and {"seed":1} in right.db',
    ),
}


@pytest.mark.longer
@pytest.mark.parametrize("kind", CONFLICTS)
def test_a_contradiction_is_refused_whole(
    benches: tuple[Store, Store], register: Register, kind: str
) -> None:
    """One name with two contents is refused with both named; what else the other store has is not merged
    either.
    """
    left, right = benches
    here, there, sentence = CONFLICTS[kind]
    here(left, register(left))
    there(right, register(right))
    put(right, Unit("a-new-one"))
    before = content(left)
    with pytest.raises(InputError) as refused:
        left.merge(right.path)
    assert sentence in str(refused.value)
    assert "Nothing was merged" in str(refused.value)
    assert content(left) == before


@pytest.mark.longer
def test_readings_of_a_void_session_may_come_again(benches: tuple[Store, Store], register: Register) -> None:
    """Once the wrong one of two labels is void, in either store, both come together."""
    left, right = benches
    one, two = register(left), register(right)
    (wrong,) = left.add_sessions([one.session(1)])
    right.add_sessions([two.session(1, (Mark(0, 5, 3.0),))])
    left.void(wrong.id, "levels mixed up")
    left.merge(right.path)
    right.merge(left.path)
    assert [s.void_reason for s in left.sessions()] == ["levels mixed up", None]
    assert alike(left) == alike(right)


@pytest.mark.longer
def test_voids_unite_in_any_order(benches: tuple[Store, Store], register: Register) -> None:
    """A session is void while any void among its events has no taking back of that very void: two benches
    void one session for reasons of their own, and each takes back its own.
    """
    left, right = benches
    (one,) = left.add_sessions([register(left).session(1)])
    right.add_sessions([register(right).session(1)])
    left.void(one.id, "hose slipped")
    right.void(one.id, "wrong unit")
    right.merge(left.path)
    report = left.merge(right.path)
    assert any("both hold" in remark for remark in report.remarks)
    assert left.session(one.id).void_reason == right.session(one.id).void_reason == "hose slipped; wrong unit"
    assert [line.void_reason for line in session_lines(left.path) or ()] == ["hose slipped; wrong unit"]
    right.take_back_void(one.id, "neither was so")
    assert right.session(one.id).void_reason is None
    left.merge(right.path)
    assert left.session(one.id).void_reason is None
    assert {e.sha256 for e in left.void_events(one.id)} == {e.sha256 for e in right.void_events(one.id)}
    left.void(one.id, "hose slipped")
    right.merge(left.path)
    assert right.session(one.id).void_reason == "hose slipped"


def test_a_taking_back_that_would_bring_a_twin_into_use_is_refused(
    benches: tuple[Store, Store], register: Register
) -> None:
    """There the void was taken back, here the same recording was logged again under another label."""
    left, right = benches
    one, two = register(left), register(right)
    (session,) = left.add_sessions([one.session(1)])
    right.add_sessions([two.session(1)])
    left.void(session.id, "wrong level")
    right.merge(left.path)
    left.add_sessions([one.session(1, (Mark(0, 5, 3.0),))])
    right.take_back_void(session.id, "it was right")
    with pytest.raises(InputError, match="its void was taken back"):
        left.merge(right.path)


def test_a_note_that_differs_is_no_contradiction(benches: tuple[Store, Store]) -> None:
    """A note is no fact: the record is the same, its note stays, and the other one is said."""
    left, right = benches
    put(left, Unit("u", "first shelf"))
    put(right, Unit("u", "second shelf"))
    report = left.merge(right.path)
    assert (report.new, left.unit("u").note) == (0, "first shelf")
    assert "'second shelf'" in report.remarks[0]


def test_groups_by_a_tank_that_is_renumbered(benches: tuple[Store, Store], register: Register) -> None:
    """Groups are named by what a tank is, whatever number its revision has: the set comes in either way, with
    its hash.
    """
    left, right = benches
    put(left, Tank("canister", 0, 50.0))
    bench = register(right)
    frozen = right.freeze(
        "set", right.add_sessions([bench.session(1)]), GroupBy.TANK, {"canister@1": Role.FIT}
    )
    left.merge(right.path)
    right.merge(left.path)
    for store in benches:
        same = store.frozen_set("set")
        assert (same.sha256, same.roles) == (frozen.sha256, (("canister", Role.FIT),))
        assert len(store.frozen_data(same).counts) == 28
    assert left.frozen_set("set").sessions[0].mounting.tank.ref == "canister@2"


def test_openings_are_never_fewer(benches: tuple[Store, Store], register: Register) -> None:
    """Openings of one set on two benches add up by purpose; those that both know count once."""
    left, right = benches
    bench = register(left)
    frozen = left.freeze("set", left.add_sessions([bench.session(1)]), GroupBy.UNIT, {"unit1": Role.PROVE})
    left.open_prove(frozen, "shared")
    right.merge(left.path)
    left.open_prove(frozen, "left")
    for _ in range(2):
        right.open_prove(frozen, "right")
    left.merge(right.path)
    assert sorted(left.prove_purposes(frozen)) == ["left", "right", "right", "shared"]


def test_captures_that_are_open_stay(benches: tuple[Store, Store], register: Register) -> None:
    """A live capture in the other store is named and left where it is."""
    left, right = benches
    bench = register(right)
    right.begin_capture("monday", bench.unit, bench.liquid, bench.mounting, {})
    assert left.merge(right.path).remarks == (
        "capture monday is still open in right.db and was left out: end it there, then merge again",
    )
    assert (left.open_captures(), len(right.open_captures())) == ((), 1)


def test_every_table_is_merged() -> None:
    """A table that is added to the schema has to be thought of here: its rows are objects that stores
    exchange, belong to such rows, or are a store's own.
    """
    offered = {offer.rows.__tablename__ for offer in offering._OFFERS.values()}
    offered |= {child for name in offered for child in COVERS.get(name, Cover()).children}
    left_out = {"open_capture", "open_block", "open_entry"}  # of captures that are still open
    # a store's own: who may do what in it, what was done to it, what it was told, what it lets out
    left_out |= {"token", "token_revocation", "token_use", "audit", "receipt", "staged_blob"}
    left_out |= {"sign_in"}
    left_out |= {"bundle_content", "bundle_signature", "channel_move", "withdrawal_event"}
    left_out |= {"job", "job_event", "job_file"}  # a queue is of the store that its runners work on
    assert set(tables.Base.metadata.tables) - offered == left_out


def test_a_model_trained_on_another_day_is_the_same(benches: tuple[Store, Store], register: Register) -> None:
    """What two benches trained alike is one model, whenever that was; each keeps its own date."""
    left, right = benches
    for store, day in ((left, "2026-03-02"), (right, "2026-03-03")):
        store.add_sessions([register(store).session(1)])
        frozen = store.freeze("set", store.sessions(), GroupBy.UNIT, {"unit1": Role.FIT})
        texts = ("{}", "{}", "{}", '{"format":1}')
        store.add_model(Model("m", "a" * 64, frozen, None, *texts, b"", date=day))
    report = left.merge(right.path)
    assert {c.kind: (c.new, c.known) for c in report.taken}["model"] == (0, 1)
    assert left.model("m").date == "2026-03-02"
