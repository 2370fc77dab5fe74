"""Pages of a door that has been open for a while say what those of a door say that was opened just now."""

from __future__ import annotations

import gc
import weakref
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

import httpx
import pytest
from acts import ACTS, AUTHOR, REASON, Doing, copies, fill_both
from stores import fill_lists, model_of

from dataset.coverage.roles import Group
from dataset.errors import NotFoundError
from dataset.records import FrozenSet, GroupBy, ModelStatus, Role
from dataset.store import Store
from doors import open_door
from innage.jobs.models.choosing import look_at
from innage.jobs.models.set_lines import read_set_lines
from innage.jobs.releasing.gates import void_and_amended
from innage.service.pages.paper import kept as kept_module
from innage.service.pages.paper.kept import Kept

PAGES = (
    *("/", "/sessions", "/sessions?condition=film", "/sessions?void=no", "/units", "/units/unit1"),
    *("/coverage.json", "/frozen", "/frozen/a", "/frozen.csv", "/models", "/models?unit=unit1"),
    *("/frozen/a.json", "/frozen/a/groups.json", "/models/b.json", "/models/b/limits.json"),
    *("/models/b", "/compare?first=a&second=b", "/compare.json?first=a&second=b"),
    *("/search?q=unit", "/search?q=day-", "/search.json?q=a", "/release"),
)


def freeze(doing: Doing) -> None:
    """Another set, of a session that can be used."""
    doing.log()
    doing.seed += 1
    frozen = doing.north.freeze(
        f"set-{doing.seed}", [doing.north.sessions()[-1]], GroupBy.UNIT, {"unit1": Role.FIT}
    )
    doing.north.add_model(replace(model_of(frozen), name=f"model-{doing.seed}"))


def open_prove(doing: Doing) -> None:
    doing.north.open_prove(doing.north.frozen_set("a"), "a look")


def retire_model(doing: Doing) -> None:
    doing.north.set_status("b", ModelStatus.RETIRED, AUTHOR, REASON)


DONE: dict[str, Callable[[Doing], object]] = {
    **ACTS,
    "freeze": freeze,
    "open prove": open_prove,
    "retire a model": retire_model,
}


@pytest.mark.slow
def test_a_page_is_as_read_anew_after_each_act(tmp_path: Path) -> None:
    """Whatever was done since it was last asked for."""
    with copies(fill_both(tmp_path), tmp_path) as make, ExitStack() as stack:
        doing = make()

        def client(of: ExitStack) -> httpx.Client:
            url = of.enter_context(open_door(doing.north, authorise=None))
            return of.enter_context(httpx.Client(base_url=url, headers={"Accept": "text/html"}))

        old = client(stack)
        for page in PAGES:
            old.get(page).raise_for_status()
        for act, do in DONE.items():
            do(doing)
            with ExitStack() as own:
                new = client(own)
                for page in PAGES:
                    assert old.get(page).raise_for_status().text == new.get(page).text, (act, page)


@pytest.mark.longer
def test_a_sheet_reads_its_set_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its groups neither, whatever is said of its sessions; a set, a model, and what was said of its sessions
    are as reading them anew gives them.
    """
    read: list[str] = []
    set_of_store, groups_of_store = Store.frozen_set, Store.groups

    def frozen_set(store: Store, name: str) -> FrozenSet:
        read.append(name)
        return set_of_store(store, name)

    def groups(store: Store, frozen: FrozenSet) -> tuple[Group, ...]:
        read.append(f"groups of {frozen.name}")
        return groups_of_store(store, frozen)

    with copies(fill_both(tmp_path), tmp_path) as make:
        doing = make()
        store = doing.north
        usable = [session for session in store.sessions() if session.void_reason is None]
        roles = dict.fromkeys((session.unit.name for session in usable), Role.FIT)
        model = store.add_model(
            replace(model_of(store.freeze("usable", usable, GroupBy.UNIT, roles)), name="m")
        )
        kept = Kept(store)
        kept.look_at("usable")
        void, amended = set[str](), set[str]()
        for act in (*ACTS, "take_back", "mark", "amend", "unite"):
            touched = ACTS[act](doing)
            with monkeypatch.context() as patch:
                patch.setattr(Store, "frozen_set", frozen_set)
                patch.setattr(Store, "groups", groups)
                looked_at, known = kept.look_at("usable"), kept.model("m")
                said = kept.void_and_amended(known)
            assert [looked_at, kept.look_at("a")] == [look_at(store, "usable"), look_at(store, "a")], act
            assert known == store.model("m"), act
            assert said == void_and_amended(store, model), act
            if touched is not None:
                assert read == [], act
            read.clear()
            void.update(name for name, _ in said[0])
            amended.update(said[1])
        assert set() not in (void, amended)
        store.open_prove(store.frozen_set("usable"), "a look")
        assert (kept.look_at("usable").openings, kept.look_at("usable").purposes) == (1, ("a look",))
        for ask in (kept.look_at, kept.model):
            with pytest.raises(NotFoundError, match="nothing"):
                ask("nothing")


@pytest.fixture
def sets_read(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The names of the frozen sets that are read whole from now on."""
    read: list[str] = []
    set_of_store = Store.frozen_set

    def frozen_set(store: Store, name: str) -> FrozenSet:
        read.append(name)
        return set_of_store(store, name)

    monkeypatch.setattr(Store, "frozen_set", frozen_set)
    return read


