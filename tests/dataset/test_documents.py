"""Documents: the same whatever the order of keys, others with any field, the same in another store."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import fields, replace
from enum import Enum
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from building import bench_store, make_frames
from dataset import documents
from dataset.canonical import limits_sha256, model_sha256, session_sha256, trim_sha256
from dataset.canonical_text import canonical_json
from dataset.documents import Document, document_from, document_of, name_of, record_of
from dataset.errors import InputError
from dataset.records import (
    Bench,
    Budget,
    CheckMeasurement,
    CheckStandard,
    ColumnMapping,
    Conditions,
    CountLaw,
    DoorWarning,
    Flow,
    GroupBy,
    Instrument,
    InstrumentKind,
    LevelUnit,
    Limit,
    Limits,
    Liquid,
    Mark,
    Model,
    Mounting,
    Operator,
    Pad,
    PadRole,
    Restatement,
    Role,
    Sensor,
    StandardKind,
    Stretch,
    Tank,
    TimeUnit,
    Trim,
    TrimKind,
    Unit,
)
from dataset.store import Store

REAL = st.floats(0.5, 1e4)
TEXT = st.text("abc 1-", min_size=1, max_size=8)
NORTH, SOUTH = "a" * 32, "b" * 32
tanks = st.builds(
    Tank, TEXT, st.just(0), REAL, wall_material=TEXT, wall_mm=REAL | st.none(), inlet_mm=REAL, note=TEXT
)
pads = st.builds(
    Pad, st.just(0), TEXT, REAL, REAL, REAL | st.none(), REAL | st.none(), st.sampled_from(PadRole)
)
sensors = st.builds(
    Sensor,
    TEXT,
    st.just(0),
    st.tuples(pads),
    st.integers(1, 24),
    st.sampled_from(CountLaw),
    st.integers(1, 9999),
    note=TEXT,
    count_scale=st.integers(1, 100),
)
mountings = st.builds(Mounting, TEXT, tanks, sensors, REAL, REAL, TEXT)
units = st.builds(Unit, TEXT, TEXT, TEXT | st.none(), st.sampled_from((NORTH, SOUTH)))
liquids = st.builds(Liquid, TEXT, REAL | st.none(), REAL, REAL, REAL, TEXT, st.none(), TEXT)
budgets = st.builds(Budget, TEXT, TEXT, *[st.integers(1, 9999)] * 8, note=TEXT)
rows = st.builds(Limit, TEXT, REAL, TEXT, REAL | st.none(), st.integers(1, 9), REAL | st.none())
limits = st.builds(Limits, TEXT, st.just(0), st.tuples(rows, rows), TEXT)
mappings = st.builds(
    ColumnMapping,
    TEXT,
    st.tuples(TEXT),
    TEXT | st.none(),
    st.sampled_from(TimeUnit),
    TEXT | st.none(),
    st.sampled_from(LevelUnit),
    REAL | st.none(),
    header=st.booleans(),
    ignore=st.tuples(TEXT),
)
trims = st.builds(
    Trim,
    units,
    mountings,
    st.sampled_from(TrimKind),
    st.tuples(st.integers(0, 99)),
    TEXT,
    TEXT,
    REAL | st.none(),
    note=TEXT,
    spread=st.tuples(REAL),
)
standards = st.builds(CheckStandard, TEXT, st.sampled_from(StandardKind), sensors, TEXT, TEXT)
records = st.one_of(
    tanks,
    sensors,
    mountings,
    units,
    liquids,
    budgets,
    limits,
    mappings,
    trims,
    st.builds(Operator, TEXT, TEXT),
    st.builds(
        Instrument,
        TEXT,
        st.sampled_from(InstrumentKind),
        TEXT,
        *[REAL] * 3,
        st.integers(1, 99),
        *[TEXT] * 4,
    ),
    standards,
    st.builds(CheckMeasurement, standards, TEXT, st.tuples(REAL), REAL, st.integers(1, 99), TEXT, note=TEXT),
    st.builds(Bench, st.just(NORTH), TEXT, TEXT),
)
COUNTED = {"revision", "own", "given_name", "sha256", "sealed_unit", "signer", "session"}


def known_for(record: Any) -> dict[str, Any]:
    """What a record refers to, by name."""
    values = [getattr(record, field.name) for field in fields(record)]
    return {
        name_of(other): other
        for other in values
        if isinstance(other, Tank | Sensor | Mounting | Unit | CheckStandard)
    }


def shuffled(value: Any) -> Any:
    """The same JSON with every object's keys the other way round."""
    if isinstance(value, dict):
        return {key: shuffled(value[key]) for key in reversed(value)}
    return [shuffled(item) for item in value] if isinstance(value, list) else value


