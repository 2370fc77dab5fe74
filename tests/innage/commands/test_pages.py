"""Lists by page on the command line, of a store with everything in it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from stores import fill_lists

from calling import run, run_json
from dataset.store import Store
from dataset.store.database import HISTORY

WHOLE = Path(__file__).parents[2] / "data" / "stores" / f"{HISTORY.head}.db"


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """The file of a store with some of everything that is listed by page."""
    path = tmp_path_factory.mktemp("bench") / "innage.db"
    with Store.open(path) as store:
        fill_lists(store)
    return path.read_bytes()


@pytest.fixture(autouse=True)
def _commands_take_it(store: Path) -> None:
    """A copy for each test."""


def turned(*words: str) -> list[Any]:
    """What page after page of two gives."""
    items: list[Any] = []
    after: str | None = ""
    while after is not None:
        page = run_json(*words, "--limit", "2", "--after", after)
        assert len(page["items"]) == 2 or page["next"] is None
        items += page["items"]
        after = page["next"]
    return items


@pytest.mark.parametrize("words", ["sessions", "unit list", "trim list", "frozen"])
def test_page_after_page(words: str) -> None:
    """The same as the whole list; a table says how to have the next page, or that it was the last."""
    whole = run_json(*words.split())
    by_name = "name" in whole[0]
    assert turned(*words.split()) == (sorted(whole, key=lambda one: one["name"]) if by_name else whole)
    first = run_json(*words.split(), "--limit", "1", "--after", "")
    printed = run(*words.split(), "--limit", "1", "--after", "")
    assert (f"the next page: --after {first['next']}" if first["next"] else "no further ") in printed


def test_a_filter_leaves_out(refused: Callable[..., str]) -> None:
    """Pages of what fits alone: full but for the last, whatever lies between."""
    lines = run_json("sessions")
    unit = lines[-1]["unit"]
    wanted = [line for line in lines if line["unit"] == unit]
    assert 0 < len(wanted) < len(lines)
    assert turned("sessions", "--unit", unit) == wanted
    assert "unit nobody" in refused("sessions", "--after", "", "--unit", "nobody")


def test_models(store: Path) -> None:
    """Those on a filter's sessions too; behind the last there is none."""
    store.write_bytes(WHOLE.read_bytes())
    (model,) = run_json("models")
    (session,) = run_json("sessions")
    assert turned("models") == turned("models", "--unit", session["unit"]) == [model]
    assert turned("models", "--simulated") == []
    assert run_json("models", "--after", model["name"]) == {"items": [], "next": None}
    assert "no further model" in run("models", "--after", "")


def test_units_out_of_use_are_on_no_page() -> None:
    """But where they are asked for."""
    whole = run_json("unit", "list")
    run("retire", "unit", "unit2", "--reason", "broken")
    left = [unit for unit in whole if unit["name"] != "unit2"]
    assert turned("unit", "list") == sorted(left, key=lambda unit: unit["name"])
    assert len(turned("unit", "list", "--retired")) == len(whole)


def test_a_key_that_cannot_be(refused: Callable[..., str]) -> None:
    """One sentence."""
    assert "session '0123': is the hash of none in the store" in refused("sessions", "--after", "0123")
    assert "trim 'x': is the hash of none in the store" in refused("trim", "list", "--after", "x")
