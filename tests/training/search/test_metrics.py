"""A model's metrics as JSON and back: of both kinds of models, of every revision of the store, of rows that
are not whole. Numbers invented where no store has them.
"""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from dataset.store.database import HISTORY
from training.judging.figures import AnsweredLimit, Figures, Score
from training.search.array_recipes import ALL, MOVING, ArrayRecipe
from training.search.candidates import Refused
from training.search.kept_recipe import read_recipe
from training.search.metrics import (
    CandidateRow,
    ChooseScores,
    GatedUnits,
    KeptBand,
    Metrics,
    SeenInBands,
    TrimGate,
    read_metrics,
)

STORES = Path(__file__).parents[2] / "data" / "stores"
LIMIT = AnsweredLimit("rmse_mm", "all", 1.0, None, 1, 0.8, "met", "within")
SCORE = Score(0.8, 1.5, 1.0, 0.0, 9, 0, 90)
LINE = CandidateRow(family="line", size=1, bits=8, meets=True, choose=ChooseScores(SCORE, SCORE))
NET = CandidateRow(
    family="array net",
    size="12-6",
    bits=16,
    error_mm=0.7,
    choose=ChooseScores(SCORE),
    classes={"clean": (0.7, 1.0), "foam": (None, 0.0)},
    watcher=(8, 4),
    watched=("shares",),
    patience=True,
)
FEW_PADS = Metrics(
    chosen=LINE,
    candidates=(LINE,),
    limits=(LIMIT,),
    band=KeptBand(False, "a reason"),
    seen_in_prove_bands=SeenInBands(9, 2),
    openings=3,
)
ARRAY = Metrics(
    chosen=NET,
    candidates=(NET,),
    next_step="a larger one",
    flag_table={"foam": "level given"},
    trim="full",
    band=KeptBand(True, None, 9, 0.9, "in words", {"below": 3, "above": 4}, 1.25),
    trim_gate=TrimGate(1.5, GatedUnits(2, ("u1",)), GatedUnits(9, ())),
)


def in_json(record: Metrics | CandidateRow) -> Any:
    return json.loads(json.dumps(record.to_json(), allow_nan=False))


@pytest.mark.parametrize("metrics", [FEW_PADS, ARRAY, Metrics()])
def test_metrics_are_read_as_they_were_written(metrics: Metrics) -> None:
    read = read_metrics(in_json(metrics))
    assert read == metrics
    assert type(read) is type(metrics)


def test_metrics_of_every_kind_of_model_have_the_same_keys() -> None:
    """But for what is kept where there is any; without a proof, claims are None under their name."""
    array, few = in_json(ARRAY), in_json(FEW_PADS)
    assert array["claims"] is None
    assert set(array) <= set(few)
    assert set(few) - set(array) == {"seen_in_prove_bands", "openings"}


def test_rows_have_what_their_kind_of_model_has() -> None:
    """A refused recipe has no scores, the net of an array no score of its float model: both are empty."""
    assert in_json(LINE).keys() == in_json(NET).keys() - {"classes", "watcher", "watched", "patience"}
    assert in_json(NET)["choose"] == {"integer": in_json(LINE)["choose"]["integer"], "float": {}}
    assert in_json(NET)["classes"] == {"clean": [0.7, 1.0], "foam": [None, 0.0]}
    recipe = ArrayRecipe((6,), 16, (6,), ALL, True, "full", MOVING)
    refused = Refused(recipe, False, "too wide").summary()
    assert in_json(refused) == {
        "family": "array net",
        "size": "6",
        "bits": 16,
        "meets": False,
        "departure_mm": 0.0,
        "error_mm": None,
        "choose": {"integer": {}, "float": {}},
        "cost": None,
        "within_budget": None,
        "refused": "too wide",
        "classes": {},
        "watcher": [6],
        "watched": list(ALL),
        "patience": True,
    }
    assert CandidateRow.from_json(in_json(refused)) == refused


def test_early_candidates_are_compared_by_their_rms_error() -> None:
    """They kept no other; a later one that accepted nothing has none."""
    kept = in_json(LINE)
    assert kept["error_mm"] is None
    assert CandidateRow.from_json(kept) == LINE
    early = CandidateRow.from_json({name: value for name, value in kept.items() if name != "error_mm"})
    assert early is not None
    assert early.error_mm == 0.8


