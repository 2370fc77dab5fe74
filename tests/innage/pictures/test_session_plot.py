"""The picture of a session: what is drawn is what was captured."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from dataset.records import (
    Conditions,
    CountLaw,
    Frames,
    Liquid,
    Mark,
    Mounting,
    Pad,
    Sensor,
    Session,
    Source,
    Stretch,
    Surface,
    Tank,
    Unit,
    Wall,
)
from innage.pictures import session_plot
from innage.pictures.course import course
from innage.pictures.figures import figure, fitted
from innage.pictures.session_plot import MOST_POINTS, draw_session

N = 600
MARKS = (Mark(0, 200, 0.0), Mark(300, 400, 12.5), Mark(400, 500, 20.04, level_stop_mm=30.0))
STRETCHES = (
    Stretch(0, 300, Conditions(wall=(Wall.FILM,))),
    Stretch(300, N, Conditions(surface=(Surface.FOAM,), foam_mm=(2.0, 9.0), wall=(Wall.FILM,))),
)
PADS = tuple(Pad(k, f"p{k}", 10.0 * k, 10.0) for k in range(3))
SENSOR = Sensor("s", 1, PADS, 12, CountLaw.RISES, 100)
SESSION = Session(
    "abc",
    "abc",
    Unit("u"),
    Liquid("water"),
    Mounting("m", Tank("t", 1, 100.0), SENSOR),
    N,
    MARKS,
    Source("f.csv", "0"),
    stretches=STRETCHES,
)


def make_frames(n: int = N, warm: bool = True) -> Frames:
    rng = np.random.default_rng(4)
    t_ms = np.arange(n, dtype=np.int64) * 100 + np.where(np.arange(n) >= 250, 5000, 0)
    return Frames(
        t_ms, rng.integers(0, 4096, (n, 3)).astype(np.uint32), rng.normal(20, 1, n) if warm else None
    )


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> list[Figure]:
    """The figures that were drawn."""
    figures: list[Figure] = []
    real = figure

    @contextmanager
    def kept(path: Path, width: float = 8.0, height: float = 4.5) -> Iterator[Figure]:
        with real(path, width, height) as made:
            figures.append(made)
            yield made

    monkeypatch.setattr(session_plot, "figure", kept)
    return figures


@pytest.mark.longer
def test_what_is_drawn(tmp_path: Path, drawn: list[Figure]) -> None:
    """One line a channel with its counts and a break at the gap, a labelled band a mark, a row a condition,
    the temperature.
    """
    frames = make_frames()
    draw_session(tmp_path / "a.png", SESSION, frames)
    counts, conditions, temperature = drawn[0].axes
    seconds = (frames.t_ms - frames.t_ms[0]) / 1000
    for pad, line in zip(PADS, counts.lines, strict=True):
        assert line.get_label() == pad.name
        np.testing.assert_array_equal(line.get_xdata(), np.insert(seconds, 250, np.nan))
        np.testing.assert_array_equal(
            line.get_ydata(), np.insert(frames.counts[:, pad.channel].astype(float), 250, np.nan)
        )
    boxes = [p for p in counts.patches if isinstance(p, Rectangle)]
    bands = [(p.get_x(), p.get_x() + p.get_width()) for p in boxes]
    assert bands == [(seconds[m.start], pytest.approx(seconds[m.stop - 1])) for m in MARKS]
    assert [t.get_text() for t in counts.texts] == ["0", "12.5", "20 to 30", "mm"]
    assert [t.get_text() for t in conditions.get_yticklabels()] == ["surface=foam:2-9", "wall=film"]
    assert len(conditions.patches) == 3
    np.testing.assert_array_equal(
        temperature.lines[0].get_ydata(), np.insert(np.asarray(frames.temperature_c), 250, np.nan)
    )


def test_what_is_not_there_is_not_drawn(tmp_path: Path, drawn: list[Figure]) -> None:
    """Without conditions and temperature only the counts are drawn; a void session says so."""
    draw_session(
        tmp_path / "a.png",
        replace(SESSION, marks=(), stretches=(), void_reason="hose slipped"),
        make_frames(warm=False),
    )
    (counts,) = drawn[0].axes
    assert len(counts.patches) == 0
    assert "void: hose slipped" in counts.get_title(loc="left")


def test_long_sessions_keep_their_extremes(tmp_path: Path, drawn: list[Figure]) -> None:
    """Beyond the picture's dots the line is thinned, and no spike is lost."""
    n = 50 * MOST_POINTS
    frames = make_frames(n, warm=False)
    counts = frames.counts % 100
    counts[123_457, 1] = 4000
    draw_session(tmp_path / "a.png", replace(SESSION, marks=(), stretches=()), Frames(frames.t_ms, counts))
    line = drawn[0].axes[0].lines[1]
    x, y = np.asarray(line.get_xdata()), np.asarray(line.get_ydata())
    assert len(x) <= MOST_POINTS + 1
    assert np.nanmax(y) == 4000
    assert x[np.nanargmax(y)] == (frames.t_ms[123_457] - frames.t_ms[0]) / 1000


