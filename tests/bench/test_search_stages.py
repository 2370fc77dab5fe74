"""What a search's processor time went into, by its tasks and its progress; times invented."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import search

from dataset.pools import Task


def nothing() -> None:
    """A fit that takes no time of its own."""


def test_nets_that_are_kept_are_told_from_those_without_a_part(monkeypatch: pytest.MonkeyPatch) -> None:
    """The fits of the first fold are those that are kept. Every second is counted once, those between two
    searches not at all. Time runs by 10 s a look.
    """
    clock: Iterator[float] = iter(range(0, 10_000, 10))
    monkeypatch.setattr(search, "processor_time", lambda: float(next(clock)))
    stages = search.Stages()
    for _ in range(2):
        stages.begin_search()
        with stages.begin() as begun:
            for key in (("level net", 1, "a"), ("level net", 0, "b"), ("error net", 0, "c")):
                begun.add(Task(key, nothing, ()))
            for done, _result in enumerate(begun):
                stages.told("judging candidates" if done == 2 else "fitting", done, 3)
        stages.told("scoring", 0, 1)
        stages.told("scoring", 1, 1)
    once = {
        "features": 10,
        "level nets without a part of the units": 10,
        "level nets that are kept": 10,
        "watchers that are kept": 10,
        "fitting": 20,
        "judging candidates": 10,
        "scoring": 10,
    }
    assert stages.seconds == {what: 2 * spent for what, spent in once.items()}
    assert stages.fits_kept == 2 * 20
    assert "watchers that are kept 20.0 s" in stages.sentence()