@pytest.mark.parametrize(
    ("row", "answer"),
    [
        ({"value": 0.1829, "bound": 0.05, "answer": "not shown"}, "not met"),
        ({"value": 0.05, "bound": 0.05, "answer": "not shown"}, "not enough evidence"),
        ({"value": None, "bound": 0.05, "answer": "not shown"}, "not enough evidence"),
        ({"value": 1.5, "bound": 1.0, "or_mm": 1.0, "answer": "not shown"}, "not enough evidence"),
        ({"value": 1.7, "bound": 1.0, "or_mm": 1.0, "answer": "not shown"}, "not met"),  # 1 mm of 60: 1.67 %
        ({"value": 0.04, "bound": 0.05, "answer": "met"}, "met"),
    ],
)
def test_an_earlier_models_answers_are_read_in_todays_words(row: dict[str, Any], answer: str) -> None:
    """Too few groups no longer hide a value that is beyond its bound."""
    kept = {"metric": "p95_pct_span", "condition": "clean", "min_groups": 9, "reason": "because"} | row
    (read,) = read_metrics({"claims": {"span_mm": 60.0}, "limits": [kept]}).limits
    assert read.to_json() == {"confidence": None} | kept | {"answer": answer}


@pytest.mark.parametrize("metrics", [{}, {"limits": None}, {"claims": None, "limits": []}])
def test_a_model_without_limits_has_no_answers(metrics: dict[str, Any]) -> None:
    assert read_metrics(metrics).limits == ()
    (said,) = read_metrics(metrics).unproven
    assert said.startswith("no limits were given")


@pytest.mark.parametrize("revision", HISTORY.revisions)
def test_metrics_of_every_revision_are_read(revision: str) -> None:
    """Nothing that a store of an earlier version keeps is lost."""
    with closing(sqlite3.connect(f"file:{STORES / revision}.db?mode=ro&immutable=1", uri=True)) as connection:
        ((text,),) = connection.execute("SELECT metrics FROM model")
    kept = json.loads(text)
    read = read_metrics(kept)
    assert type(read) is Metrics
    assert _lost(kept, in_json(read)) == []
    assert all(row.error_mm is not None and row.cost is not None for row in (read.chosen,) if row is not None)


@pytest.mark.parametrize("revision", HISTORY.revisions)
def test_recipes_of_every_revision_are_read(revision: str) -> None:
    """Whole, and written as they were."""
    with closing(sqlite3.connect(f"file:{STORES / revision}.db?mode=ro&immutable=1", uri=True)) as connection:
        ((text,),) = connection.execute("SELECT recipe FROM model")
    recipe = read_recipe(text)
    assert json.loads(json.dumps(recipe.to_json())) == json.loads(text)
    assert (recipe.family, recipe.size, recipe.array) == ("hinge", 8, None)


def _lost(kept: Any, read: Any, path: str = "") -> list[str]:
    """What of ``kept`` is not the same in ``read``."""
    if isinstance(kept, dict) and isinstance(read, dict):
        return [one for name in kept for one in _lost(kept[name], read.get(name), f"{path}.{name}")]
    if isinstance(kept, list) and isinstance(read, list) and len(kept) == len(read):
        return [one for k, row in enumerate(kept) for one in _lost(row, read[k], f"{path}.{k}")]
    return [] if kept == read else [path]


@pytest.mark.parametrize(
    ("kept", "read"),
    [
        (None, Metrics()),
        ({}, Metrics()),
        ({"claims": 3}, Metrics()),
        ({"claims": {}}, Metrics(claims=Figures())),
        ({"prove": [], "limits": "none", "band": 3, "openings": "x", "candidates": None}, Metrics()),
        ({"candidates": [None, 3, {}], "chosen": None}, Metrics(candidates=(CandidateRow(),))),
        ({"band": {"given": True, "groups": 2.5}}, Metrics(band=KeptBand(True))),
    ],
)
def test_what_is_not_there_is_none_or_empty(kept: object, read: Metrics) -> None:
    assert read_metrics(kept) == read