@given(records)
def test_read_back_whatever_the_order(record: Any) -> None:
    """JSON with its keys in another order is the same document and gives the record back."""
    document = document_of(record)
    again = document_from(shuffled(json.loads(document.text)))
    assert (again.sha256, again.text) == (document.sha256, document.text)
    assert record_of(again, known_for(record)) == record
    assert document_of(record_of(again, known_for(record))) == document


OTHER: dict[type, Callable[[Any], Any]] = {
    Tank: lambda tank: replace(tank, span_mm=tank.span_mm + 1),
    Sensor: lambda sensor: replace(sensor, period_ms=sensor.period_ms + 1),
    Mounting: lambda mounting: replace(mounting, offset_mm=mounting.offset_mm + 1),
    CheckStandard: lambda standard: replace(standard, name=f"{standard.name}x"),
    Unit: lambda unit: replace(unit, name=f"{unit.name}x", serial=None),
    Pad: lambda pad: replace(pad, bottom_mm=pad.bottom_mm + 1),
    Limit: lambda limit: replace(limit, bound=limit.bound + 1),
    tuple: lambda items: (*items[:-1], other(items[-1])),
    bool: lambda flag: not flag,
    str: lambda text: f"{text}x",
    type(None): lambda _nothing: 7.5,
}


def other(value: Any) -> Any:
    """A value of the same type that is another."""
    if isinstance(value, Enum):
        return next(member for member in type(value) if member is not value)
    return OTHER[type(value)](value) if type(value) in OTHER else value + 1


@given(records)
def test_any_field_changes_the_document(record: Any) -> None:
    """Each field that a store does not count itself, one by one; the name changes unless it is a note that
    stores may differ in.
    """
    before = document_of(record)
    for field in fields(record):
        value = getattr(record, field.name)
        if field.name in COUNTED or value == () or (value is None and "float" not in str(field.type)):
            continue
        changed = replace(record, **{field.name: other(value)})
        after = document_of(changed)
        assert after.sha256 != before.sha256, field.name
        noted = field.name == "note" or (isinstance(record, Bench) and field.name == "name")
        named = isinstance(record, Unit) and record.serial is not None and field.name == "name"
        kept = (
            noted
            and not isinstance(
                record, Tank | Sensor | Limits | Trim | Instrument | CheckStandard | CheckMeasurement
            )
        ) or named
        assert (after.name == before.name) == kept, field.name


@given(tanks)
def test_numbers_a_store_counts_change_nothing(tank: Tank) -> None:
    """A revision is a store's own count, and 100 is 100.0."""
    assert document_of(replace(tank, revision=7)) == document_of(tank)
    whole = replace(tank, span_mm=100)
    assert document_of(whole).sha256 == document_of(replace(tank, span_mm=100.0)).sha256


def test_names_of_before_stay() -> None:
    """What was released with a hash goes by it."""
    bounds = Limits("l", 1, (Limit("rmse_mm", 1.0),), "n", "A. Owner")
    assert document_of(bounds).name == limits_sha256(bounds) == name_of(replace(bounds, signer=None))
    assert (
        documents.sign_off_document(bounds).name
        != documents.sign_off_document(replace(bounds, signer="B. Owner")).name
    )


