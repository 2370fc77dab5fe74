"""The plots of a report draw what they are given where it belongs."""

from __future__ import annotations

import re
from dataclasses import replace
from xml.etree import ElementTree

import pytest

from export.report.axes import LEFT, RIGHT, WIDTH, Panel, Scale, key, tick_texts, ticks
from export.report.class_plots import level_class_plot, predicted_plot, trace_plot, unit_plot
from export.report.plots import (
    BoxSummary,
    box_plot,
    class_plot,
    error_plot,
    front,
    front_plot,
    level_plot,
    response_plot,
    risk_plot,
)
from training.judging.figures import LevelBin, SessionTrace, UnitErrors


def test_plot_places_points() -> None:
    """Points lie between the axes, left to right with the level and upwards with the error, around the zero
    line.
    """
    root = ElementTree.fromstring(  # noqa: S314 - our own text
        error_plot([(10.0, -1.0, 0.2, "a"), (55.0, 0.0, 0.0, "b"), (90.0, 1.5, 0.5, "c & d")])
    )
    circles = [(float(c.attrib["cx"]), float(c.attrib["cy"])) for c in root.iter("circle")]
    zero = _zero(ElementTree.tostring(root, "unicode"))
    assert [c[0] for c in circles] == sorted(c[0] for c in circles)
    assert circles[0][1] > circles[1][1] == zero > circles[2][1]
    width, height = (float(v) for v in root.attrib["viewBox"].split()[2:])
    assert all(0 < x < width and 0 < y < height for x, y in circles)


def _zero(svg: str, across: str = "y") -> float:
    """Where the line of 0 lies; the short marks of an axis are none."""
    (zero,) = [
        float(e[f"{across}1"])
        for e in _elements(svg, "line", "zero")
        if e[f"{across}1"] == e[f"{across}2"]
        and abs(float(e["x1"]) - float(e["x2"]) + float(e["y1"]) - float(e["y2"])) > 9
    ]
    return zero


def _elements(svg: str, tag: str, kind: str | None = None) -> list[dict[str, str]]:
    root = ElementTree.fromstring(svg)  # noqa: S314 - our own text
    return [e.attrib for e in root.iter(tag) if kind is None or e.attrib.get("class") == kind]


def test_level_plot_shades_the_labels_uncertainty() -> None:
    """The shaded band is as high as twice the half width; a median of 0 lies on the zero line."""
    svg = level_plot([(0.0, -2.0, 0.0, 2.0, 0.5), (100.0, -1.0, 0.0, 1.0, 0.5)])
    (shade,), lines = (
        _elements(svg, "polygon"),
        [e for e in _elements(svg, "line") if "class" not in e],
    )
    heights = sorted({float(point.split(",")[1]) for point in shade["points"].split()})
    tall = float(lines[0]["y2"]) - float(lines[0]["y1"])
    assert heights[1] - heights[0] == pytest.approx(tall / 4, abs=0.2)
    assert [float(e["cy"]) for e in _elements(svg, "circle")] == [_zero(svg)] * 2


def test_class_plot_has_bars_in_proportion() -> None:
    svg = class_plot([("clean", 1.0, 1.5), ("foam", 2.0, 2.0)])
    one, two = (float(e["width"]) for e in _elements(svg, "rect"))
    assert two == pytest.approx(2 * one, abs=0.2)
    places = [float(e["x1"]) for e in _elements(svg, "line", "worst")]
    assert places[0] - LEFT == pytest.approx(1.5 * one, abs=0.2)  # bars begin there


