"""``innage retrain`` and ``innage study`` as a user calls them: a small canister and a taller one with
stretched pads, all made up.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner, Result

from building import WATER, bench_store
from dataset.pools import HERE
from dataset.records import (
    CountLaw,
    Frames,
    GroupBy,
    Limit,
    Limits,
    Mark,
    Model,
    NewSession,
    Pad,
    Role,
    Sensor,
    Source,
    Tank,
    Trim,
    TrimKind,
)
from dataset.store import Store
from innage.cli import app
from training.program import digest, to_json
from training.search.array_recipes import STILL, ArrayRecipe
from training.search.arrays import train_array
from training.search.context import SearchRequest, by_roles, hardware_of

STEPS = np.linspace(0.0, 80.0, 17)
RECIPE = ArrayRecipe((6,), 16, (6,), STILL, False, "full", steps=15)


def captured(store: Store, name: str, stretch: float, roles: list[Role], seed: int) -> None:
    """Units of one tank, each filled once in steps, with dry and full trims, frozen under ``name``."""
    draw = np.random.default_rng(seed)
    pads = tuple(Pad(k, f"p{k}", 20.0 * k * stretch, 16.0 * stretch) for k in range(4))
    bench = bench_store(
        store,
        tank=Tank(name, 0, 80.0 * stretch),
        sensor=Sensor(f"{name}-strip", 0, pads, 16, CountLaw.RISES, 100),
        liquid=WATER,
        unit=[f"{name}-{number}" for number in range(len(roles))],
        mounting=name,
    )
    share = 1 / (1 + np.exp(-(np.repeat(STEPS, 3)[:, None] - 20.0 * np.arange(4) - 8) / 4))
    share[:3] = 0.0
    marks = tuple(Mark(3 * k, 3 * k + 3, float(level * stretch)) for k, level in enumerate(STEPS))
    sessions = []
    for number, unit in enumerate(bench.units):
        offset, gain = 20000 + 300 * draw.standard_normal(4), 3000 * (1 + 0.05 * draw.standard_normal())
        counts = np.rint(offset + gain * share + 3 * draw.standard_normal(share.shape)).astype(np.uint32)
        sessions.append(
            NewSession(
                unit,
                bench.liquid,
                bench.mounting,
                Frames(np.arange(51) * 100, counts),
                marks,
                Source("f", f"{seed}{number}" * 32),
            )
        )
        for kind, at in ((TrimKind.DRY, 0.0), (TrimKind.FULL, 1.0)):
            store.add_trim(
                Trim(
                    unit,
                    bench.mounting,
                    kind,
                    tuple(int(v) for v in np.rint(offset + gain * at)),
                    "2026-01-01",
                    "line",
                )
            )
    store.freeze(
        name,
        store.add_sessions(sessions),
        GroupBy.UNIT,
        {f"{name}-{k}": role for k, role in enumerate(roles)},
    )


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("store") / "innage.db"
    with Store.open(path) as store:
        captured(store, "short", 1.0, [Role.FIT] * 3 + [Role.CHOOSE, Role.PROVE], 1)
        captured(store, "tall", 1.5, [Role.FIT] * 2 + [Role.CHOOSE] + [Role.PROVE] * 3, 2)
        limits, frozen = (
            store.add_limits(Limits("owner", 0, (Limit("p95_pct_span", 20.0),))),
            store.frozen_set("short"),
        )
        data = store.frozen_data(frozen)
        made = train_array(
            by_roles(data, hardware_of(data), SearchRequest("first", limits, pool=HERE)), recipes=(RECIPE,)
        )
        recipe, metrics = json.dumps(made.recipe.to_json()), json.dumps(made.metrics.to_json())
        store.add_model(
            Model(
                "first",
                digest(made.program),
                frozen,
                limits,
                recipe,
                "{}",
                metrics,
                to_json(made.program),
                made.float_onnx,
            )
        )
        store.add_model(
            Model(
                "line",
                digest(made.program),
                frozen,
                limits,
                '{"family":"line"}',
                "{}",
                metrics,
                to_json(made.program),
                made.float_onnx,
            )
        )
    return path.read_bytes()


def innage(*words: str) -> Result:
    return CliRunner().invoke(app, words, env={"COLUMNS": "200"})


@pytest.mark.slow
def test_a_refit_is_kept_with_its_parent_and_the_opening_counted(store: Path, tmp_path: Path) -> None:
    """The model that is shown is the one that is stored; pads one and a half times as high move the old
    levels by up to half of 76 mm, the top pad's edge.
    """
    done = innage(
        "retrain",
        "first",
        "--frozen",
        "tall",
        "--name",
        "second",
        "--picture",
        str(tmp_path / "c.svg"),
        "--steps",
        "10",
        "--json",
    )
    assert done.exit_code == 0, done.output
    found = json.loads(done.stdout)
    assert (found["openings"], found["limits_of"], found["refused"]) == (1, "owner@1", {})
    assert [answer["metric"] for answer in found["answers"]] == ["p95_pct_span"]
    assert found["moved_mm"] == pytest.approx(38.0)
    assert (tmp_path / "c.svg").stat().st_size > 1000
    with Store.open(store) as opened:
        model = opened.model("second")
        assert (model.parent, model.frozen.name) == ("first", "tall")
        assert json.loads(model.metrics)["retraining"]["kept"] == found["kept"]
        assert json.loads(model.metrics)["limits"] == found["answers"]
        opened.add_limits(Limits("hard", 0, (Limit("p95_pct_span", 1e-6),)))
        assert opened.prove_purposes(model.frozen) == ("retrain second",)
    words = ("--limits", "hard", "--strict")
    again = innage("retrain", "first", "--frozen", "tall", "--name", "third", "--steps", "5", *words)
    assert again.exit_code == 1, again.output
    assert "1 limit not met, 0 without enough evidence, of 1;" in again.stdout
    assert "Opening 2 of the prove groups of tall." in again.stdout
    assert "kept as third" in again.stdout or "can stay in use with new trims" in again.stdout


@pytest.mark.slow
def test_a_study_of_trims_opens_prove_only_when_asked(store: Path, tmp_path: Path) -> None:
    done = innage("study", "first", "--trims", "--json", "--picture", str(tmp_path / "trims.svg"))
    assert done.exit_code == 0, done.output
    found = json.loads(done.stdout)
    assert [row["name"] for row in found["trims"]["rows"]] == ["none", "dry", "full"]
    assert (found["role"], found["openings"], "features" in found) == ("choose", 0, False)
    assert "<svg" in (tmp_path / "trims.svg").read_text()
    opened = innage("study", "first", "--features", "--prove")
    assert opened.exit_code == 0, opened.output
    assert "Opening 1 of the prove groups." in opened.stdout
    assert "unrest" in opened.stdout
    assert "cycles" not in opened.stdout  # no budget was named


@pytest.mark.slow
def test_what_cannot_be_retrained_is_refused(store: Path, refused: Callable[..., str]) -> None:
    assert "model first" in refused("retrain", "first", "--frozen", "tall", "--name", "first")
    assert "family 'line'" in refused("retrain", "line", "--frozen", "tall", "--name", "x")
    assert "family 'line'" in refused("study", "line")
    assert "tower" in refused("retrain", "first", "--frozen", "tower", "--name", "x")
    with Store.open(store) as opened:
        assert {model.name for model in opened.models()} == {"first", "line"}
        assert opened.prove_openings(opened.frozen_set("tall")) == 0
