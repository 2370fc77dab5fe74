"""The fan-out of fits is joblib's: whoever calls chooses where the fits run, and the model is the same."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import joblib
import pytest
from joblib._parallel_backends import ThreadingBackend

from dataset.records import FrozenData, Role
from training.program import digest
from training.search.array_recipes import ALL, STILL, ArrayRecipe
from training.search.arrays import train_array
from training.search.context import SearchRequest, by_roles, hardware_of
from training.studies.study import Study, ablate

RECIPES = (
    ArrayRecipe((4,), 16, (4,), STILL, False, "full", steps=3),
    ArrayRecipe((6,), 16, (4,), ALL, True, "full", steps=3),
)
TAKEN: list[str] = []


class Counted(ThreadingBackend):  # type: ignore[misc]  # no types are published
    """Threads that note what they were given, as a cluster's backend would be plugged in."""

    def submit(self, func: Any, callback: Any = None) -> Any:
        TAKEN.append(type(func).__name__)
        return super().submit(func, callback)


@pytest.mark.slow
def test_a_backend_of_ones_own_takes_the_fits(make_strip: Callable[..., FrozenData]) -> None:
    data = make_strip(units=8, frames=20)
    hardware = hardware_of(data)

    def trained(jobs: int) -> str:
        return digest(
            train_array(by_roles(data, hardware, SearchRequest("m", jobs=jobs)), recipes=RECIPES).program
        )

    alone = trained(1)
    joblib.register_parallel_backend("counted", Counted)
    TAKEN.clear()
    with joblib.parallel_config(backend="counted"):
        assert trained(2) == alone
        fits = len(TAKEN)
        ablate(Study(data, hardware, RECIPES[0], Role.PROVE, SearchRequest("m", jobs=2)))
    assert fits >= 2
    assert len(TAKEN) > fits