@pytest.mark.slow
def test_the_same_session_gives_the_same_file(tmp_path: Path) -> None:
    """SVG and PNG of one session are the same bytes each time."""
    for suffix in (".svg", ".png"):
        for name in "ab":
            draw_session(tmp_path / f"{name}{suffix}", SESSION, make_frames())
        assert (tmp_path / f"a{suffix}").read_bytes() == (tmp_path / f"b{suffix}").read_bytes()


def test_a_single_frame(tmp_path: Path, drawn: list[Figure]) -> None:
    """A session of one frame can be drawn."""
    draw_session(tmp_path / "a.png", replace(SESSION, marks=(Mark(0, 1, 5.0),), stretches=()), make_frames(1))
    assert len(drawn[0].axes[0].lines) == 3


@pytest.mark.parametrize(
    ("text", "width", "lines", "shown"),
    [
        ("pad0", 10, 1, "pad0"),
        ("strip-left-pad-07", 10, 1, "strip\u2026d-07"),
        ("one two three", 8, 2, "one two\nthree"),
        ("abcdefgh" * 3, 8, 2, "abcdefgh\nabcdefg\u2026"),
    ],
)
def test_long_words_are_fitted(text: str, width: int, lines: int, shown: str) -> None:
    """Never wider than said; of one line head and tail are left, so that pads of one strip stay apart."""
    assert fitted(text, width, lines) == shown


def test_a_pages_course_has_lines_marks_conditions_and_temperature() -> None:
    """A line a pad and one of the temperature, each interrupted at the gap; a field a mark, a row a
    condition; looks are the page's.
    """
    root = ElementTree.fromstring(course(SESSION, make_frames()))  # noqa: S314 - our own text
    assert [child.tag for child in root[:2]] == ["title", "desc"]
    assert not any({"style", "fill", "stroke"} & set(element.attrib) for element in root.iter())
    lines = [e.attrib["d"] for e in root.iter("path")]
    assert [d.count("M") for d in lines] == [2] * (len(PADS) + 1)
    kinds = [e.attrib["class"] for e in root.iter("rect")]
    assert kinds.count("tint") + kinds.count("shade") == len(MARKS)
    words = [e.text for e in root.iter("text")]
    assert {"0", "12.5", "20 to 30", "temperature, °C", "wall=film"} <= set(words)
    assert sum("foam" in (word or "") for word in words) >= 1
    assert "temperature, °C" not in course(SESSION, make_frames(warm=False))


def test_a_pages_course_is_thinned_and_keeps_its_extremes() -> None:
    """Of 20,000 frames a line keeps the least and the greatest count and a few hundred points."""
    frames = make_frames(20_000)
    frames.counts[777, :], frames.counts[15_000, :] = 40_000, 0
    root = ElementTree.fromstring(course(replace(SESSION, frames=20_000), frames))  # noqa: S314 - our own text
    ticks = [
        float((e.text or "").replace("\u202f", "").replace("\u2212", "-"))
        for e in root.iter("text")
        if e.attrib.get("class") == "end"
    ]
    assert max(ticks) >= 40_000  # other counts end at 4,096
    line = next(e.attrib["d"] for e in root.iter("path"))
    assert 100 < line.count("L") < 600
