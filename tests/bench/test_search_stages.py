"""What a search's processor time went into, as its progress tells it; times invented."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import search

from training.search.array_recipes import default_recipes


def test_nets_that_are_kept_are_told_from_those_without_a_part(monkeypatch: pytest.MonkeyPatch) -> None:
    """The first fits of each kind are those that are kept, one for each net that the recipes name: here two
    level nets and two watchers. Every second is counted once, those between two searches not at all.
    """
    clock: Iterator[float] = iter(range(0, 10_000, 10))
    monkeypatch.setattr(search, "processor_time", lambda: float(next(clock)))
    recipes = default_recipes("full")[:2]
    assert [len(recipe.levels()) for recipe in recipes] == [1, 1]
    stages = search.Stages(recipes)
    for _ in range(2):
        stages.begin()
        for done in range(6):
            stages.told("fitting level nets", done, 5)
        for done in range(4):
            stages.told("fitting watchers", done, 3)
        stages.told("scoring", 0, 1)
        stages.told("scoring", 1, 1)
    once = {
        "features": 10,
        "fitting level nets that are kept": 20,
        "fitting level nets without a part of the units": 30,
        "targets of doubt": 10 + 10,
        "fitting watchers that are kept": 20,
        "fitting watchers without a part of the units": 10,
        "scoring": 10,
    }
    assert stages.seconds == {what: 2 * spent for what, spent in once.items()}
    assert stages.fits_kept == 2 * 40
    assert "fitting watchers that are kept 40.0 s (17%)" in stages.sentence()
