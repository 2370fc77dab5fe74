"""The report's section on a broken sensor chain: shares by hand, and what is left to the application."""

from __future__ import annotations

from dataclasses import replace

import pytest
from reports import read_page

from export.bundle.manifest import Provenance, describe
from export.report.broken_chain import left_to_the_application
from export.report.page import render_report
from training.judging.figures import FaultFigures, FaultTable
from training.program import Program


def row(kind: str, withheld: int, silent: int) -> FaultFigures:
    """Of 200 frames in 4 episodes, of which one is wrong where any is silent."""
    wrong = min(silent, 1)
    return FaultFigures(
        kind=kind,
        places=1,
        episodes=4,
        units=2,
        frames=200,
        altered=200,
        withheld={"doubt": withheld, "strange": 0, "range": 0, "fault": 0},
        harmless=200 - withheld - silent,
        flagged=0,
        silent=silent,
        too_high=0,
        noticed=0,
        wrong=wrong,
        unnoticed=wrong,
        refused=0,
        upper_bound_95=0.751,
        longest_silent_s=0.1 * silent,
        most_pct=None,
    )


@pytest.fixture
def table() -> FaultTable:
    """1 % of the frames are silent without a fault; with a stuck pad 2 %, with old frames 2.5 %."""
    rows = (row("none", 10, 2), row("stuck pad", 20, 4), row("old frames", 0, 5))
    return FaultTable(rows, {"temperature off": "the model reads <none>"}, ("choose",), 2, 4, 5.0, 0)


def test_more_than_a_hundredth_more_is_left_to_the_application(table: FaultTable) -> None:
    assert left_to_the_application(table) == ("old frames",)
    rest = replace(table, rows=(row("none", 0, 0), *table.rows[1:]))
    assert left_to_the_application(rest) == ("stuck pad", "old frames")


def test_the_page_has_each_share(table: FaultTable, sample: Program, provenance: Provenance) -> None:
    """10 % withheld, 88 % harmless, 2 % silent; one of four episodes wrong is 25 %."""
    page = render_report(describe(sample, replace(provenance, faults=table), "innage", 64, 0))
    text = read_page(page).text
    section = text.partition("What a broken sensor chain does")[2]
    line = section.partition("one channel stays at its count")[2].partition("old frames")[0]
    assert "".join(line.split()) == "10%88%0%2%425%75.1%"
    assert "that the model was not fitted on (choose, none of 'prove')" in section
    assert "are silently wrong: old frames." in section
    assert "Not tried: temperature off: the model reads <none>." in section
    assert "<none>" not in page  # it stays text
    fitted = describe(sample, replace(provenance, faults=replace(table, roles=("fit",))), "innage", 64, 0)
    assert "that the model was fitted on (fit, none of 'prove')" in read_page(render_report(fitted)).text


def test_without_a_table_the_page_says_so(sample: Program, provenance: Provenance) -> None:
    text = read_page(render_report(describe(sample, provenance, "innage", 64, 0))).text
    assert "Not measured: no session was there to put faults on." in text
