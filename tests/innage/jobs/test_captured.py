"""What is kept of coverage between two questions is what reading all of it anew gives."""

from __future__ import annotations

from pathlib import Path

import pytest
from acts import ACTS, copies, fill_both

from dataset.coverage.gaps import Piece, pieces_of
from dataset.records import Session
from dataset.store import Store
from innage.jobs.coverage import cover, cover_and_plan, plan, read_captured
from innage.jobs.sessions.finding import SessionFilter


@pytest.mark.longer
def test_coverage_is_read_on_from_where_it_stands(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """After each kind of act: the map and the plan, of all and of a filter. Temperatures are read, and pieces
    worked out, of the sessions alone that came in or changed.
    """
    asked: list[int] = []
    pieces: list[str] = []
    means = Store.mark_temperatures

    def cut(session: Session, temperatures: tuple[float, ...]) -> frozenset[Piece]:
        pieces.append(session.id)
        return pieces_of(session, temperatures)

    def counted(store: Store, sessions: list[Session]) -> dict[str, tuple[float, ...]]:
        asked.append(len(sessions))
        return means(store, sessions)

    with copies(fill_both(tmp_path), tmp_path) as make:
        doing = make()
        store, captured = doing.north, None
        for act in ("void", *ACTS, "log"):
            touched = ACTS[act](doing)
            with monkeypatch.context() as patch:
                patch.setattr(Store, "mark_temperatures", counted)
                patch.setattr("innage.jobs.coverage.pieces_of", cut)
                asked.clear()
                pieces.clear()
                before, captured = captured, read_captured(store, captured)
                if before is not None and touched is not None:
                    assert sum(asked) == len(pieces) <= max(1, len(touched)), act
            usable = [session for session in store.sessions() if session.void_reason is None]
            fresh = store.mark_temperatures(usable)
            assert str(sorted(captured.temperatures.items())) == str(sorted(fresh.items())), act  # NaN too
            assert captured.pieces == {s.sha256: pieces_of(s, fresh[s.sha256]) for s in usable}, act
            assert cover_and_plan(store, captured=captured) == (cover(store), plan(store)), act
            only = SessionFilter(unit=("unit1",), condition=("film",))
            assert cover_and_plan(store, only, captured) == (cover(store, only), plan(store, None, only)), act