def test_a_box_lies_where_its_quantiles_are() -> None:
    """Quantiles of -2, -1, 0, 1, 2 mm: box half as wide as the whiskers, the median on the zero line, shade
    and rings in proportion.
    """
    svg = box_plot([BoxSummary("clean", (10, 2, 1), (-2.0, -1.0, 0.0, 1.0, 2.0), -4.0, 4.0, 0.5)])
    (shade,), (box,) = (
        _elements(svg, "rect", "shade"),
        _elements(svg, "rect", "hollow"),
    )
    whisker, _, _, median = [e for e in _elements(svg, "line") if "class" not in e]
    assert float(median["x1"]) == float(median["x2"]) == _zero(svg, "x")
    wide = float(whisker["x2"]) - float(whisker["x1"])
    assert float(box["width"]) == pytest.approx(wide / 2, abs=0.2)
    assert float(shade["width"]) == pytest.approx(wide / 4, abs=0.2)
    rings = [float(e["cx"]) for e in _elements(svg, "circle")]
    assert rings[1] - rings[0] == pytest.approx(2 * wide, abs=0.2)


def test_pads_are_named_where_they_pass_half_and_not_on_top_of_each_other() -> None:
    """Three lines through one point: three names below each other; a line from 0 to 1 over 10 mm is named at
    5 mm.
    """
    root = ElementTree.fromstring(  # noqa: S314 - our own text
        response_plot([(name, [(0.0, 0.0), (10.0, 1.0)]) for name in ("a", "b", "c")])
    )
    places = {e.text: (float(e.attrib["x"]), float(e.attrib["y"])) for e in root.iter("text")}
    assert places["a"][0] == pytest.approx(places["4"][0] / 2 + places["6"][0] / 2 + 4, abs=0.2)
    assert places["a"][0] == places["b"][0] == places["c"][0]
    assert places["b"][1] - places["a"][1] >= 12
    assert places["c"][1] - places["b"][1] >= 12


def test_front_leaves_out_what_a_smaller_one_beats() -> None:
    points = [(1500.0, 2.0, "a", False), (1900.0, 2.2, "b", False), (2600.0, 1.25, "c", True)]
    assert front(points) == [(1500.0, 2.0), (2600.0, 1.25)]
    svg = front_plot(points, 3000.0)
    assert len(_elements(svg, "circle")) == 3
    assert [len(_elements(svg, "g", kind)) for kind in ("mark", "hollow")] == [1, 2]
    assert any("stroke-dasharray" in e for e in _elements(svg, "line"))
    assert not any("stroke-dasharray" in e for e in _elements(front_plot(points, 64000.0), "line"))


def test_risk_plot_has_a_named_line_for_each_class() -> None:
    svg = risk_plot({"clean": [(0.5, 0.8), (1.0, 1.3)], "foam": [(0.6, 2.0)]}, {"clean": (0.9, 1.1)})
    assert [e.get("stroke-dasharray") for e in _elements(svg, "polyline")] == [None, "7 4"]
    assert ">clean<" in svg
    low, high = (float(e["cy"]) for e in _elements(svg, "circle")[:2])
    assert low > high
    assert len(_elements(svg, "g", "s1 hollow")) == 1  # one diamond, of the class that has one
    assert not _elements(svg, "g", "s2 hollow")
    assert "clean, as the model is: 90 %, 1.1 mm" in svg


