"""The virtual rig as a board: capture after capture as lines of the protocol, on one clock that never goes
back.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from itertools import count, islice

from dataset.live.board import SIMULATED
from dataset.records import Frames
from dataset.rig.bench import Bench, RigUnit, lines
from dataset.rig.scenario import Recipe

REMARK_FRAMES = (
    10  # a listener may come at any time, and is to learn within a second that nothing is measured
)

Timed = tuple[int, bytes]


def captures(
    bench: Bench, unit: RigUnit, liquid: str, recipe: Recipe, *, times: int | None = None
) -> Iterator[Frames]:
    """The frames of one capture of a recipe after the other, each beginning a period after the last one's
    end; ``times`` None: without end.
    """
    start, period = 0, bench.scenario.board.period_ms
    for number in islice(count(), times):
        captured = bench.capture(unit, liquid, recipe, number).frames
        yield replace(captured, t_ms=captured.t_ms + start)
        start += int(captured.t_ms[-1]) + period


def timed_lines(frames: Iterable[Frames], remark: str) -> Iterator[Timed]:
    """Each line with the board's time at which it leaves, ms; before every tenth frame a remark that says
    that this is simulated.
    """
    remark_line = f"# {SIMULATED}: {remark}\n".encode("ascii", "replace")
    sent = 0
    for each in frames:
        for t_ms, line in zip(each.t_ms.tolist(), lines(each), strict=True):
            yield t_ms, (remark_line if sent % REMARK_FRAMES == 0 else b"") + line
            sent += 1


def play(
    timed: Iterable[Timed],
    write: Callable[[bytes], None],
    *,
    speed: float = 1.0,
    ready: Callable[[], bool] = lambda: True,
    clock: Callable[[], float] = time.monotonic,
    wait: Callable[[float], None] = time.sleep,
) -> int:
    """Write each line when its time has come; how many were written.

    Args:
        timed: lines with the board's time in ms, rising.
        write: takes the bytes; may wait until there is room for them.
        speed: how many times faster than the board's own clock.
        ready: asked before each line; while it says no, the board's clock stands still.
        clock: seconds, rising.
        wait: how to pass so many seconds.
    """
    sent, begun, first = 0, 0.0, 0
    for t_ms, line in timed:
        held = not ready()
        while not ready():
            wait(0.02)
        if held or not sent:
            begun, first = clock(), t_ms
        ahead = (t_ms - first) / 1000 / speed - (clock() - begun)
        if ahead > 0:
            wait(ahead)
        write(line)
        sent += 1
    return sent