def filled(store: Store) -> dict[str, Any]:
    """A bench with sessions, a trim, a frozen set and two models of one program."""
    bench = bench_store(store)
    known = store.add_unit(Unit("u7", "second shelf", "0417"))
    store.add_budget(Budget("small", "cortex-m0plus", 1, 1536, 64, 128, 2000))
    store.add_mapping(ColumnMapping("tidy", ("a", "b"), "t"))
    bounds = store.add_limits(Limits("signed", 0, (Limit("rmse_mm", 1.0),), "why", "A. Owner"))
    first, second = store.add_sessions(
        [
            replace(
                bench.session(1, frames=make_frames(1, warm=True)),
                stretches=(Stretch(0, 10, Conditions(flow=Flow.STATIC)),),
                warnings=(DoorWarning("noise", "a lot"),),
                simulated=True,
            ),
            replace(bench.session(2, unit=known, note="second day"), simulated=True),
        ]
    )
    store.amend_marks(second.id, (Mark(0, 10, 16.0),), "A. Bench", "read off wrongly")
    store.add_trim(Trim(known, bench.mounting, TrimKind.FULL, (40000, 40000), "2026-01-01", "line", 20.0))
    roles = {"unit1": Role.FIT, "u7": Role.PROVE}
    frozen = store.freeze("set", [first, second], GroupBy.UNIT, roles, 7)
    store.open_prove(frozen, "train m")
    texts = ('{"numpy":"2"}', '{"rmse_mm":0.5}', '{"format":1}')
    for name, recipe in (("m", '{"seed":0}'), ("again", '{"seed":1}')):
        store.add_model(Model(name, "a" * 64, frozen, bounds, recipe, *texts, b"\\x08"))
    return {"first": first, "second": second, "frozen": frozen}


def registered(store: Store) -> list[Any]:
    """Everything in the registry, in order of reference."""
    return [
        *store.benches(),
        *store.tanks(),
        *store.liquids(),
        *store.sensors(),
        *store.mountings(),
        *store.units(),
        *store.budgets(),
        *store.mappings(),
        *store.all_limits(),
    ]


@pytest.mark.longer
def test_through_documents_into_another_store(new_store: Store, tmp_path: Any) -> None:
    """Each object becomes text, is read in another store, and has the same document there."""
    filled(new_store)
    add = {
        Tank: "add_tank",
        Liquid: "add_liquid",
        Sensor: "add_sensor",
        Mounting: "add_mounting",
        Unit: "add_unit",
        Budget: "add_budget",
        ColumnMapping: "add_mapping",
        Limits: "add_limits",
    }
    with Store.open(tmp_path / "other.db", bench=SOUTH) as there:
        there.add_tank(Tank("canister", 0, 50.0))  # so that the revision is another
        known: dict[str, Any] = {}
        for record in registered(new_store):
            if isinstance(record, Bench):
                continue
            document = read_again(document_of(record))
            read = record_of(document, known)
            if isinstance(record, Limits):
                read = replace(read, signer=record.signer)
            stored = getattr(there, add[type(record)])(read)
            known[document.name] = stored
            assert document_of(stored) == document
        for session in new_store.sessions():
            document = read_again(documents.session_document(session, new_store.frames(session)))
            assert document.name == session.sha256
            new = documents.session_from(document, new_store.frames(session), known)
            (stored,) = there.add_sessions([new])
            assert documents.session_document(stored, there.frames(stored)) == document
            for revision in new_store.mark_revisions(session.id):
                document = read_again(documents.mark_revision_document(revision))
                amended = documents.mark_revision_from(document)
                assert amended == revision
                there.amend_marks(stored.id, amended.marks, amended.author, amended.reason)
        for trim in new_store.trims():
            document = read_again(document_of(trim))
            assert document_of(there.add_trim(record_of(document, known))) == document
        frozen = new_store.frozen_set("set")
        sessions = [there.session(s.sha256) for s in frozen.sessions]
        same = there.freeze("set", sessions, GroupBy.UNIT, dict(frozen.roles), 7)
        documents.check_frozen(read_again(documents.frozen_document(frozen)), same)
        names = set()
        for model in new_store.models():
            document = read_again(documents.model_document(model))
            bounds = there.limits("signed")
            stored = there.add_model(documents.model_from(document, same, bounds, model.float_onnx))
            assert documents.model_document(stored) == document
            assert document.name == model_sha256(stored)
            names.add(document.name)
        assert len(names) == 2  # one program, two recipes