BINS = (LevelBin(5.0, 9, -1.0, 0.0, 1.0, 0.5), LevelBin(50.0, 9, -0.5, 0.1, 0.5, None))
FOAMY = (LevelBin(5.0, 9, 4.0, 10.0, 20.0, 0.5),)
TRACE = SessionTrace(
    session="<a>",
    unit="<u>",
    liquid="<water>",
    frames=400,
    p95_mm=1.0,
    withheld_share=0.25,
    t_s=(0.0, 1.0, 2.0, 3.0, 4.0),
    label_mm=(0.0, 10.0, 20.0, 30.0, 40.0),
    level_mm=(0.5, 10.5, None, 30.5, 39.0),
    low_mm=(0.0, 9.0, None, 29.0, 38.0),
    high_mm=(1.0, 12.0, None, 32.0, 41.0),
    runs={
        "withheld: doubt": ((2.0, 2.0),),
        "flag foam": ((0.0, 1.0), (3.0, 4.0)),
        "stated: foam": ((0.0, 4.0),),
    },
)
UNITS = (
    UnitErrors("u2", 30, -1.0, 0.0, 1.0, {"clean": (-2.0, 0.0, 2.0), "foam": (0.0, 5.0)}),
    UnitErrors("<u10>", 30, -1.0, 0.0, 1.0, {"film": (1.0,)}),
)
EVERY_PLOT = {
    "level by class": level_class_plot({"clean": BINS, "foam": FOAMY}, 2),
    "predicted": predicted_plot({"clean": [(10.0, 11.0)], "foam": [(20.0, 30.0)]}),
    "unit": unit_plot(UNITS),
    "trace": trace_plot(TRACE, 60.0, band=True),
    "error": error_plot([(10.0, -1.0, 0.2, "<a>"), (90.0, 1.5, 0.5, "b")]),
    "level": level_plot([(0.0, -2.0, 0.0, 2.0, 0.5), (100.0, -1.0, 0.0, 1.0, 0.5)]),
    "class": class_plot([("<a>", 1.0, 1.5)]),
    "box": box_plot([BoxSummary("<a>", (10, 2, 1), (-2.0, -1.0, 0.0, 1.0, 2.0), -4.0, 4.0, 0.5)]),
    "front": front_plot([(1500.0, 2.0, "<a>", False), (2600.0, 1.25, "c", True)], 3000.0),
    "risk": risk_plot({"<a>": [(0.5, 0.8), (1.0, 1.3)]}, {"<a>": (0.9, 1.1)}),
    "response": response_plot([("<a>", [(0.0, 0.0), (10.0, 1.0)])]),
}


@pytest.mark.parametrize("svg", EVERY_PLOT.values(), ids=EVERY_PLOT)
def test_every_picture_says_what_it_is_and_follows_the_page(svg: str) -> None:
    """Title and description stand first; no colour and no style of its own, so that the page's hold; ticks
    are numbers; a name is text.
    """
    root = ElementTree.fromstring(svg)  # noqa: S314 - our own text
    assert [child.tag for child in root[:2]] == ["title", "desc"]
    assert all(child.text for child in root[:2])
    assert {"width", "height", "style"}.isdisjoint(root.attrib)
    for element in root.iter():
        assert not {"style", "fill", "color"} & set(element.attrib)
        assert element.attrib.get("stroke", "none") == "none"
        assert element.tag in {
            "svg",
            "title",
            "desc",
            "g",
            "line",
            "path",
            "rect",
            "circle",
            "text",
            "polygon",
            "polyline",
        }
    numbers = [e.text or "" for e in root.iter("text") if e.attrib.get("class") in ("end", "mid")]
    assert (
        sum(bool(re.fullmatch("\u2212?\\d{1,3}(\u202f\\d{3})*(\\.\\d+)?", number)) for number in numbers)
        >= len(numbers) - 1
        >= 2
    )


def test_ticks_are_numbers_with_the_decimals_of_their_step() -> None:
    assert tick_texts(ticks(0.0, 0.9)) == ["0.0", "0.2", "0.4", "0.6", "0.8", "1.0"]
    assert tick_texts(ticks(-2e4, 9e4)) == ["\u221250\u202f000", "0", "50\u202f000", "100\u202f000"]
    assert tick_texts(ticks(0.0, 2e-4)) == ["0.00000", "0.00005", "0.00010", "0.00015", "0.00020"]
    assert tick_texts(ticks(7.0, 7.0)) == ["6.0", "6.5", "7.0", "7.5", "8.0"]


def test_a_line_is_interrupted_where_a_point_is_not_a_number() -> None:
    panel = Panel(Scale((0.0, 3.0), 0.0, 30.0), (0.0, 1.0), "name", 0.0, 100.0)
    d = panel.line([(0.0, 0.0), (1.0, 1.0), (2.0, float("nan")), (3.0, 1.0)])
    assert [d.count(letter) for letter in "ML"] == [2, 1]


