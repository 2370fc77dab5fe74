"""Pushing again and again, whatever the line does: for rigs that nobody sits at."""

from __future__ import annotations

import time
from collections.abc import Callable

from dataset.errors import InnageError
from innage.jobs.exchange.push import Pushed

_STEP_S = 0.25  # how soon it hears that it is to stop


def watch(
    once: Callable[[], Pushed],
    every_s: float,
    stopped: Callable[[], bool],
    tell: Callable[[Pushed | InnageError], None],
    *,
    clock: Callable[[], float] = time.monotonic,
    sleep: Callable[[float], None] = time.sleep,
) -> None:
    """Push until somebody asks it to stop.

    Args:
        once: pushes what is new.
        every_s: how many seconds lie between the end of a push and the next one.
        stopped: whether it is to stop.
        tell: is given what a push did, or why there was none, where that is something, and something else
            than the time before.
        clock: the seconds that have gone by.
        sleep: waits for so many seconds.
    """
    told: tuple[object, ...] = ()
    while not stopped():
        try:
            outcome: Pushed | InnageError = once()
        except InnageError as error:
            outcome = error
        said = _said(outcome)
        if said and said != told:
            told = said
            tell(outcome)
        until = clock() + every_s
        while not stopped() and clock() < until:
            sleep(_STEP_S)


def _said(outcome: Pushed | InnageError) -> tuple[object, ...]:
    """What there is to be told of a push; nothing where nothing went and nothing was held back."""
    if isinstance(outcome, InnageError):
        return (str(outcome),)
    held = tuple(str(one.error) for one in outcome.held)
    return (outcome.new, *held) if outcome.new or held else ()
