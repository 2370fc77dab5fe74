"""How the audit chain is asked for: some rows at a time, and with few ways to the server and back."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from dataset.records import Liquid
from dataset.store import Store
from dataset.store.team import chain
from servers import Server

PAGE = chain._AT_ONCE


@pytest.mark.parametrize(
    ("rows", "asked"), [(0, 1), (1, 1), (PAGE - 1, 1), (PAGE, 2), (PAGE + 1, 2), (2 * PAGE + 5, 3)]
)
def test_a_chain_comes_by_pages(rows: int, asked: int) -> None:
    """Each row once and in order, whatever the rows' numbers begin with."""
    numbers = range(-3, rows - 3)
    questions: list[int] = []

    def ask(_query: str, after: int) -> list[tuple[Any, ...]]:
        questions.append(after)
        behind = [number for number in numbers if number > after]
        return [(number, *"ttttttttttt") for number in behind[:PAGE]]

    assert [entry.number for entry in chain.entries(ask)] == list(numbers)
    assert len(questions) == asked


def round_trips(store: Store, tmp_path: Path, work: Callable[[], object]) -> int:
    """How often the server says that it waits for the next question (protocol, ReadyForQuery), by the trace
    that its own library writes.
    """
    with store._database.reading() as orm:
        driver = orm.connection().connection.driver_connection
    assert driver is not None
    trace = tmp_path / "trace"
    file = os.open(trace, os.O_WRONLY | os.O_CREAT)
    driver.pgconn.trace(file)
    try:
        work()
    finally:
        driver.pgconn.untrace()
        os.close(file)
    return trace.read_text().count("ReadyForQuery")


def test_a_chain_on_a_server_is_walked_in_one_view(server: Server, tmp_path: Path) -> None:
    """That the connection still holds, its transaction, the rows, its end; nothing once more for the last
    row.
    """
    place = server.store()
    with Store.open(place) as store:
        for number in range(4):
            store.add_liquid(Liquid(f"liquid{number}", 80.0))
        assert round_trips(store, tmp_path, store.walk_audit) == 4
        last = store.last_audit(1)[0]
        walked = store.walk_audit()
        assert (walked.number, walked.sha256, walked.faults) == (last.number, last.sha256, ())
    server.drop(place)
