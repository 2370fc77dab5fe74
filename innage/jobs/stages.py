"""The stages of a long job, counted: '2 of 5: fitting nets'."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from innage.jobs import Progress


def staged(progress: Progress, stages: Sequence[Collection[str]]) -> Progress:
    """``progress`` that says of each stage which of how many it is.

    ``stages`` are in order, each with the names that it goes by; one that has none of them is of the stage
    before it. A name of several stages is of the one that runs, else of the next that has it.
    """
    at = 0

    def counted(what: str, done: int, total: int, /) -> None:
        nonlocal at
        having = [number for number, names in enumerate(stages) if what in names]
        if having and at not in having:
            at = next((number for number in having if number > at), having[0])
        progress(f"{at + 1} of {len(stages)}: {what}", done, total)

    return counted
