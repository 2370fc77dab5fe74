"""The line of progress: stages one after the other, the time taken in all, and what is left of a stage."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from innage.terminal.output import progress
from innage.terminal.progress import ProgressLine, clock


def test_clock() -> None:
    assert [clock(s) for s in (0, 59.6, 61, 3600, 3725.4)] == ["0:00", "1:00", "1:01", "1:00:00", "1:02:05"]


def test_stages_are_counted_and_another_total_begins_another() -> None:
    """After three of four steps of ten seconds each some ten seconds are left; the next stage starts from
    nothing, the time goes on.
    """
    now = [100.0]
    terminal = Console(file=io.StringIO(), width=80)
    line = ProgressLine("training", terminal, lambda: now[0])
    line.moved("fitting nets", 0, 4)
    for done in (1, 2, 3):
        now[0] += 10.0
        line.moved("fitting nets", done, 4)
    assert "training: fitting nets" in _shown(line)
    assert _shown(line).endswith("3 of 4 0:30, about 0:10 left")
    line.moved("judging [candidates]", 0, 7)
    assert "training: judging [candidates]" in _shown(line)
    assert _shown(line).endswith("0 of 7 0:30")


def _shown(line: ProgressLine) -> str:
    terminal = line.shown.console
    with terminal.capture() as capture:
        terminal.print(line.shown.get_renderable())
    return capture.get().strip()


def test_silent_where_nobody_looks(capsys: pytest.CaptureFixture[str]) -> None:
    with progress("training") as moved:
        moved("fitting nets", 1, 2)
    assert capsys.readouterr() == ("", "")
