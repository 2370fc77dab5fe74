"""Who, when, with what: part of a session; and its tags, which are not."""

from __future__ import annotations

import itertools
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from building import Bench
from dataset.canonical import session_sha256
from dataset.errors import InputError, NotFoundError
from dataset.records import Occasion, Operator
from dataset.store import Store
from dataset.store.whole.integrity import check_store

Register = Callable[[Store], Bench]


def test_what_is_stated_is_kept_and_hashed(new_store: Store, register: Register) -> None:
    """Each fact changes the hash; one that is not stated is not in it, so that sessions of before keep
    theirs.
    """
    new_store.add_operator(Operator("ab"))
    plain = register(new_store).session(1)
    full = Occasion("ab", new_store.bench().identity, "2026-03-02T09:15:00+01:00", "1.4.0")
    stated = replace(plain, occasion=full)
    (session,) = new_store.add_sessions([stated])
    assert new_store.session(session.id).occasion == full
    new_store.frames(session, verify=True)
    hashes = {session_sha256(plain, plain.frames), session.sha256}
    for fact in ("operator", "bench", "started", "firmware"):
        other = replace(plain, occasion=replace(full, **{fact: None}))
        hashes.add(session_sha256(other, other.frames))
    assert len(hashes) == 6
    assert session_sha256(replace(plain, occasion=Occasion()), plain.frames) in hashes


def test_what_cannot_be_stated_is_refused(new_store: Store, register: Register) -> None:
    new_store.add_operator(Operator("ab"))
    new = register(new_store).session(1)
    for occasion, error, sentence in (
        (Occasion(operator="ba"), NotFoundError, "operator ba"),
        (Occasion(started="2026-03-02 09:15Z"), InputError, "expected 2026-03-02T09:15:00"),
        (Occasion(bench="0123456789abcdef" * 2), NotFoundError, "bench 0123"),
        (Occasion(bench=new_store.bench().identity[:8]), InputError, "32 hexadecimal digits"),
        (Occasion(firmware=" "), InputError, "such as a revision"),
        (Occasion(firmware="1\x07"), InputError, "a control character"),
    ):
        with pytest.raises(error, match=sentence):
            new_store.add_sessions([replace(new, occasion=occasion)])
    with pytest.raises(InputError, match="a short code"):
        new_store.add_operator(Operator("somebody-at-the-bench"))
    assert not new_store.sessions()


def test_tags_come_and_go_beside_the_hash(new_store: Store, register: Register) -> None:
    """A tag is given once, removed once, and may come again; every event stays."""
    bench = register(new_store)
    one, two = new_store.add_sessions([replace(bench.session(1), tags=("humid", "humid")), bench.session(2)])
    assert one.tags == ("humid",)
    assert one.sha256 == session_sha256(bench.session(1), bench.session(1).frames)
    assert [s.tags for s in new_store.tag([one.id, two.id], ["humid"], "ab")] == [("humid",)] * 2
    with pytest.raises(InputError, match="has the tag humid already"):
        new_store.tag([one.id, two.id], ["humid"])
    new_store.untag([one.id], ["humid"], "ab")
    with pytest.raises(InputError, match="has no tag humid"):
        new_store.untag([two.id, one.id], ["humid"])
    assert new_store.session(two.id).tags == ("humid",)  # all or none
    new_store.tag([one.id], ["humid"], "ab")
    events = new_store.tag_events(one.id)
    assert [(e.removes, e.author) for e in events] == [(False, None), (True, "ab"), (False, "ab")]
    assert [e.parent for e in events] == [None, events[0].sha256, events[1].sha256]
    with pytest.raises(InputError, match="tag name"):
        new_store.tag([one.id], ["two words"])


@pytest.mark.longer
@pytest.mark.parametrize("order", list(itertools.permutations(range(3))))
def test_tags_unite_in_any_order(
    template: Path, tmp_path: Path, register: Register, order: tuple[int, ...]
) -> None:
    """Three copies of a store, tags added here and removed there: whichever way they are merged, a session
    has those that some event gave and none removed, as sets of events would have it.
    """
    shutil.copy(template, tmp_path / "0.db")
    with Store.open(tmp_path / "0.db") as first:
        first.add_operator(Operator("ab"))
        (session,) = first.add_sessions([replace(register(first).session(1), tags=("old",))])
    for k in (1, 2):
        shutil.copy(tmp_path / "0.db", tmp_path / f"{k}.db")
    for k, (added, removed) in enumerate([(["a"], []), (["a", "b"], ["old"]), (["c"], ["old"])]):
        with Store.open(tmp_path / f"{k}.db") as store:
            store.tag([session.id], added, f"bench {k}")
            if removed:
                store.untag([session.id], removed, f"bench {k}")
            if k == 1:
                store.untag([session.id], ["a"], "bench 1")
    into = tmp_path / f"{order[0]}.db"
    with Store.open(into) as store:
        for k in order[1:]:
            store.merge(tmp_path / f"{k}.db")
        assert store.session(session.id).tags == ("a", "b", "c")
        again = store.merge(tmp_path / f"{order[1]}.db")
        assert all(counted.new == 0 for counted in again.taken)
    assert check_store(into).sound
