"""The report is one whole page that loads and runs nothing, says what was found, and shows users' words as
text.
"""

from __future__ import annotations

import html.parser
import json
import re
from collections.abc import Callable
from dataclasses import replace
from html import escape
from importlib.metadata import version
from typing import Any
from xml.etree import ElementTree

import pytest
from scipy.stats import beta

from dataset.records import GroupBy, Session
from export.bundle.build import build_bundle
from export.bundle.manifest import MANIFEST, Provenance, describe
from export.report.html_page import page, shielded
from export.report.page import render_report
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
from training.program import Program

_GROUP = {"group": "one", "level_mm": 1, "frames": 9, "accepted": 9, "beyond": 0, "rmse_mm": 1, "bias_mm": 0}


class _Page(html.parser.HTMLParser):
    """Collects the tags of a page, whether they close properly, what they refer to, and the text."""

    void = frozenset({"meta", "br", "hr", "img", "link", "line", "circle", "rect", "polygon", "polyline"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[str] = []
        self.references: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.references += [
            v or "" for k, v in attrs if k in ("src", "href", "srcset", "action", "onclick", "onload")
        ]
        if tag not in self.void:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)

    def handle_endtag(self, tag: str) -> None:
        assert self.open, tag
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += data


def _read(page: str) -> _Page:
    read = _Page()
    read.feed(page)
    read.close()
    assert read.open == []
    return read


def test_report_is_whole_and_alone(small_bundle: dict[str, bytes]) -> None:
    """The page's tags close, it loads nothing and runs nothing, and it holds scores, limits, costs, a plot
    and the caution.
    """
    page = _read(small_bundle["report.html"].decode())
    assert page.references == []
    assert "script" not in page.tags
    assert page.tags.count("svg") == 1
    for said in (
        "not a protective control",
        "Scores",
        "0.81",
        "owner@3",
        "met",
        "Cost against budget small",
        "420",
        "below 28.3%",
        "unit-1",
        "No error band is given",
    ):
        assert said in page.text, said


def _renamed(session: Session, name: str) -> Session:
    """The session with the same name for all that has one, as no registry would take it."""
    mounting = session.mounting
    mounting = replace(
        mounting,
        name=name,
        tank=replace(mounting.tank, name=name),
        sensor=replace(mounting.sensor, name=name),
    )
    unit, liquid, source = (
        replace(session.unit, name=name),
        replace(session.liquid, name=name),
        replace(session.source, file=name),
    )
    return replace(session, mounting=mounting, unit=unit, liquid=liquid, source=source)


def test_report_escapes_what_users_wrote(sample: Program, provenance: Provenance) -> None:
    """Names, notes and reasons appear as text, never as markup."""
    evil = '<script>alert("1")</script>&'
    metrics = {
        "why": evil,
        "band": {"given": False, "reason": evil},
        "candidates": [{"family": evil}],
        "limits": [{"metric": evil, "answer": evil, "reason": evil}],
        "prove": {"by_group": [_GROUP | {"group": evil}]},
    }
    model = replace(provenance.model, name=evil, metrics=json.dumps(metrics))
    frozen = replace(
        model.frozen, name=evil, sessions=tuple(_renamed(s, evil) for s in model.frozen.sessions)
    )
    budget = replace(provenance.budget, name=evil)
    voided = ((frozen.sessions[0].id, evil),)
    facts = describe(
        sample,
        Provenance("0.1.0", replace(model, frozen=frozen), budget, provenance.cost, voided),
        "innage",
        64,
        0,
    )
    page = _read(render_report(facts))
    assert "script" not in page.tags
    assert page.text.count(evil) >= 15


@pytest.mark.parametrize(
    "metrics",
    [
        {},
        {"prove": None, "random_rows": None, "limits": [], "candidates": None},
        {"prove": {"integer": {"rmse_mm": None}, "by_group": [{}, None, 3]}},
        {"prove": [], "limits": "none", "band": 3, "openings": "x"},
        {"candidates": [{"choose": None, "cost": None, "meets": None}]},
        {"prove": {"by_group": [_GROUP | {"rmse_mm": 0}]}},
    ],
)
def test_report_of_missing_metrics(sample: Program, provenance: Provenance, metrics: dict[str, Any]) -> None:
    """What is missing among the metrics is left out; the page stays whole."""
    facts = describe(
        sample,
        replace(provenance, model=replace(provenance.model, metrics=json.dumps(metrics)), cost=None),
        "innage",
        64,
        0,
    )
    page = _read(render_report(facts))
    assert "not a protective control" in page.text
    assert "None" not in page.text


def test_report_names_void_sessions(samples: dict[str, Program], request: pytest.FixtureRequest) -> None:
    """A session voided after training stands on the page and in the manifest, with its reason."""
    program = samples["constant"]
    provenance = request.getfixturevalue("provenance_for")(program, "the scale was not zeroed")
    made = build_bundle(program, provenance.model.float_onnx, provenance, vectors=64)
    assert "the scale was not zeroed" in _read(made["report.html"].decode()).text
    assert json.loads(made[MANIFEST])["sessions"][0]["void"] == "the scale was not zeroed"


def test_report_says_what_temperature_bands_claim(sample: Program, provenance: Provenance) -> None:
    """The claim by its name and what it is not; no rate of further bands. A set of other groups keeps the
    bound on wrong groups.
    """
    frozen = replace(provenance.model.frozen, group_by=GroupBy.TEMPERATURE, edges_c=(5.0, 15.0, 25.0))
    facts = [
        describe(sample, replace(provenance, model=replace(provenance.model, frozen=its)), "innage", 64, 0)
        for its in (frozen, provenance.model.frozen)
    ]
    bands, levels = (_read(render_report(its)).text for its in facts)
    assert (
        "9 temperature bands. These are temperature bands not seen in fitting, chosen and not drawn" in bands
    )
    assert (
        "units, liquids and sessions may be the same in both: nothing here speaks of a unit or "
        "a liquid never seen" in bands
    )
    assert "grouped by temperature: 1 fit, 1 prove" in bands
    assert ("rate of wrong groups" in bands, "rate of wrong groups" in levels) == (False, True)


def test_report_bounds_the_rate_of_wrong_groups_exactly(sample: Program, provenance: Provenance) -> None:
    """None wrong of 9 groups: the one-sided 95 % bound of Clopper and Pearson (Biometrika 26 (1934) 404) as
    scipy's Beta law has it; 3/n would say 33 %.
    """
    bound = 100 * float(beta.ppf(0.95, 1, 9))
    assert bound == pytest.approx(28.3, abs=0.05)
    text = _read(render_report(describe(sample, provenance, "innage", 64, 0))).text
    assert f"a rate of wrong groups below {bound:.3g}%" in text


def test_manifest_has_the_edges_of_temperature_bands(sample: Program, provenance: Provenance) -> None:
    frozen = replace(provenance.model.frozen, group_by=GroupBy.TEMPERATURE, edges_c=(5.0, 15.0, 25.0))
    facts = [
        describe(sample, replace(provenance, model=replace(provenance.model, frozen=its)), "innage", 64, 0)
        for its in (frozen, provenance.model.frozen)
    ]
    assert [its["frozen_set"].get("edges_c") for its in facts] == [[5.0, 15.0, 25.0], None]


def test_report_names_what_it_was_made_with(sample: Program, provenance: Provenance) -> None:
    """The versions behind training and export stand on the page as they are installed."""
    text = _read(render_report(describe(sample, provenance, "innage", 64, 0))).text
    trained, _, exported = text.partition("Trained with")[2].partition("Exported with")
    assert f"numpy {version('numpy')}" in trained
    assert f"ziglang {version('ziglang')}" in exported


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


# --- pad arrays; all numbers invented ---

_ERRORS = {
    "frames": 400,
    "groups": 4,
    "accepted_share": 0.985,
    "p50_mm": 0.5,
    "p95_mm": 1.25,
    "max_mm": 3.0,
    "p95_pct": 1.04,
    "worst_group": "unit-7",
    "worst_group_p95_mm": 1.8,
    "label_u_mm": 0.3,
}
_CANDIDATES = [
    {
        "family": "array net",
        "size": size,
        "bits": 8,
        "watcher": [8],
        "watched": ["unrest"],
        "meets": True,
        "cost": {"flash": flash, "cycles": 7000},
        "classes": {"clean": [error, 0.99], "foam": [error, 0.9], "film": [error, 0.9], "all": [error, 0.95]},
    }
    for size, flash, error in (("8", 1500, 2.0), ("12", 1900, 2.2), ("24", 2600, 1.25))
]
ARRAY: dict[str, Any] = {
    "chosen": _CANDIDATES[2],
    "candidates": _CANDIDATES,
    "why": "the smallest that meets them",
    "next_step": "nothing larger",
    "choose_how": "on 4 groups",
    "prove": {
        "integer": {"rmse_mm": 0.8, "p95_abs_mm": 1.25, "groups": 4},
        "by_group": [],
        "beyond": {"frames": 0},
    },
    "random_rows": {"integer": {"p95_abs_mm": 0.7}},
    "openings": 2,
    "flag_table": {"out_of_range": "withheld"},
    "limits": [
        {
            "metric": "p95_pct_span",
            "condition": "clean",
            "bound": 1.5,
            "value": 1.04,
            "answer": "met",
            "reason": "within",
        }
    ],
    "band": {"given": True, "meaning": "nine of ten", "groups": 9},
    "claims": {
        "classes": {"clean": _ERRORS, "foam": _ERRORS, "all": _ERRORS},
        "by": {"coupling": {"earthed": _ERRORS}, "level band": {"0 to 10 %": _ERRORS}},
        "false_wet": {"episodes": 20, "wrong": 0, "frames": 0, "upper_bound_95": 0.139},
        "dry_recognised_share": 1.0,
        "by_level": [
            {"level_mm": 10.0, "frames": 40, "p05_mm": -1.0, "p50_mm": 0.1, "p95_mm": 1.0, "label_u_mm": 0.3},
            {
                "level_mm": 50.0,
                "frames": 40,
                "p05_mm": -0.5,
                "p50_mm": 0.0,
                "p95_mm": 0.5,
                "label_u_mm": None,
            },
        ],
        "boxes": [
            {
                "class": "film",
                "frames": 200,
                "sessions": 6,
                "groups": 4,
                "p05_mm": -2.0,
                "p25_mm": -1.0,
                "p50_mm": 0.0,
                "p75_mm": 1.0,
                "p95_mm": 2.0,
                "least_mm": -4.0,
                "most_mm": 4.0,
            }
        ],
        "confusion": [
            {
                "stated": "foam",
                "frames": 200,
                "sessions": 3,
                "said": {"valid": 150, "empty": 0, "withheld": 50},
                "raised": {"foam": 120, "film": 1, "out_of_range": 0, "sensor_fault": 0},
                "due": ["valid", "foam"],
            }
        ],
        "risk": {
            "clean": [
                {"doubt": 3, "accepted_share": 0.5, "p95_mm": 0.8},
                {"doubt": 9, "accepted_share": 1.0, "p95_mm": 1.3},
            ]
        },
    },
}


@pytest.fixture
def page_of(samples: dict[str, Program], provenance_for: Callable[..., Provenance]) -> Callable[..., str]:
    """Renders the report of a model with the metrics given."""

    def page(metrics: dict[str, Any], simulated: bool = False) -> str:
        its = provenance_for(samples["constant"])
        sessions = tuple(replace(s, simulated=simulated) for s in its.model.frozen.sessions)
        model = replace(
            its.model, metrics=json.dumps(metrics), frozen=replace(its.model.frozen, sessions=sessions)
        )
        return render_report(describe(samples["constant"], replace(its, model=model), "innage", 64, 0))

    return page


def test_an_array_is_reported_by_class_and_place(page_of: Callable[..., str]) -> None:
    """Limits stand first; tables by class and place, rates with bounds, five plots, and every tag closes."""
    page = _read(page_of(ARRAY))
    assert page.tags.count("svg") == 5
    assert page.references == []
    order = [
        page.text.index(said)
        for said in (
            "Limits (owner@3)",
            "Errors by class",
            "0 of 20 episodes",
            "Confusion of flags",
            "Error against level",
            "Where the errors are",
            "opened 2 times",
            "What was tried",
        )
    ]
    assert order == sorted(order)
    assert (
        page.text.count("unit-7") == 3
    )  # in the table by class alone: names would fold the rows of the table by place
    for said in (
        "coupling: earthed",
        "level band: 0 to 10 %",
        "at most 13.9 %",
        "P95 of 0.7 mm",
        "nothing larger",
        "unit-7",
        "nine of ten",
        "chosen",
        "out of rangewithheld",
    ):
        assert said in page.text, said


def test_what_was_said_stands_beside_what_was_stated(page_of: Callable[..., str]) -> None:
    """Shares of the row's frames, framed where they are due; flags that were never raised are named in a
    sentence.
    """
    table = page_of(ARRAY).partition("Confusion of flags")[2].partition("</table>")[0]
    cells = re.findall(r"<span class=\"share( due)?\">(\S+) %<i style=\"width:(\S+)%\">", table)
    assert cells == [
        (" due", "75", "75.0"),
        ("", "0", "0.0"),
        ("", "25", "25.0"),
        (" due", "60", "60.0"),
        ("", "0.5", "0.5"),
    ]
    assert "Never raised: out of range, sensor fault." in page_of(ARRAY)


def test_models_of_earlier_versions_have_no_boxes(page_of: Callable[..., str]) -> None:
    """What their metrics don't hold is left out; a row that is not whole is no box."""
    claims = {name: value for name, value in ARRAY["claims"].items() if name not in ("boxes", "confusion")}
    for boxes in (None, [{"class": "clean", "p05_mm": 1.0}], [None]):
        page = _read(page_of(ARRAY | {"claims": claims | {"boxes": boxes, "confusion": boxes}}))
        assert page.tags.count("svg") == 4
        assert "Confusion" not in page.text


@pytest.mark.slow
@pytest.mark.parametrize("width", [1280, 390])
def test_an_arrays_report_in_a_browser(
    page_of: Callable[..., str], width: int, fits_a_browser: Callable[[str, int], None]
) -> None:
    """No wider than the window, with names as long as names may be."""
    named = _ERRORS | {"worst_group": 60 * "m"}
    claims = ARRAY["claims"] | {"classes": {"clean": named}, "by": {"unit": {60 * "m": named}}}
    fits_a_browser(page_of(ARRAY | {"claims": claims}, simulated=True), width)


def test_limits_that_nobody_gave_are_said(page_of: Callable[..., str]) -> None:
    assert "No limits were given" in page_of(ARRAY | {"limits": []})


def test_many_sessions_are_summed_up_by_unit(
    samples: dict[str, Program], provenance_for: Callable[..., Provenance]
) -> None:
    """More than two dozen stand folded, below a row a unit with what they add up to."""
    its = provenance_for(samples["constant"])
    one = its.model.frozen.sessions[0]
    few, many = (
        replace(its, model=replace(its.model, frozen=replace(its.model.frozen, sessions=(one,) * n)))
        for n in (24, 30)
    )
    assert "details" not in _read(render_report(describe(samples["constant"], few, "innage", 64, 0))).tags
    page = _read(render_report(describe(samples["constant"], many, "innage", 64, 0)))
    assert "details" in page.tags
    assert f"{one.liquid.name}30{30 * one.frames}" in page.text


def test_an_ablation_has_tables_of_its_own(page_of: Callable[..., str]) -> None:
    row = {
        "name": "ratios only",
        "error_mm": 2.0,
        "classes": {"clean": {"p95_mm": 1.5, "p95_pct": 0.9}},
        "false_wet": {"wrong": 3},
        "within": False,
        "cost": {"flash": 1777, "cycles": 4555},
        "refused": None,
    }
    its = {
        "role": "prove",
        "steps": 400,
        "fit_rows": 6000,
        "features": {"rows": [row]},
        "trims": {"rows": [row | {"name": "dry"}], "needed": "dry"},
    }
    page = _read(page_of(ARRAY | {"ablation": its}))
    assert (
        page.text.index("What was tried")
        < page.text.index("What each part buys, and costs")
        < page.text.index("1777")
    )
    assert "The least trim within the limits here is 'dry'" in page.text
    assert "What each part buys" not in _read(page_of(ARRAY)).text


def test_simulated_readings_stand_in_the_heading(page_of: Callable[..., str]) -> None:
    """In title, heading and a caution; measured readings get none of it."""
    assert page_of(ARRAY, simulated=True).count("simulated readings") == 2
    assert "made by a virtual rig" in page_of(ARRAY, simulated=True)
    assert "imulated" not in page_of(ARRAY)
    assert "<small>" not in page_of(ARRAY)
    assert "rig" not in _read(page_of(ARRAY)).text.split()


@pytest.mark.parametrize(
    "claims",
    [
        None,
        {},
        3,
        {"classes": {}},
        {
            "classes": {"clean": {"frames": 3}},
            "by": {"unit": None},
            "by_level": [{}, None],
            "risk": {"clean": [{}], "foam": 1},
        },
    ],
)
def test_missing_claims_are_left_out(page_of: Callable[..., str], claims: object) -> None:
    page = _read(page_of({"claims": claims, "candidates": [{}, None], "chosen": None}))
    assert "None" not in page.text
    assert ("nothing is claimed" in page.text) is (not isinstance(claims, dict) or not claims)


def test_users_words_in_an_array_report_are_text(page_of: Callable[..., str]) -> None:
    evil = "<script>&"
    errors = _ERRORS | {"worst_group": evil}
    claims = {"classes": {"clean": errors}, "by": {"unit": {evil: errors}}}
    page = _read(
        page_of(
            {
                "claims": claims,
                "why": evil,
                "next_step": evil,
                "candidates": [{"size": evil}],
                "band": {"given": True, "meaning": evil},
            }
        )
    )
    assert "script" not in page.tags
    assert page.text.count(evil) >= 6


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
    svg = risk_plot({"clean": [(0.5, 0.8), (1.0, 1.3)], "foam": [(0.6, 2.0)]})
    assert [e["stroke-dasharray"] for e in _elements(svg, "polyline")] == ["", "7 4"]
    assert ">clean<" in svg
    low, high = (float(e["cy"]) for e in _elements(svg, "circle")[:2])
    assert low > high


# --- what others wrote ---

SAID_OF_ODD = ("small", "ul", "li")  # an origin beside the heading; sessions that are void
HOSTILE = "\"'><script>alert(1)</script><img src=x onerror=alert(1)>&"


def _leaves(body: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """The path of every value that is no object or list."""
    if isinstance(body, dict | list):
        items = list(body.items() if isinstance(body, dict) else enumerate(body))
        return [leaf for key, value in items for leaf in _leaves(value, (*path, key))]
    return [path]


def _replaced(body: Any, path: tuple[Any, ...], value: Any) -> Any:
    if not path:
        return value
    copy = body.copy()
    copy[path[0]] = _replaced(body[path[0]], path[1:], value)
    return copy


def _renamed_key(body: Any, path: tuple[Any, ...]) -> Any:
    """The body with a hostile key behind that at ``path``."""
    if len(path) > 1:
        copy = body.copy()
        copy[path[0]] = _renamed_key(body[path[0]], path[1:])
        return copy
    if not isinstance(body, dict):
        return body
    return {(f"{key}{HOSTILE}" if key == path[0] else key): value for key, value in body.items()}


@pytest.mark.parametrize("metrics", [None, ARRAY], ids=["single", "array"])
def test_no_entry_becomes_markup(
    samples: dict[str, Program], provenance_for: Callable[..., Provenance], metrics: dict[str, Any] | None
) -> None:
    """Markup in place of any value or key of a manifest stays text, or there is no page: no tag that an
    honest page doesn't have.
    """
    its = provenance_for(samples["constant"], "void" if metrics is None else None)
    if metrics is not None:
        its = replace(its, model=replace(its.model, metrics=json.dumps(metrics)))
    facts = json.loads(json.dumps(describe(samples["constant"], its, "innage", 64, 0)))
    honest = _read(render_report(facts))
    rendered = 0
    for path in _leaves(facts):
        for changed in (_replaced(facts, path, HOSTILE), _renamed_key(facts, path)):
            try:
                text = render_report(changed)
            except (LookupError, TypeError, AttributeError, ValueError, ArithmeticError):
                continue
            rendered += 1
            assert "<script" not in text, path
            assert "<img" not in text, path
            assert set(_read(text).tags) <= {*honest.tags, *SAID_OF_ODD}, path
    assert rendered > 100


def test_every_page_forbids_what_it_does_not_need() -> None:
    """The policy stands before anything that could be loaded: nothing from anywhere, no script; styles and
    pictures that stand in the page itself. Source: Content Security Policy Level 3, W3C, sections 3.3 and 6.
    """
    text = page("a title", ["<p>text</p>"])
    policy = re.search(r'<meta http-equiv="Content-Security-Policy" content="([^"]*)">', text)
    assert policy is not None
    assert policy.start() < text.index("<style>")
    rules = dict(rule.strip().split(" ", 1) for rule in policy[1].split(";"))
    assert rules == {
        "default-src": "'none'",
        "style-src": "'unsafe-inline'",
        "img-src": "data:",
        "base-uri": "'none'",
        "form-action": "'none'",
    }


def test_shields_don_t_reach_the_page() -> None:
    """Every character comes out as it went in, or as its entity; what would undo a shield is no text."""
    text = "a & b < c > d \"e\" 'f' g"
    assert page("t", [shielded(text)]).count(escape(text)) == 1
    nested = {"k<": [1, None, "x>", ("y&",)]}
    assert shielded(nested) == {shielded("k<"): [1, None, shielded("x>"), [shielded("y&")]]}
    assert "\ufffdb\ufffd" in page("t", [shielded("\ue001b\ue002")])
