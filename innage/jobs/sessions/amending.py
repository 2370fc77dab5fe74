"""Amending what a sealed session says, and what rests on it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dataset.admission.starts import stated_start
from dataset.errors import InputError, naming
from dataset.records import Restatement, Session, SessionAmendment, Stretch, Trim
from innage.jobs.sessions.session_facts import amendment_facts, session_facts

if TYPE_CHECKING:
    from dataset.store import Store


@dataclass(frozen=True)
class NewStatements:
    """What is to be said of a session; None stays as it is.

    ``unit``, ``liquid`` and ``mounting`` are names. ``condition`` is text such as ``wall=film`` and holds
    throughout, ``conditions`` a CSV of conditions by stretch, ``no_condition`` says that none is known.
    ``operator`` is a code of the list, ``bench`` a name or identity, ``started`` an instant with its offset
    from UTC, ``firmware`` the board's.
    """

    unit: str | None = None
    liquid: str | None = None
    mounting: str | None = None
    condition: str | None = None
    conditions: Path | None = None
    no_condition: bool = False
    operator: str | None = None
    started: str | None = None
    firmware: str | None = None
    bench: str | None = None


@dataclass(frozen=True)
class Amended:
    """A session as amended, the amendment, and what rests on the session as it was: frozen sets, by name, and
    trims that were taken from it.
    """

    session: Session
    amendment: SessionAmendment
    frozen_sets: tuple[str, ...]
    trims: tuple[Trim, ...]

    def facts(self) -> dict[str, Any]:
        """Ready for JSON."""
        return {
            "session": session_facts(self.session),
            "amendment": amendment_facts([self.amendment])[0],
            "frozen_sets": list(self.frozen_sets),
            "trims": [trim.sha256 for trim in self.trims],
        }


def amend_session(store: Store, session: str, stated: NewStatements, author: str, reason: str) -> Amended:
    """State anew what a sealed session says; its readings, marks and hash stay.

    Args:
        store: the open store.
        session: its id, or the first digits.
        stated: what is so.
        author: who says so.
        reason: why.

    Raises:
        InputError: nothing stated, statements that the readings or marks refuse, or that the session makes
            already. NotFoundError: a name that the store does not have.
    """
    captured = store.session(session)
    anew = Restatement(
        None if stated.unit is None else store.unit(stated.unit),
        None if stated.liquid is None else store.liquid(stated.liquid),
        None if stated.mounting is None else store.mounting(stated.mounting),
        _stretches(store, captured, stated),
        operator=stated.operator,
        started=None if stated.started is None else stated_start(stated.started),
        firmware=stated.firmware,
        bench=None if stated.bench is None else store.bench(stated.bench).identity,
    )
    if anew == Restatement():
        fields = ("unit", "liquid", "mounting", "condition", "operator", "started", "firmware", "bench")
        raise InputError(f"session {captured.id}", "nothing is stated anew", ", ".join(fields), fields=fields)
    amendment = store.amend_session(captured.sha256, anew, author, reason)
    pinned = [f.name for f in store.frozen_sets() if any(s.sha256 == captured.sha256 for s in f.sessions)]
    trims = [trim for trim in store.trims() if trim.session == captured.sha256]
    return Amended(store.session(captured.sha256), amendment, tuple(pinned), tuple(trims))


def _stretches(store: Store, session: Session, stated: NewStatements) -> tuple[Stretch, ...] | None:
    """The conditions that are stated; None where none are."""
    from dataset.labels.conditions import read_conditions, read_stretches

    if stated.no_condition:
        if stated.condition is not None or stated.conditions is not None:
            fields = ("no_condition", "condition", "conditions")
            raise InputError("no_condition", "conditions beside it", "one or the other", fields=fields)
        return ()
    throughout = None
    if stated.condition is not None:
        with naming("condition"):
            throughout = read_conditions("condition", stated.condition)
    if stated.conditions is not None:
        return read_stretches(stated.conditions, store.frames(session).t_ms, throughout)
    return None if throughout is None else (Stretch(0, session.frames, throughout),)
