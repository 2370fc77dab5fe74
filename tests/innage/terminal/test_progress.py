"""The line of progress: stages one after the other, the time taken in all, and what is left of a stage."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from innage.terminal import stage_lines
from innage.terminal.clock import clock
from innage.terminal.output import progress
from innage.terminal.progress import ProgressLine
from innage.terminal.stage_lines import StageLines


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


def test_silent_where_nobody_looks_and_little_is_to_be_done(capsys: pytest.CaptureFixture[str]) -> None:
    with progress("training") as moved:
        moved("fitting nets", 1, 2)
    assert capsys.readouterr() == ("", "")


def test_a_pipe_gets_a_line_a_stage(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing in the first five seconds; then each stage as it is met, once, and again after a minute in it.
    A stage that ends before it could be named is not.
    """
    monkeypatch.setattr(stage_lines, "QUIET_S", 5.0)
    now, said = [0.0], list[str]()
    lines = StageLines("training", said.append, lambda: now[0])
    for at, what, done, total in (
        (0, "loading", 0, 1),
        (3, "fitting nets", 0, 4),
        (6, "fitting nets", 1, 4),
        (30, "fitting nets", 2, 4),
        (70, "fitting nets", 3, 4),
        (80, "fitting nets", 4, 4),
        (81, "scoring", 0, 1),
        (82, "scoring", 1, 1),
        (83, "a.csv", 0, 3),
        (84, "b.csv", 1, 3),
        (85, "c.csv", 3, 3),
        (86, "c.csv", 2, 2),
    ):
        now[0] = float(at)
        lines.moved(what, done, total)
    assert said == [
        "training: fitting nets, 1 of 4 (after 0:06)",
        "training: fitting nets, 3 of 4 (after 1:10)",
        "training: scoring (after 1:21)",
        "training: a.csv, 0 of 3 (after 1:23)",
    ]
