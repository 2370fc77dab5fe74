"""What an operator sees of a live capture."""

from __future__ import annotations

import io

from rich.console import Console

from dataset.live.stated import View
from innage.terminal.views.capture import PlainView, picture


def a_view(settled: tuple[bool, ...], step_s: float | None, plan_s: float | None) -> View:
    return View(
        name="monday",
        connected=True,
        frames=30,
        committed=25,
        session_ms=3000,
        rate_hz=10.0,
        bad={},
        counts=(1000, 2000),
        bars=(0.25, 1.0),
        temperature_c=21.5,
        prompt="step 1 of 2: keep still",
        message="",
        marks=1,
        holding=True,
        ready=True,
        finished=False,
        settled=settled,
        step_s=step_s,
        plan_s=plan_s,
    )


def drawn(view: View) -> list[str]:
    out = Console(file=io.StringIO(), width=100)
    with out.capture() as capture:
        out.print(picture(view, ("low", "high"), "49"))
    return [line.rstrip() for line in capture.get().splitlines()]


def test_each_pad_says_whether_it_stands_still() -> None:
    """The highest pad on top; nothing is said while too few frames came."""
    lines = drawn(a_view((False, True), 12.0, 130.0))
    assert lines[1].split()[0] == "high"
    assert lines[1].endswith("2000  settled")
    assert lines[2].endswith("1000  moving")
    assert "0:12 to go at this step, 2:10 of holding still in all" in lines
    assert lines[-1] == "> 49"
    assert drawn(a_view((), None, None))[1].endswith("2000")


def test_a_log_says_how_long_is_left() -> None:
    said: list[str] = []
    PlainView(said.append, lambda: 0.0).show(a_view((), 12.0, 130.0), "")
    assert said[0].endswith("keep still; 0:12 to go at this step, 2:10 of holding still in all")
