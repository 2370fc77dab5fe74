"""Lists by page: every item once and in order, whatever comes meanwhile."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from stores import fill_lists

from dataset.errors import InputError, NotFoundError
from dataset.records import Unit
from dataset.store import Store
from dataset.store.listing import session_lines


@pytest.fixture
def filled(store: Store) -> Store:
    """Some of everything that is listed by page."""
    fill_lists(store)
    return store


def turned(pages: Callable[..., Any], limit: int) -> list[Any]:
    """Everything, page after page."""
    items: list[Any] = []
    after: str | None = None
    while True:
        page = pages(limit=limit, after=after)
        assert len(page.items) == limit or page.next is None
        items += page.items
        after = page.next
        if after is None:
            return items


@pytest.mark.longer
def test_page_after_page(filled: Store) -> None:
    """The same as the whole lists, byte by byte where these go by name; pages that just fill the list too."""
    for limit in (2, 5):
        check_pages(filled, limit)
    (line,) = filled.page_of_session_lines(limit=1, after=filled.sessions()[1].id).items
    assert (line.id, line.tags, line.amendments) == (filled.sessions()[2].id, ("humid",), 1)
    first, second = filled.page_of_session_lines(limit=2).items
    assert (first.void_reason, second.labelled) == ("the scale was not tared", 5)


def check_pages(filled: Store, limit: int) -> None:
    assert turned(filled.page_of_sessions, limit) == list(filled.sessions())
    assert turned(filled.page_of_units, limit) == sorted(filled.units(), key=lambda unit: unit.name)
    assert [u.name for u in turned(filled.page_of_units, limit)] == ["Unit1", "unit1", "unit10", "unit2", "z"]
    assert turned(filled.page_of_trims, limit) == list(filled.trims())
    assert turned(filled.page_of_frozen_sets, limit) == list(filled.frozen_sets())
    assert [model.name for model in turned(filled.page_of_models, limit)] == ["B", "a", "b"]
    assert turned(filled.page_of_models, limit) == list(filled.models())
    if str(filled.place) != ":memory:":
        assert turned(filled.page_of_session_lines, limit) == list(session_lines(filled.place) or ())


def test_what_comes_meanwhile_comes_behind(filled: Store) -> None:
    """A trim and a unit that are added between two pages: nothing is left out and nothing comes twice."""
    first = filled.page_of_trims(limit=2)
    trim = filled.add_trim(replace(filled.trims()[0], date="2026-01-04", sha256=""))
    rest = filled.page_of_trims(limit=5, after=first.next)
    assert [*first.items, *rest.items] == list(filled.trims())
    assert rest.items[-1] == trim
    assert turned(lambda **asked: filled.page_of_trims("unit1", **asked), 2) == list(filled.trims("unit1"))
    assert filled.page_of_trims("z").items == ()
    units = filled.page_of_units(limit=2)
    filled.add_unit(Unit("unit11"))
    filled.add_unit(Unit("A"))  # belongs before the first page
    assert [u.name for u in filled.page_of_units(after=units.next).items] == [
        "unit10",
        "unit11",
        "unit2",
        "z",
    ]


def test_keys_that_cannot_be(filled: Store) -> None:
    """A hash that is none, or of nothing here; names need not be there. A page has at least one item."""
    for pages in (filled.page_of_sessions, filled.page_of_session_lines, filled.page_of_trims):
        for key in ("0123456789ab", "%_", ""):
            with pytest.raises(NotFoundError, match=f"'{key}': is the hash of none in the store"):
                pages(after=key)
    with pytest.raises(InputError, match="key of a page"):
        filled.page_of_units(after="unit\0")
    assert [unit.name for unit in filled.page_of_units(after="unit15").items] == ["unit2", "z"]
    assert filled.page_of_models(after="z").items == ()
    with pytest.raises(InputError, match="page: 0 items; expected at least one"):
        filled.page_of_units(limit=0)


def test_of_an_empty_store(store: Store) -> None:
    """There is no page behind the first, which is empty."""
    for pages in (
        store.page_of_sessions,
        store.page_of_session_lines,
        store.page_of_units,
        store.page_of_trims,
        store.page_of_frozen_sets,
        store.page_of_models,
    ):
        page = pages()
        assert (page.items, page.next) == ((), None)
