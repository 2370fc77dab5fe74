"""Tasks of a pool: results in the order that was asked for, bounded work ahead, processes that end, and what
has to be the same on both sides.
"""

from __future__ import annotations

import os
import pickle
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from dying import died_once

from dataset.errors import InputError, WorkersLostError
from dataset.pools import HERE, Here, Processes, Round, Task, as_asked
from dataset.pools.here import OneByOne
from dataset.pools.sides import apart, own_side


class Backwards(OneByOne):
    """What was added last is done first; ``most``: how many waited at once."""

    most = 0

    def add(self, task: Task) -> None:
        self._waiting.appendleft(task)
        Backwards.most = max(Backwards.most, len(self._waiting))


class BackwardsPool(Here):
    @contextmanager
    def begin(self) -> Iterator[Round]:
        yield Backwards()


def negated(count: int) -> Callable[[Any], Iterator[Task]]:
    return lambda share: (Task(k, int.__neg__, (k,)) for k in range(count))


@pytest.mark.parametrize("count", [0, 1, 3, 20])
def test_results_come_in_the_order_of_the_tasks(count: int) -> None:
    Backwards.most = 0
    expected = [-k for k in range(count)]
    assert list(as_asked(BackwardsPool(), negated(count), ahead=3)) == expected
    assert Backwards.most == min(count, 3)
    assert list(as_asked(HERE, negated(count))) == expected


def test_what_a_task_raises_is_raised() -> None:
    with pytest.raises(ZeroDivisionError):
        list(as_asked(HERE, lambda share: [Task("a", divmod, (1, 0))]))


def test_an_error_goes_to_another_process_as_it_is() -> None:
    error = InputError("edges_c", "none", "some", "say which", fields=("edges_c",))
    again = pickle.loads(pickle.dumps(error))  # noqa: S301 - made here
    assert type(again) is InputError
    assert (str(again), again.hint, again.said_by(lambda field: "--edges-c")) == (
        str(error),
        "say which",
        error.said_by(lambda field: "--edges-c"),
    )


def test_sides_differ_in_versions_and_where_they_compute_in_kernels() -> None:
    ours = dict(own_side())
    assert apart(ours, ours) == ""
    assert apart(ours, ours | {"numpy": "0.1"}) == f"numpy 0.1 there, {ours['numpy']} here"
    assert "missing there" in apart(ours, {name: value for name, value in ours.items() if name != "scipy"})
    other = ours | {"BLAS": "another", "processor": "another"}
    assert apart(ours, other).count(" there, ") == 2
    assert apart(ours, other, computes=False) == ""
    assert len(ours["code of innage"]) == 12
    assert ours["BLAS"]
    assert "missing" not in (ours["numpy"], ours["scipy"], ours["scikit-learn"], ours["ziglang"])


@pytest.mark.slow
def test_a_process_that_ended_is_replaced(tmp_path: Path) -> None:
    """Its task is done by another, with what is shared mapped and not to be written to; a task whose process
    ends each time is said.
    """
    numbers, mark = np.arange(1000), str(tmp_path / "mark")

    def tasks(share: Callable[[Any], Any]) -> list[Task]:
        return [Task(k, died_once, (mark, share(numbers))) for k in range(3)]

    assert list(as_asked(Processes(2), tasks)) == [(499500, 0)] * 3
    with pytest.raises(WorkersLostError, match="ended 3 times while it worked on exit poison"):
        list(as_asked(Processes(2), lambda share: [Task("poison", os._exit, (1,))]))
