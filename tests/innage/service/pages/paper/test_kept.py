"""What is kept between pages: never older than what came in, or said to be."""

from __future__ import annotations

import threading
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from acts import bench_of
from stores import fill_lists

from building import bench_store
from dataset.records import Model, ModelStatus
from dataset.store import Store
from innage.jobs.models.lines import read_lines
from innage.service.pages.paper.kept import MOST, Kept


def test_it_is_read_again_once_anything_came_in(tmp_path: Path) -> None:
    with Store.open(tmp_path / "store.db") as store:
        bench, kept, reads = bench_store(store), Kept(store), list[int]()

        def read() -> int:
            reads.append(len(reads))
            return len(reads)

        assert [kept.of("a", read) for _ in range(3)] == [1, 1, 1]
        (session,) = store.add_sessions([bench.session(1)])
        assert [kept.of("a", read) for _ in range(2)] == [2, 2]
        store.amend_marks(session.id, bench.session(1).marks[:1], "ab", "the other was no mark")
        assert kept.of("a", read) == 3
        for number in range(MOST):
            kept.of(number, read)
        assert kept.of("a", read) == 4 + MOST  # the oldest are let go


def test_what_takes_long_is_made_behind_the_answer(tmp_path: Path) -> None:
    """The last one is given, said not to be the newest, until the next is there; one thread makes it."""
    with Store.open(tmp_path / "store.db") as store:
        bench, kept, go, done = bench_store(store), Kept(store), threading.Event(), threading.Event()
        go.set()

        def read() -> int:
            go.wait(10.0)
            done.set()
            return len(store.sessions())

        first = kept.lately("map", read)
        assert (first.value, first.newest) == (0, True)
        go.clear()
        done.clear()
        store.add_sessions([bench.session(1)])
        before = threading.active_count()
        old = [kept.lately("map", read) for _ in range(3)]
        assert [(one.value, one.newest, one.at) for one in old] == [(0, False, first.at)] * 3
        assert threading.active_count() == before + 1
        go.set()
        assert done.wait(10.0)
        for thread in threading.enumerate():
            if thread.name == "innage kept":
                thread.join(10.0)
        now = kept.lately("map", read)
        assert (now.value, now.newest) == (1, True)


def test_what_cannot_be_read_is_tried_again(tmp_path: Path) -> None:
    """A fault behind the answer is logged; whoever asks next tries once more."""
    with Store.open(tmp_path / "store.db") as store:
        bench, kept = bench_store(store), Kept(store)
        assert kept.lately("map", lambda: "first").value == "first"
        store.add_sessions([bench.session(1)])

        def fails() -> str:
            raise ValueError("no")

        assert kept.lately("map", fails).value == "first"
        for thread in threading.enumerate():
            if thread.name == "innage kept":
                thread.join(10.0)
        kept.lately("map", lambda: "second")
        for thread in threading.enumerate():
            if thread.name == "innage kept":
                thread.join(10.0)
        assert kept.lately("map", fails).value == "second"


@pytest.mark.longer
def test_models_are_read_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A new model is read alone, what is said of them is as it stands, and all is what reading anew gives."""
    read: list[str] = []
    model_of_store, whole_page = Store.model, Store.page_of_models

    def model(store: Store, name: str) -> Model:
        read.append(name)
        return model_of_store(store, name)

    def page(store: Store, **asked: Any) -> Any:
        read.append("all")
        return whole_page(store, **asked)

    monkeypatch.setattr(Store, "model", model)
    monkeypatch.setattr(Store, "page_of_models", page)
    with Store.open(tmp_path / "store.db") as store:
        fill_lists(store)
        kept, first = Kept(store), store.models()[0]
        assert [*kept.models().of_name] == ["B", "a", "b"]
        assert (kept.models(), read) == (read_lines(store), ["all", "all"])
        read.clear()
        store.add_model(replace(first, name="c10", sha256="c" * 64, metrics='{"rmse_mm":0.25}'))
        store.add_model(replace(first, name="c9", sha256="d" * 64))
        assert [*kept.models().of_name] == ["B", "a", "b", "c9", "c10"]  # as people count
        assert sorted(read) == ["c10", "c9"]
        store.set_status("b", ModelStatus.RETIRED, "A. Owner", "another is better")
        event = store.status("b")
        assert kept.models() == read_lines(store)
        assert kept.models().statuses == {"b": event} == store.statuses()
        line = kept.models().of_name["c9"]
        assert (line.sessions, line.frozen) == ({s.id for s in first.frozen.sessions}, first.frozen.name)
        assert (line.sha256, line.origin) == ("d" * 64, first.frozen.origin)
        store.add_sessions([bench_of(store).session(77)])
        read.clear()
        kept.models()
        assert read == []