def test_events(new_store: Store) -> None:
    """A void and its take-back go by the hashes of their records; each fact changes the document."""
    session = filled(new_store)["first"]
    new_store.void(session.id, "the hose came off")
    new_store.take_back_void(session.id, "it was another one")
    void, back = (
        documents.event_document("void", session.sha256, event) for event in new_store.void_events(session.id)
    )
    assert back.facts["parent"] == void.name
    assert read_again(back) == back
    assert with_fact(back, reason="x").sha256 != back.sha256


def read_again(document: Document) -> Document:
    """What another store reads of the text."""
    return document_from(json.loads(document.text))


def test_what_is_refused(new_store: Store) -> None:
    """A changed fact, an unknown reference, other keys, another kind: one sentence each."""
    there = filled(new_store)
    session = there["first"]
    frames = new_store.frames(session)
    whole = documents.session_document(session, frames)
    known = {name_of(record): record for record in registered(new_store)}
    mounting = document_of(session.mounting)
    trim = document_of(new_store.trims()[0])
    revision = documents.mark_revision_document(new_store.mark_revisions(there["second"].id)[0])
    tampered: list[tuple[Callable[[], object], str]] = [
        (lambda: documents.session_from(with_fact(whole, note="x"), frames, known), "content hashes to"),
        (lambda: documents.session_from(whole, make_frames(9), known), "other columns"),
        (lambda: documents.session_from(with_fact(whole, more=1), frames, known), "other facts"),
        (lambda: documents.session_from(with_fact(whole, marks=[[0]]), frames, known), "cannot be"),
        (lambda: documents.session_from(whole, frames, {}), "refers to"),
        (lambda: documents.session_from(mounting, frames, known), "is a mounting"),
        (lambda: record_of(with_fact(mounting, offset_mm=7.0), known), "content hashes to"),
        (lambda: record_of(with_fact(mounting, offset_mm="7"), known), "a value of type float"),
        (lambda: record_of(with_fact(mounting, colour="red"), known), "a key 'colour'"),
        (lambda: record_of(with_fact(mounting, tank=mounting.name), known), "refers to"),
        (lambda: record_of(with_fact(trim, kind="wet"), known), "one of"),
        (lambda: record_of(with_fact(trim, counts=7), known), "a list"),
        (lambda: record_of(whole, known), "of another kind"),
        (lambda: documents.mark_revision_from(with_fact(revision, author="Z")), "content hashes to"),
        (lambda: document_from({"kind": "tank"}), "other keys"),
        (lambda: document_from(json.loads(trim.text) | {"format": 2}), "another form"),
    ]
    for attempt, what in tampered:
        with pytest.raises(InputError, match=what):
            attempt()


def with_fact(document: Document, **facts: Any) -> Document:
    """The document with a fact that is another."""
    return replace(document, facts=document.facts | facts)


def test_names_are_the_hashes_of_before(new_store: Store) -> None:
    """Sessions, trims, sets and models go by the hashes that they always had."""
    there = filled(new_store)
    session = there["first"]
    frames = new_store.frames(session)
    assert documents.session_document(session, frames).name == session_sha256(session, frames)
    trim = new_store.trims()[0]
    assert document_of(trim).name == trim.sha256 == trim_sha256(trim)
    assert documents.frozen_document(there["frozen"]).name == there["frozen"].sha256
    text = document_of(trim).text
    assert canonical_json(json.loads(text)) == text


def test_an_amendment_comes_back(new_store: Store) -> None:
    """What a session says since goes through its document, and another field is another document."""
    bench = bench_store(new_store, unit=("u1", "u2"))
    (session,) = new_store.add_sessions([bench.session(1)])
    stated = Restatement(bench.units[1], bench.liquid, stretches=(), firmware="1.4")
    amendment = new_store.amend_session(session.id, stated, "A. Bench", "mixed up")
    document = documents.amendment_document(amendment, bench.units[1])
    known = {name_of(record): record for record in (*bench.units, bench.liquid, bench.mounting)}
    assert documents.amendment_from_document(read_again(document), known) == amendment
    with pytest.raises(InputError, match="amendment"):
        documents.amendment_from_document(with_fact(document, author="B. Bench"), known)