def test_a_key_takes_as_many_lines_as_its_words_need() -> None:
    (one, height), (many, taller) = key([("", "a")], 0), key([("", 30 * "m")] * 4, 0)
    assert len(one) == 2
    assert len(many) == 8
    assert taller > 2 * height


def test_each_class_has_a_scale_of_its_own() -> None:
    """Foam of up to 20 mm leaves the clean panel's marks where they are without it."""
    alone, beside = (
        [float(e["cy"]) for e in _elements(svg, "circle")]
        for svg in (level_class_plot({"clean": BINS}, 2), level_class_plot({"clean": BINS, "foam": FOAMY}, 2))
    )
    assert alone == beside
    svg = level_class_plot({"clean": BINS, "foam": FOAMY}, 2)
    assert [len(_elements(svg, "g", f"{name} mark")) for name in ("s1", "s2")] == [
        2 * len(BINS),
        2 * len(FOAMY),
    ]


def test_predicted_levels_lie_on_the_line_where_they_are_right() -> None:
    """The line of equal levels runs through the point that is right, and below the one that is too high."""
    svg = predicted_plot({"clean": [(0.0, 0.0), (50.0, 50.0), (50.0, 80.0)]})
    _, right, high = [(float(e["cx"]), float(e["cy"])) for e in _elements(svg, "circle") if e["cx"] != "13"]
    (line,) = [e["d"] for e in _elements(svg, "path", "truth")]
    (x0, y0), (x1, y1) = [tuple(map(float, point.split(","))) for point in line[1:].split("L")]
    assert right[1] == pytest.approx(y0 + (right[0] - x0) * (y1 - y0) / (x1 - x0), abs=0.2)
    assert high[1] < right[1]


def test_clean_is_drawn_over_foam() -> None:
    svg = predicted_plot({"clean": [(10.0, 10.0)], "foam": [(10.0, 10.0)], "film": [(10.0, 10.0)]})
    drawn = [e["class"].split()[0] for e in _elements(svg, "g") if e.get("class", "").endswith("mark")]
    assert drawn[-3:] == ["s3", "s2", "s1"]


def test_a_unit_is_a_strip_with_marks_by_class() -> None:
    svg = unit_plot(UNITS)
    key_marks = 1  # a class in the key
    assert len(_elements(svg, "g", "s1 mark")) == 3 + key_marks
    assert len(_elements(svg, "g", "s2 mark")) == 2 + key_marks
    words = [e.text for e in ElementTree.fromstring(svg).iter("text")]  # noqa: S314 - our own text
    assert words.index("u2") < words.index("<u10>")


def test_a_trace_breaks_where_nothing_was_given_and_shows_when() -> None:
    """Line and band in two pieces, a bar a stretch, what was withheld told from flags and from what was
    stated; without a band none is drawn or named.
    """
    svg = trace_plot(TRACE, 60.0, band=True)
    (line,) = [e["d"] for e in _elements(svg, "path", "s1 front")]
    assert line.count("M") == 2
    assert len(_elements(svg, "polygon", "s1 band")) == 2
    bars = [len(_elements(svg, "rect", kind)) for kind in ("gone", "stretch", "known")]
    assert bars == [1, 2, 1]
    gone, flags = _elements(svg, "rect", "gone")[0], _elements(svg, "rect", "stretch")
    assert float(flags[0]["x"]) + float(flags[0]["width"]) < float(gone["x"]) < float(flags[1]["x"])
    assert "band" not in trace_plot(TRACE, 60.0, band=False)


def test_what_held_last_ends_within_a_traces_axis() -> None:
    """Of many frames few are drawn, so that a stretch may end after the last of these."""
    late = replace(TRACE, runs={"withheld: doubt": ((TRACE.t_s[-1], TRACE.t_s[-1] + 2),)})
    svg = trace_plot(late, 60.0, band=True)
    (gone,) = _elements(svg, "rect", "gone")
    assert float(gone["x"]) + float(gone["width"]) <= WIDTH - RIGHT
