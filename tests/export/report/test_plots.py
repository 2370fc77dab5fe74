"""The plots of a report draw what they are given where it belongs."""

from __future__ import annotations

from xml.etree import ElementTree

import pytest

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


def test_plot_places_points() -> None:
    """Points lie between the axes, left to right with the level and upwards with the error, around the zero
    line.
    """
    root = ElementTree.fromstring(  # noqa: S314 - our own text
        error_plot([(10.0, -1.0, 0.2, "a"), (55.0, 0.0, 0.0, "b"), (90.0, 1.5, 0.5, "c & d")])
    )
    circles = [(float(c.attrib["cx"]), float(c.attrib["cy"])) for c in root.iter("circle")]
    (zero,) = [float(e.attrib["y1"]) for e in root.iter("line") if e.attrib.get("class") == "zero"]
    assert [c[0] for c in circles] == sorted(c[0] for c in circles)
    assert circles[0][1] > circles[1][1] == zero > circles[2][1]
    width, height = (float(v) for v in root.attrib["viewBox"].split()[2:])
    assert all(0 < x < width and 0 < y < height for x, y in circles)


def _elements(svg: str, tag: str, kind: str | None = None) -> list[dict[str, str]]:
    root = ElementTree.fromstring(svg)  # noqa: S314 - our own text
    return [e.attrib for e in root.iter(tag) if kind is None or e.attrib.get("class") == kind]


def test_level_plot_shades_the_labels_uncertainty() -> None:
    """The shaded band is as high as twice the half width; a median of 0 lies on the zero line."""
    svg = level_plot([(0.0, -2.0, 0.0, 2.0, 0.5), (100.0, -1.0, 0.0, 1.0, 0.5)])
    (zero,), (shade,), lines = (
        _elements(svg, "line", "zero"),
        _elements(svg, "polygon"),
        [e for e in _elements(svg, "line") if "class" not in e],
    )
    heights = sorted({float(point.split(",")[1]) for point in shade["points"].split()})
    tall = float(lines[0]["y2"]) - float(lines[0]["y1"])
    assert heights[1] - heights[0] == pytest.approx(tall / 4, abs=0.2)
    assert [e["cy"] for e in _elements(svg, "circle")] == [zero["y1"]] * 2


def test_class_plot_has_bars_in_proportion() -> None:
    svg = class_plot([("clean", 1.0, 1.5), ("foam", 2.0, 2.0)])
    one, two = (float(e["width"]) for e in _elements(svg, "rect"))
    assert two == pytest.approx(2 * one, abs=0.2)
    places = [float(e["x1"]) for e in _elements(svg, "line", "worst")]
    assert places[0] - 92 == pytest.approx(1.5 * one, abs=0.2)  # bars begin at 92


def test_a_box_lies_where_its_quantiles_are() -> None:
    """Quantiles of -2, -1, 0, 1, 2 mm: box half as wide as the whiskers, the median on the zero line, shade
    and rings in proportion.
    """
    svg = box_plot([BoxSummary("clean", (10, 2, 1), (-2.0, -1.0, 0.0, 1.0, 2.0), -4.0, 4.0, 0.5)])
    (zero,), (shade,), (box,) = (
        _elements(svg, "line", "zero"),
        _elements(svg, "rect", "shade"),
        _elements(svg, "rect", "hollow"),
    )
    whisker, _, _, median = [e for e in _elements(svg, "line") if "class" not in e]
    assert median["x1"] == median["x2"] == zero["x1"]
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
    assert [e["stroke-dasharray"] for e in _elements(svg, "polyline")] == ["", "7 4"]
    assert ">clean<" in svg
    low, high = (float(e["cy"]) for e in _elements(svg, "circle")[:2])
    assert low > high
    assert [e["d"].count("L") for e in _elements(svg, "path")] == [
        3
    ]  # one diamond, of the class that has one
    assert "clean, as the model is: 90 %, 1.1 mm" in svg
