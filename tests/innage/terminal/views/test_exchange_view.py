"""What is shown of an exchange between two stores."""

from __future__ import annotations

from dataset.errors import InputError
from dataset.exchange.report import Exchanged, Held
from innage.terminal.views.exchange import held_sentences


def test_a_sentence_of_several_objects_is_said_once() -> None:
    """A session and what says whose it is are held back by one sentence; another sentence follows it."""
    told = [InputError("session 1", "leans on unit a"), InputError("session 1", "leans on unit a")]
    other = InputError("session 2", "leans on unit b")
    kinds = ("session", "unit assignment", "session")
    held = tuple(
        Held(kind, str(i), error) for i, (kind, error) in enumerate(zip(kinds, [*told, other], strict=True))
    )
    assert held_sentences(Exchanged((), held), str) == (str(told[0]), str(other))
