"""The report of a pad array: errors by class and place, claims, ablation, and users' words as text."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from reports import ARRAY, ERRORS, a_cost, read_page

from export.bundle.manifest import Provenance, describe
from export.report.numbers import set_apart
from export.report.page import render_report
from training.program import Program


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
    page = read_page(page_of(ARRAY))
    assert page.plots == 5
    assert page.references == ["#caution"]
    assert not page.styled
    order = [
        page.text.index(said)
        for said in (
            "Limits (owner@3)",
            "Scores",
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
    cells = re.findall(
        r'<span class="share( due)?">(\S+) %<svg class="share-bar"[^>]*><rect width="(\S+)"', table
    )
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
        page = read_page(page_of(ARRAY | {"claims": claims | {"boxes": boxes, "confusion": boxes}}))
        assert page.plots == 4
        assert "Confusion" not in page.text


BIN = {"level_mm": 10.0, "frames": 40, "p05_mm": -1.0, "p50_mm": 0.1, "p95_mm": 1.0, "label_u_mm": 0.3}
TRACE = {
    "session": "dedee24cfaa7",
    "unit": "unit-7",
    "liquid": "water",
    "frames": 40,
    "p95_mm": 3.0,
    "withheld_share": 0.025,
    "t_s": [0.0, 1.0, 2.0],
    "label_mm": [1.0, 2.0, 3.0],
    "level_mm": [1.0, None, 6.0],
    "low_mm": [0.0, None, 5.0],
    "high_mm": [2.0, None, 7.0],
    "runs": {"withheld: doubt": [[1.0, 1.0]], "flag foam": [[0.0, 2.0]]},
}
SHOWN: dict[str, Any] = {
    "by_class_level": {"clean": [BIN], "foam": [BIN]},
    "predicted": {"clean": [[1.0, 1.5]], "foam": [[2.0, 5.0]]},
    "units": [
        {
            "unit": "unit-7",
            "frames": 9,
            "p05_mm": -1.0,
            "p50_mm": 0.0,
            "p95_mm": 1.0,
            "errors_mm": {"clean": [-1.0, 0.0, 1.0]},
        }
    ],
    "traces": [TRACE],
}


def test_what_was_shown_of_unseen_groups_is_drawn(page_of: Callable[..., str]) -> None:
    """By class in place of the level's own plot, readings, units and the worst sessions; of the sessions it
    is said that nothing was opened for them.
    """
    whole = page_of(ARRAY | {"claims": ARRAY["claims"] | SHOWN})
    page = read_page(whole)
    assert page.plots == 5 + 3  # the level's plot gave way to that by class
    assert not page.styled
    titles = re.findall(r"<title>(.*?)</title>", whole)
    for title in (
        "Error against level by class",
        "Predicted against true level",
        "Error by unit",
        "Session dedee24cfaa7",
    ):
        assert title in titles
    assert "Error against level" not in titles
    assert "nothing was opened again, and nothing was chosen by them" in page.text
    assert "40 labelled frames, P95 of the error 3 mm, 2.5 % withheld" in page.text


@pytest.mark.parametrize("broken", [None, 3, [], {}, [None], {"clean": None}, {"clean": [[1.0]]}, [{}]])
def test_what_is_not_whole_is_not_drawn(page_of: Callable[..., str], broken: object) -> None:
    page = read_page(page_of(ARRAY | {"claims": ARRAY["claims"] | dict.fromkeys(SHOWN, broken)}))
    assert page.plots == 5


@pytest.mark.slow
@pytest.mark.parametrize("width", [1280, 390])
def test_an_arrays_report_in_a_browser(
    page_of: Callable[..., str], width: int, fits_a_browser: Callable[[str, int], None]
) -> None:
    """No wider than the window, with names as long as names may be."""
    named = ERRORS | {"worst_group": 60 * "m"}
    claims = ARRAY["claims"] | SHOWN | {"classes": {"clean": named}, "by": {"unit": {60 * "m": named}}}
    claims["units"] = [SHOWN["units"][0] | {"unit": 60 * "m"}]
    fits_a_browser(page_of(ARRAY | {"claims": claims}, simulated=True), width)


def test_every_table_slides_in_a_region_with_a_name(page_of: Callable[..., str]) -> None:
    """So that on a telephone a table slides and not the page, by keys too (WCAG 2.1.1)."""
    page = page_of(ARRAY)
    regions = re.findall(
        r'<div class=\S+(?: short")? tabindex=0 role=region aria-label="([^"]+)"><table', page
    )
    assert len(regions) == page.count("<table") > 5
    assert "Table of Class, Groups, Frames" in regions


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
    assert "details" not in read_page(render_report(describe(samples["constant"], few, "innage", 64, 0))).tags
    page = read_page(render_report(describe(samples["constant"], many, "innage", 64, 0)))
    assert "details" in page.tags
    assert f"{one.liquid.name}30{set_apart(str(30 * one.frames))}" in page.text


def test_an_ablation_has_tables_of_its_own(page_of: Callable[..., str]) -> None:
    row = {
        "name": "ratios only",
        "error_mm": 2.0,
        "classes": {"clean": {"p95_mm": 1.5, "p95_pct": 0.9}},
        "false_wet": {"episodes": 20, "wrong": 3, "frames": 9, "upper_bound_95": 0.3},
        "within": False,
        "cost": a_cost(1777, 4555),
        "refused": None,
    }
    its = {
        "role": "prove",
        "steps": 400,
        "fit_rows": 6000,
        "features": {"rows": [row]},
        "trims": {"rows": [row | {"name": "dry"}], "needed": "dry"},
    }
    page = read_page(page_of(ARRAY | {"ablation": its}))
    assert (
        page.text.index("What was tried")
        < page.text.index("What each part buys, and costs")
        < page.text.index("1\u202f777")
    )
    assert "The least trim within the limits here is 'dry'" in page.text
    assert "What each part buys" not in read_page(page_of(ARRAY)).text


def test_simulated_readings_stand_in_the_heading(page_of: Callable[..., str]) -> None:
    """In title, heading and a caution; measured readings get none of it."""
    assert page_of(ARRAY, simulated=True).count("simulated readings") == 2
    assert "made by a virtual rig" in page_of(ARRAY, simulated=True)
    assert "imulated" not in page_of(ARRAY)
    assert "<small>" not in page_of(ARRAY)
    assert "rig" not in read_page(page_of(ARRAY)).text.split()


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
    metrics = {"claims": claims, "origin": "measured", "candidates": [{}, None], "chosen": None}
    page = read_page(page_of(metrics))
    assert "None" not in page.text
    assert ("nothing is claimed" in page.text) is (not isinstance(claims, dict) or not any(claims.values()))


def test_users_words_in_an_array_report_are_text(page_of: Callable[..., str]) -> None:
    evil = "<script>&"
    errors = ERRORS | {"worst_group": evil}
    claims = {"classes": {"clean": errors}, "by": {"unit": {evil: errors}}} | SHOWN
    claims |= {"units": [SHOWN["units"][0] | {"unit": evil, "errors_mm": {evil: [1.0]}}]}
    claims |= {
        "traces": [TRACE | {"session": evil, "unit": evil, "liquid": evil, "runs": {evil: [[0.0, 1.0]]}}]
    }
    page = read_page(
        page_of(
            {
                "claims": claims,
                "why": evil,
                "next_step": evil,
                "candidates": [{"size": evil, "classes": {}}],
                "band": {"given": True, "meaning": evil},
            }
        )
    )
    assert "script" not in page.tags
    assert page.text.count(evil) >= 6
