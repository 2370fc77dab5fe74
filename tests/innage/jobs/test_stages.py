"""The stages of a job are counted in the order in which they are stated."""

from __future__ import annotations

from innage.jobs.stages import staged


def test_stages_are_counted_by_their_names() -> None:
    """A name of several stages is of the one that runs, else of the next; others stay with the stage before;
    a stage may be left out.
    """
    said: list[str] = []
    moved = staged(lambda what, done, total: said.append(what), [("a",), ("b", "c"), ("c", "d"), ("e",)])
    for what in ("a", "other", "c", "c", "d", "c", "e"):
        moved(what, 0, 1)
    assert [text.partition(" of 4: ")[::2] for text in said] == [
        *zip("1122334", ("a", "other", *"ccdce"), strict=True)
    ]
