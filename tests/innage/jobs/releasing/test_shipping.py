"""Whether a model may ship, read off a store: each thing that speaks against it, alone."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from dataset.records import Model
from dataset.store import Store
from dataset.store.events.channels import NewMove
from dataset.words import ModelStatus
from export.bundle.verify import read_bundle
from innage.jobs.releasing.gates import ANYWAY, UNPROVEN, void_and_amended
from innage.jobs.releasing.moving import keep
from innage.jobs.releasing.shipping import Ships, Standing, standing
from released import Released
from training.search.metrics import read_metrics

WHEN = datetime(2026, 3, 2, 9, 15, tzinfo=UTC)


@pytest.fixture
def store(released: Released, tmp_path: Path) -> Iterator[Store]:
    """A store that keeps the bundles of a model that is good and of one that is not."""
    with Store.open(released.store(tmp_path)) as opened:
        for name in ("good", "bad"):
            keep(opened, read_bundle(released.folder / name))
        yield opened


def stood(store: Store, name: str = "good") -> Standing:
    model = store.model(name)
    return standing(store, model, read_metrics(json.loads(model.metrics)), *void_and_amended(store, model))


def shut(found: Standing) -> dict[str, str]:
    return {gate.name: gate.answer for gate in found.gates if not gate.passed}


def let_out(store: Store, name: str, *concessions: str) -> str:
    """Point a channel at the model's bundle, as after a judgement; the bundle's hash."""
    (bundle,) = store.bundles_of(name)
    words = ("washer/stable", bundle.bundle_sha256, "A. Owner", "for the washer", WHEN, None)
    store.move_channel(NewMove(*words, store.said_of(name), concessions=concessions))
    return bundle.bundle_sha256


def test_a_channel_is_the_last_thing_that_is_open(store: Store) -> None:
    assert (stood(store).ships, list(shut(stood(store)))) == (Ships.OPEN, ["budget", "channel"])
    bundle = let_out(store, "good")
    assert (stood(store).ships, shut(stood(store))) == (Ships.YES, {})
    store.withdraw(bundle, "A. Owner", "it floods", WHEN)
    assert (stood(store).ships, shut(stood(store))) == (Ships.NO, {"bundle": "failed", "channel": "failed"})
    assert "withdrawn (it floods)" in {gate.sentence for gate in stood(store).gates}


@pytest.mark.parametrize("conceded", [(), (ANYWAY,), (ANYWAY, UNPROVEN)])
def test_what_is_conceded_is_not_passed(store: Store, conceded: tuple[str, ...]) -> None:
    """A limit that is not met stays so; only who let it out with its concession changes the answer."""
    assert stood(store, "bad").ships is Ships.NO
    let_out(store, "bad", *conceded)
    found = stood(store, "bad")
    assert shut(found)["limits"] == "failed"
    assert found.ships is (Ships.CONCEDED if ANYWAY in conceded else Ships.NO)


def test_what_was_said_since_speaks_against_it(store: Store) -> None:
    let_out(store, "good")
    session = store.model("good").frozen.sessions[0].id
    store.void(session, "the scale slipped")
    assert (stood(store).ships, list(shut(stood(store)))) == (Ships.NO, ["void sessions"])
    store.take_back_void(session, "it was another")
    store.set_status("good", ModelStatus.RETIRED, "A. Owner", "another is better")
    assert list(shut(stood(store))) == ["status"]


def test_simulated_readings_do_not_ship(store: Store) -> None:
    """However well everything else stands."""
    let_out(store, "good")
    model = store.model("good")
    sessions = tuple(replace(one, simulated=True) for one in model.frozen.sessions)
    other = replace(model, frozen=replace(model.frozen, sessions=sessions))
    found = standing(store, other, read_metrics(json.loads(model.metrics)), (), ())
    assert (found.ships, list(shut(found))) == (Ships.NO, ["readings"])


def answered(model: Model, answer: str) -> Model:
    rows = [row | {"answer": answer} for row in json.loads(model.metrics)["limits"]]
    return replace(model, metrics=json.dumps({"limits": rows}))


@pytest.mark.parametrize(
    ("answer", "said", "sentence"),
    [
        ("met", None, "all 1 of owner@1 met, signed by nobody"),
        ("not enough evidence", "not enough evidence", "1 of 1 without enough evidence (rmse_mm of all: )"),
        ("not met", "failed", "1 of 1 not met (rmse_mm of all: )"),
    ],
)
def test_limits_are_told_as_the_training_answered(
    store: Store, answer: str, said: str | None, sentence: str
) -> None:
    model = answered(store.model("good"), answer)
    found = standing(store, model, read_metrics(json.loads(model.metrics)), (), ())
    assert (shut(found).get("limits"), found.gates[0].sentence) == (said, sentence)


def test_without_limits_nothing_is_said(store: Store) -> None:
    assert stood(store, "bare").gates[0].sentence == "nobody stated any for it"
    silent = standing(store, store.model("good"), read_metrics({}), (), ())
    assert silent.gates[0].sentence == "its training kept no answer to owner@1"
