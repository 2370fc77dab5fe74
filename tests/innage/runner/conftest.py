"""A store with two models, for jobs about them."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from bundles import stand_in_onnx

from building import CAN, WATER, bench_store, one_pad
from dataset.pools import Pool
from dataset.records import Budget, CountLaw, Frames, GroupBy, Limit, Limits, Mark, Model, Role
from dataset.store import Store
from innage.jobs import Progress
from innage.runner.kinds import judging
from training.judging.figures import AnsweredLimit
from training.program import Program, digest, to_json
from training.program.builder import Builder

LEVELS = np.repeat(np.arange(10.0, 100.0, 10.0), 10)
ROLES = {"u0": Role.FIT, "u1": Role.CHOOSE, "u2": Role.PROVE, "u3": Role.PROVE}


def adds(name: str, off: int) -> Program:
    """Level = counts of the one pad less 1000, plus ``off``, in 1/64 mm."""
    b = Builder(name, count_bits=16, channels=1, period_ms=100, span=6400)
    level = b.node("clip", b.node("add", "counts", b.const(off - 1000)), low=0, high=6400, scale="1/64 mm")
    return b.finish(low=level, level=level, high=level, validity=b.const(1), flags=b.const(0))


def answered() -> str:
    """Metrics of a model that meets its limit."""
    answer = AnsweredLimit("p95_abs_mm", "all", 1.0, None, 1, None, "met", "-")
    return json.dumps({"limits": [answer.to_json()]})


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Models 'good' (exact) and 'bad' (2 mm too high) of the set 'all', a limit, a budget."""
    path = tmp_path_factory.mktemp("filled") / "innage.db"
    with Store.open(path) as store:
        bench = bench_store(store, tank=CAN, sensor=one_pad(CountLaw.RISES), liquid=WATER, unit=[*ROLES])
        marks = tuple(Mark(10 * k, 10 * k + 10, 10.0 + 10 * k) for k in range(9))
        counts = (1000 + 64 * LEVELS)[:, None].astype(np.uint32)
        sessions = store.add_sessions(
            [
                bench.session(k, marks, unit=unit, frames=Frames(np.arange(90) * 100, counts + 10 * k))
                for k, unit in enumerate(bench.units)
            ]
        )
        frozen = store.freeze("all", sessions, GroupBy.UNIT, ROLES)
        limits = store.add_limits(Limits("owner", 0, (Limit("p95_abs_mm", 1.0, min_groups=1),)))
        store.add_budget(Budget("roomy", "cortex-m0plus", 1, 4096, 128, 256, 4000))
        for name, off in (("good", 0), ("bad", 128)):
            program = adds(name, off)
            texts = ("{}", "{}", answered(), to_json(program))
            store.add_model(Model(name, digest(program), frozen, limits, *texts, stand_in_onnx()))
    return path


@pytest.fixture
def store(filled: Path, tmp_path: Path) -> Iterator[Store]:
    """A copy of it, open."""
    with Store.open(shutil.copy(filled, tmp_path / "innage.db")) as opened:
        yield opened


@pytest.fixture
def looks(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """A sweep in place of the real one, which looks at 'prove' as that does; how many openings there were
    each time before it looked.
    """
    seen: list[int] = []

    def swept(
        store: Store, model: str, *, role: Role, limits: str | None, progress: Progress, pool: Pool | None
    ) -> Any:
        frozen = store.model(model).frozen
        seen.append(store.prove_openings(frozen))
        progress("sweeping", 1, 2)
        openings = store.open_prove(frozen, "sweep") if role is Role.PROVE else 0
        return SimpleNamespace(facts=lambda: {"openings": openings, "model": model, "limits": limits})

    monkeypatch.setattr(judging, "sweep", swept)
    return seen