@pytest.mark.longer
def test_sets_that_come_to_much_are_let_go(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, sets_read: list[str]
) -> None:
    """Those that nobody asked for lately, and never the one that was asked for."""
    with Store.open(tmp_path / "store.db") as store:
        fill_lists(store)  # sets of one session each
        for most, names, expected in (
            (2, "a b a B a b", ["a", "b", "B", "b"]),
            (3, "a b B a b B", ["a", "b", "B"]),
            (0, "a a b a", ["a", "b", "a"]),
        ):
            monkeypatch.setattr(kept_module, "MOST_SESSIONS", most)
            kept = Kept(store)
            sets_read.clear()
            for name in names.split():
                kept.look_at(name)
            assert sets_read == expected, most


@pytest.mark.longer
def test_frozen_sets_are_read_once(tmp_path: Path, sets_read: list[str]) -> None:
    """A new set is read alone, openings are as they stand, and all is what reading anew gives."""
    with Store.open(tmp_path / "store.db") as store:
        fill_lists(store)
        kept, first = Kept(store), store.page_of_frozen_sets().items[0]
        assert [*kept.frozen_sets().of_name] == ["B", "a", "b"]
        usable = [session for session in store.sessions() if session.void_reason is None]
        roles = dict.fromkeys({session.unit.name for session in usable}, Role.FIT)
        store.freeze("c10", usable[:1], GroupBy.SESSION, {usable[0].id: Role.FIT})
        store.freeze("c9", usable, GroupBy.UNIT, roles)
        assert [*kept.frozen_sets().of_name] == ["B", "a", "b", "c9", "c10"]  # as people count
        assert sorted(sets_read) == ["c10", "c9"]
        line = kept.frozen_sets().of_name["c9"]
        assert (line.sessions, line.groups[Role.FIT], line.group_by) == (len(usable), len(roles), "unit")
        store.open_prove(first, "a look")
        store.open_prove(store.page_of_frozen_sets().items[1], "another, at the same choice")
        sets = kept.frozen_sets()
        assert sets == read_set_lines(store)
        assert {name: sets.openings.get(line.sha256, 0) for name, line in sets.of_name.items()} == {
            one.name: store.prove_openings(one) for one in store.page_of_frozen_sets().items
        }
        sets_read.clear()
        store.void(usable[0].id, REASON)
        kept.frozen_sets()
        assert sets_read == []


@pytest.mark.longer
def test_what_is_much_is_set_aside(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The collector of cycles no longer walks through it; what is let go of later is gone all the same."""
    with Store.open(tmp_path / "store.db") as store:
        fill_lists(store)
        gc.unfreeze()
        kept = Kept(store)
        kept.lines()
        assert gc.get_freeze_count() == 0
        monkeypatch.setattr(kept_module, "MANY", 5)
        try:
            few, many = Kept(store), Kept(store)
            few.models()
            assert gc.get_freeze_count() == 0
            old = weakref.ref(many.lines()[0])
            assert gc.get_freeze_count() > 0
            assert not any(line is old() for line in gc.get_objects())
            store.tag([many.lines()[0].id], ["dry"])
            many.lines()
            assert old() is None
        finally:
            gc.unfreeze()
