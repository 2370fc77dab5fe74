"""The commands train and models, as a user calls them, on the measured readings of innage/demo_data (source
there).
"""

from __future__ import annotations

import csv
import json
import shutil
from importlib import resources
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner, Result

from building import CAN, bench_store, one_pad
from dataset.records import (
    Budget,
    Frames,
    GroupBy,
    Limit,
    Limits,
    Liquid,
    Mark,
    Role,
)
from dataset.store import Store
from innage.cli import app
from training.models.families import FAMILIES
from training.program import digest, from_json

HALF_STEPS = {f"{v:g}" for v in (0, 15, 25, 35, 45, 55, 65, 75, 85, 95)}


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with the readings, two limits, two budgets and a frozen set grouped by level."""
    from dataset.coverage.roles import groups_of

    rows = list(
        csv.DictReader(
            resources.files("innage.demo_data")
            .joinpath("levels_tidy.csv")
            .read_text(encoding="utf-8")
            .splitlines()
        )
    )
    level = [10.0 * float(r["level_cm"]) for r in rows]
    starts = [0, *(k for k in range(1, len(level)) if level[k] != level[k - 1]), len(level)]
    marks = tuple(Mark(a, b, level[a]) for a, b in pairwise(starts))
    counts = np.asarray([[int(float(r["N_counts"]))] for r in rows], dtype=np.uint32)
    path = tmp_path_factory.mktemp("store") / "innage.db"
    with Store.open(path) as store:
        bench = bench_store(store, tank=CAN, sensor=one_pad(frame_interval_ms=2051), liquid=Liquid("unknown"))
        clock = np.asarray([int(r["elapsed_ms"]) for r in rows], dtype=np.int64)
        sessions = store.add_sessions([bench.session(0, marks, frames=Frames(clock, counts))])
        names = [group.name for group in groups_of(sessions, GroupBy.LEVEL)]
        store.freeze(
            "half-steps",
            sessions,
            GroupBy.LEVEL,
            {n: Role.FIT if n in HALF_STEPS else Role.PROVE for n in names},
        )
        store.freeze("no-prove", sessions, GroupBy.LEVEL, dict.fromkeys(names, Role.FIT))
        store.add_limits(
            Limits("bench", 0, (Limit("rmse_mm", 0.9, min_groups=5), Limit("beyond_accepted_share", 0.0)))
        )
        store.add_limits(Limits("strict", 0, (Limit("rmse_mm", 0.01),)))
        store.add_budget(Budget("roomy", "cortex-m0plus", 1, 2000, 64, 200, 2000))
        store.add_budget(Budget("tiny", "cortex-m0plus", 1, 100, 64, 200, 2000))
    return path


@pytest.fixture
def store(filled: Path, tmp_path: Path) -> Path:
    """A copy of the filled store for one test."""
    copy = tmp_path / "innage.db"
    shutil.copy(filled, copy)
    return copy


def innage(store: Path, *words: str) -> Result:
    return CliRunner().invoke(app, [*words, "--store", str(store)], env={"COLUMNS": "200"})


def test_train_shows_candidates_proof_and_limits(store: Path) -> None:
    """Training prints the candidates, the chosen one and why, unseen and random-row figures, the frames
    beyond, and each limit's answer.
    """
    result = innage(
        store,
        "train",
        "half-steps",
        "--name",
        "first",
        "--limits",
        "bench",
        "--family",
        "line",
        "--family",
        "hinge",
    )
    assert result.exit_code == 0, result.output
    for words in (
        "Why: the smallest by estimated flash",
        "opening 1 of",
        "split by row",
        "outside the trained range; all were withheld, as they should be",
        "beyond_accepted_share",
        "No band: a 90 % band needs 9",
    ):
        assert words in result.output
    assert "trees" not in result.output


@pytest.mark.longer
def test_the_stored_model_is_the_program_and_its_figures(store: Path) -> None:
    """What --json prints is what the store keeps: a program with its digest, float ONNX, and the
    limits met.
    """
    result = innage(
        store, "train", "half-steps", "--name", "first", "--limits", "bench", "--family", "hinge", "--json"
    )
    facts = json.loads(result.output)
    with Store.open(store) as opened:
        model = opened.model("first")
        assert opened.prove_purposes(model.frozen) == ("train first",)
    assert digest(from_json(model.program)) == model.sha256 == facts["sha256"]
    assert json.loads(model.metrics) == facts["metrics"]
    assert [row["answer"] for row in facts["metrics"]["limits"]] == ["met", "met"]
    assert len(model.float_onnx) > 100


@pytest.mark.longer
def test_each_opening_of_prove_is_counted(store: Path) -> None:
    """A second training on the same frozen set is opening 2; one without prove groups opens nothing."""
    opened = [
        json.loads(innage(store, "train", s, "--name", n, "--family", "line", "--json").output)["metrics"][
            "openings"
        ]
        for s, n in (("half-steps", "a"), ("half-steps", "b"), ("no-prove", "c"))
    ]
    assert opened == [1, 2, 0]


@pytest.mark.longer
def test_limits_not_met_are_said_and_the_model_is_kept(store: Path) -> None:
    """A model that meets no limit is stored all the same, exit 0, and both facts are said."""
    result = innage(
        store, "train", "half-steps", "--name", "first", "--limits", "strict", "--family", "hinge"
    )
    assert result.exit_code == 0, result.output
    assert "no candidate meets the limits on the groups to choose by; the nearest is hinge" in " ".join(
        result.output.split()
    )
    assert "the model is kept all the same" in result.output
    listed = json.loads(innage(store, "models", "--json").output)
    assert [(m["name"], m["metrics"]["limits"][0]["answer"]) for m in listed] == [("first", "not met")]


@pytest.mark.longer
def test_with_strict_the_answers_decide_the_exit_code(store: Path) -> None:
    """1 where a limit is not met, 3 where there are no limits; the model is kept either way."""
    for name, limits, code in (("first", ("--limits", "strict"), 1), ("second", (), 3)):
        words = ("train", "half-steps", "--name", name, *limits, "--family", "line", "--strict")
        assert innage(store, *words).exit_code == code
    listed = json.loads(innage(store, "models", "--json").output)
    assert {model["name"] for model in listed} == {"first", "second"}


@pytest.mark.longer
def test_a_budget_is_measured(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With a budget the candidates that meet the limits carry measured flash and cycles, and the chosen one
    fits. Curves of two sizes are enough to see it: of 2 knots none meets the limits, of 16 all do.
    """
    monkeypatch.setattr(type(FAMILIES["hinge"]), "sizes", lambda _family, _channels: (2, 16))
    words = (
        "train",
        "half-steps",
        "--name",
        "first",
        "--limits",
        "bench",
        "--budget",
        "roomy",
        "--family",
        "hinge",
        "--json",
    )
    metrics = json.loads(innage(store, *words).output)["metrics"]
    assert [c["cost"] is not None for c in metrics["candidates"]] == [
        c["meets"] for c in metrics["candidates"]
    ]
    assert sorted(c["meets"] for c in metrics["candidates"]) == [False, False, True, True]
    assert metrics["budget"] == {"name": "roomy", "within": True}
    assert metrics["chosen"]["cost"]["flash"] == min(
        c["cost"]["flash"] for c in metrics["candidates"] if c["cost"]
    )


