"""A rig that nobody sits at: it pushes on, and says each thing once."""

from __future__ import annotations

from collections.abc import Iterator

from dataset.errors import InnageError, InputError, StoreError
from dataset.exchange.report import Held, Taken
from innage.jobs.exchange.push import Pushed
from innage.jobs.exchange.watching import watch

NOTHING = Pushed(())
NEW = Pushed((Taken("session", 2, 0),))
HELD = Pushed((), (Held("liquid", "a" * 64, InputError("liquid tea", "is another there")),))
AWAY = StoreError("http://team", "cannot be reached")


class Day:
    """A clock that goes on where somebody sleeps, until ``end`` seconds have gone by."""

    def __init__(self, end: float) -> None:
        self.now, self.end = 0.0, end

    def clock(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.now += seconds

    def over(self) -> bool:
        return self.now >= self.end


Outcome = Pushed | InnageError


def watched(outcomes: list[Outcome], end: float) -> tuple[list[float], list[Outcome]]:
    """When it pushed, and what it told."""
    day = Day(end)
    at: list[float] = []
    told: list[Outcome] = []
    coming: Iterator[Outcome] = iter(outcomes)

    def once() -> Pushed:
        at.append(day.now)
        outcome = next(coming)
        if isinstance(outcome, InnageError):
            raise outcome
        return outcome

    watch(once, 60, day.over, told.append, clock=day.clock, sleep=day.sleep)
    return at, told


def test_it_goes_on_whatever_the_line_does() -> None:
    """Every so often, through a line that is away; what stays as it was is not said again, nor is nothing."""
    outcomes: list[Outcome] = [NOTHING, AWAY, AWAY, NEW, HELD, HELD, NOTHING, NEW]
    at, told = watched(outcomes, 8 * 60)
    assert at == [60 * k for k in range(8)]
    assert told == [AWAY, NEW, HELD, NEW]


def test_it_stops_when_it_is_asked_to() -> None:
    """Between two pushes, without waiting for the next."""
    assert watched([NEW, NEW], 61) == ([0, 60], [NEW])
    assert watched([NEW], 3) == ([0], [NEW])
    assert watched([], 0) == ([], [])