@pytest.mark.longer
def test_a_budget_that_nothing_fits_is_said(store: Path) -> None:
    """When nothing fits, the smallest is kept and the budget is said to be exceeded."""
    result = innage(store, "train", "half-steps", "--name", "first", "--budget", "tiny", "--family", "line")
    assert result.exit_code == 0, result.output
    assert "no candidate fits the budget; the smallest is given" in result.output
    assert "Budget tiny: over." in result.output


@pytest.mark.slow
def test_a_small_budget_is_kept_by_a_lean_firmware(store: Path) -> None:
    """Where nothing fits with a self-test and stored trims, candidates are measured for init, prepare and
    step alone; training says so, a check that is told so keeps the budget, an export that is not says how.
    """
    small = ("--flash-bytes", "400", "--ram-bytes", "64", "--stack-bytes", "128", "--cycles", "2000")
    innage(store, "budget", "add", "lean", "--core", "cortex-m0plus", "--multiplier-cycles", "1", *small)
    words = ("train", "half-steps", "--name", "first", "--budget", "lean", "--family", "line")
    result = innage(store, *words)
    why = " ".join(result.output.split())
    assert "none fits a firmware that uses more than init, prepare and step" in why
    assert "Budget lean: kept." in result.output
    assert "--uses leanest" in result.output
    check = ("budget", "check", "first", "--budget", "lean")
    assert innage(store, *check, "--uses", "leanest").exit_code == 0
    over = innage(store, *check)
    assert over.exit_code == 1
    assert "--uses leanest" in over.output
    out = ("--out", str(store.parent / "bundle"), "--even-if-unproven")
    refused = innage(store, "export", "first", "--budget", "lean", *out)
    assert refused.exit_code == 1
    assert "say --uses leanest" in refused.output + refused.stderr


def test_void_sessions_are_refused_by_name(store: Path) -> None:
    """A session voided after the freeze stops training with exit code 2 and is named."""
    with Store.open(store) as opened:
        session = opened.void(opened.sessions()[0].id, "scale was not zeroed")
    result = innage(store, "train", "half-steps", "--name", "first")
    assert result.exit_code == 2
    assert session.id in result.stderr


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("train", "nothing", "--name", "m"), "nothing"),
        (("train", "half-steps", "--name", "m", "--limits", "none"), "limits"),
        (("train", "half-steps", "--name", "m", "--family", "cubic"), "one of line, hinge, trees, net"),
        (("train", "half-steps", "--name", "a/b"), "model"),
        (("models", "none"), "none"),
    ],
)
def test_wrong_words_are_refused(store: Path, words: tuple[str, ...], said: str) -> None:
    """An unknown set, limits, family or model, and a name that cannot be, exit with 2 and one sentence."""
    result = innage(store, *words)
    assert result.exit_code == 2
    assert said in result.stderr
    assert result.stderr.count("\n") == 1


@pytest.mark.longer
def test_a_name_in_use_is_refused_before_the_work(store: Path) -> None:
    """A model's name cannot be used again, and the refused training opens no prove groups."""
    innage(store, "train", "half-steps", "--name", "first", "--family", "line")
    result = innage(store, "train", "half-steps", "--name", "first", "--family", "line")
    assert result.exit_code == 2
    assert "exists already" in result.stderr
    with Store.open(store) as opened:
        assert opened.prove_openings(opened.frozen_set("half-steps")) == 1


def test_what_cannot_be_varied_is_refused_before_the_work(store: Path) -> None:
    done = innage(store, "train", "half-steps", "--name", "x", "--ablation")
    assert done.exit_code == 2
    assert "--ablation: 1 channel; expected a pad array of at least 4 channels" in done.stderr
    done = innage(store, "train", "half-steps", "--name", "x", "--since-pour")
    assert done.exit_code == 2
    assert "a model that is no pad array; expected a model of family array" in " ".join(done.stderr.split())


@pytest.mark.longer
def test_models_lists_and_shows(store: Path) -> None:
    """The list is empty with a hint, then has a row of when and what for, and one with the limits counted;
    one model is shown in full. Filters leave models by the sessions that they were trained on.
    """
    assert "no models yet" in innage(store, "models").output
    words = ["half-steps", "--limits", "bench", "--family", "hinge"]
    assert (
        "--date: '2026-13-01'"
        in innage(store, "train", *words, "--name", "no", "--date", "2026-13-01").stderr
    )
    innage(store, "train", *words, "--name", "first", "--date", "2026-03-02")
    lines = innage(store, "models").output.splitlines()
    when, row = [line.split() for line in lines if line.strip().startswith("first")]
    assert when == ["first", "2026-03-02", "half-steps", "bench@1", "-"]
    assert row[1:4] == ["hinge", "8", "8"]
    assert row[5] == "2/0/0"
    tag = ["--tag", "humid"]
    assert "no model was trained on such sessions" in innage(store, "models", *tag).output
    with Store.open(store) as opened:
        opened.tag([opened.sessions()[0].id], ["humid"])
    (facts,) = json.loads(innage(store, "models", *tag, "--json").output)
    assert (facts["name"], facts["date"], facts["parent"]) == ("first", "2026-03-02", None)
    assert "opening 1 of frozen set half-steps" in innage(store, "models", "first").output


@pytest.mark.longer
def test_one_recipe_is_named_in_place_of_a_search(store: Path) -> None:
    """It alone is tried and kept; one that is none, or that stands beside a family, is refused in the words
    of the command line, and nothing is kept.
    """
    made = innage(store, "train", "half-steps", "--name", "first", "--recipe", "hinge-8-8", "--json")
    (row,) = json.loads(made.output)["metrics"]["candidates"]
    assert (row["family"], row["size"], row["bits"]) == ("hinge", 8, 8)
    for words, said in (
        (
            ("--recipe", "hinge-7-8"),
            "recipe: 'hinge-7-8'; expected hinge-SIZE-BITS with a size of 4, 6, 8, 12, 16",
        ),
        (
            ("--recipe", "hinge-8-8", "--family", "line"),
            "'hinge-8-8' and --family line; expected one or the other",
        ),
        (("--recipe", "hinge-8-8", "--ablation"), "a pad array of at least 4 channels"),
    ):
        refused = innage(store, "train", "half-steps", "--name", "second", *words)
        assert refused.exit_code == 2
        assert said in " ".join(refused.output.split())
    with Store.open(store) as opened:
        assert [model.name for model in opened.models()] == ["first"]
