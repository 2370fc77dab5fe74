"""The plan: how many groups limits ask for, against published figures, and sessions that close the largest
shortfall first.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import pytest
from scipy.stats import beta

from dataset.coverage.gaps import Cell, Gaps
from dataset.coverage.planning import (
    AtHand,
    Plan,
    groups_for_band,
    groups_to_prove,
    make_plan,
    rate_shown,
    trials_for_rate,
)
from dataset.records import GroupBy, Limit, Limits, Liquid, Role, Tank, Unit

TANK = Tank("can", 1, 100.0)


@pytest.mark.parametrize("trials", [1, 3, 30, 59, 1000])
def test_nothing_wrong_shows_a_rate(trials: int) -> None:
    """The exact bound 1 - 0.05^(1/n), which is the Clopper-Pearson bound for nothing in n (scipy's Beta law),
    and about 3/n for many.
    """
    assert rate_shown(trials) == pytest.approx(float(beta.ppf(0.95, 1, trials)), rel=1e-9)
    assert rate_shown(trials) == pytest.approx(1 - 0.05 ** (1 / trials), rel=1e-9)
    if trials >= 30:
        assert rate_shown(trials) == pytest.approx(3 / trials, rel=0.06)  # the rule of three


@pytest.mark.parametrize(
    ("rate", "confidence", "trials"),
    [(0.05, 0.95, 59), (0.1, 0.95, 29), (0.01, 0.95, 299), (0.1, 0.9, 22), (0.05, 0.99, 90)],
)
def test_trials_that_show_a_rate(rate: float, confidence: float, trials: int) -> None:
    """The classic numbers of attribute sampling with nothing wrong: 59 for 95/95, 29 for 90/95, 22 for 90/90
    (Wilks 1941 and tables since).
    """
    assert trials_for_rate(rate, confidence) == trials
    assert (1 - rate) ** trials <= 1 - confidence < (1 - rate) ** (trials - 1)


def test_no_number_shows_a_rate_of_nothing() -> None:
    """A bound of 0 is out of reach; one of 1 is shown by anything."""
    assert trials_for_rate(0.0, 0.95) is None
    assert trials_for_rate(1.0, 0.95) == 1


@pytest.mark.parametrize(("confidence", "groups"), [(0.5, 1), (0.8, 4), (0.9, 9), (0.95, 19), (0.99, 99)])
def test_groups_for_a_band(confidence: float, groups: int) -> None:
    """Split conformal (Vovk, Gammerman, Shafer 2005): the k-th of n scores with k = ceil((n + 1) c) exists
    from these n on.
    """
    assert groups_for_band(confidence) == groups
    assert math.ceil(round((groups + 1) * confidence, 9)) <= groups
    assert math.ceil(round(groups * confidence, 9)) > groups - 1


@pytest.mark.parametrize(
    ("limit", "groups", "why"),
    [
        (Limit("rmse_mm", 2.0, "all", None, 4), 4, "rmse_mm <= 2: its fewest groups"),
        (
            Limit("rmse_mm", 2.0, "all", 0.9, 4),
            9,
            "rmse_mm <= 2 at 90 %: the worst of 9 bounds the next",
        ),
        (Limit("rmse_mm", 2.0, "all", 0.9, 12), 12, "rmse_mm <= 2: its fewest groups"),
        (
            Limit("withheld_share", 0.05, "all", 0.95, 4),
            19,
            "withheld_share <= 0.05 at 95 %: the worst of 19 bounds the next",
        ),
        (
            Limit("false_wet_share", 0.05, "all", 0.95, 4),
            59,
            "false_wet_share <= 0.05 at 95 %: 59 without a fault prove it",
        ),
        (Limit("false_wet_share", 0.0, "all", 0.95, 4), 4, "false_wet_share <= 0: its fewest groups"),
    ],
)
def test_groups_that_a_row_asks_for(limit: Limit, groups: int, why: str) -> None:
    """Its fewest groups, or what its confidence asks for where that is more."""
    assert groups_to_prove(limit) == (groups, why)


def cell(
    unit: str, *condition: str, session: str | None = None, band: int | None = 0, liquid: str = "water"
) -> Cell:
    return Cell(
        "can@1", liquid, "strip@1", condition, band, "not measured", unit, (session or f"session of {unit}",)
    )


def planned(
    cells: list[Cell],
    *rows: Limit,
    units: int = 3,
    belongs: Mapping[str, set[str]] | None = None,
    bench_of: Mapping[str, str] | None = None,
    **others: Any,
) -> Plan:
    gaps = Gaps(10, {"can@1": 100.0}, tuple(cells), (), ())
    return make_plan(
        gaps,
        Limits("l", 1, rows),
        [TANK],
        AtHand(
            [Liquid("water"), Liquid("oil")],
            [Unit(f"u{k}") for k in range(1, units + 1)],
            belongs or {},
            ("north",),
            bench_of or {},
        ),
        **others,
    )


def test_needs_add_up_over_roles() -> None:
    """'all' needs groups for every role and for the band, a condition those that fit, choose and prove; void
    of neither is counted twice.
    """
    plan = planned(
        [cell("u1"), cell("u1", band=3), cell("u2", "foam")],
        Limit("rmse_mm", 1.0, "all", None, 4),
        Limit("rmse_mm", 1.0, "foam", None, 3),
    )
    assert [(n.condition, n.groups, n.have, n.short) for n in plan.needs] == [
        ("all", 3 + 4 + 9, 2, 14),
        ("foam", 3 + 3, 1, 5),
    ]
    assert [n.groups for n in planned([], Limit("rmse_mm", 1.0), band=0.95).needs] == [3 + 1 + 19]
    assert [n.groups for n in planned([], Limit("rmse_mm", 1.0), band=None).needs] == [3 + 1]


def test_the_largest_shortfall_first() -> None:
    """Sessions come until nothing is short; each takes along every condition that is; units there are come
    before new ones.
    """
    plan = planned(
        [cell("u1", "foam"), cell("u2")],
        Limit("rmse_mm", 1.0, "all", None, 2),
        Limit("rmse_mm", 1.0, "foam", None, 1),
        band=None,
    )
    assert [(p.unit, p.conditions) for p in plan.proposals if p.why.startswith("'")] == [
        ("u3", ("foam",)),
        ("a new unit 1", ("foam",)),
        ("a new unit 2", ("foam",)),
    ]
    assert plan.proposals[0].why == "'all' is short of 3 units"


def test_a_unit_there_is_closes_a_condition() -> None:
    """Where only a condition is short, units that were captured without it go again."""
    cells = [cell(f"u{k}") for k in (1, 2, 3, 4)]
    plan = planned(cells, Limit("rmse_mm", 1.0, "foam", None, 1), band=None)
    assert [(p.unit, p.conditions) for p in plan.proposals[:3]] == [
        ("u1", ("foam",)),
        ("u2", ("foam",)),
        ("u3", ("foam",)),
    ]
    assert plan.needs[0].short == 0


def test_groups_may_be_sessions() -> None:
    """With sessions as groups, two sessions of one unit are two groups."""
    cells = [cell("u1", session="a"), cell("u1", session="b")]
    assert planned(cells, Limit("rmse_mm", 1.0), group_by=GroupBy.SESSION, band=None).needs[0].have == 2
    assert planned(cells, Limit("rmse_mm", 1.0), group_by=GroupBy.UNIT, band=None).needs[0].have == 1


def test_groups_may_be_benches() -> None:
    """Two benches that say so are two groups, a session that says none is of no group; benches there are come
    before new ones, and where a condition alone is short, one that was captured without it goes again.
    """
    cells = [cell("u1", session="a"), cell("u2", session="b"), cell("u2", "foam", session="c"), cell("u3")]
    bench_of = {"a": "north", "b": "south", "c": "south"}
    rows = (Limit("rmse_mm", 1.0, "all", None, 2), Limit("rmse_mm", 1.0, "foam", None, 1))
    plan = planned(cells, *rows, group_by=GroupBy.BENCH, band=None, bench_of=bench_of)
    assert [(need.condition, need.have, need.short) for need in plan.needs] == [("all", 2, 3), ("foam", 1, 3)]
    assert [proposal.bench for proposal in plan.proposals[:3]] == [f"a new bench {k}" for k in (1, 2, 3)]
    assert plan.proposals[0].why == "'all' is short of 3 benches"
    alone = planned(cells, rows[1], group_by=GroupBy.BENCH, band=None, bench_of=bench_of)
    foamy = [(p.bench, p.conditions) for p in alone.proposals if "foam" in p.conditions]
    assert foamy[-1] == ("north", ("foam",))
    assert len(foamy) == 3
    nowhere = planned([], *rows[:1], group_by=GroupBy.BENCH, band=None)
    assert [p.bench for p in nowhere.proposals[:2]] == ["north", "a new bench 1"]


def test_levels_nobody_captured() -> None:
    """With nothing short, sessions are proposed for levels without one; with those there too, nothing."""
    full = [cell(unit, band=band) for unit in ("u1", "u2", "u3", "u4") for band in range(10)]
    assert planned(full, Limit("rmse_mm", 1.0), band=None).proposals == ()
    (proposal,) = planned(
        [c for c in full if c.band not in (4, 5)], Limit("rmse_mm", 1.0), band=None
    ).proposals
    assert (proposal.levels, proposal.why) == ("40 to 60 mm", "no session has a level there")


def test_the_least_captured_liquid_first() -> None:
    """Liquids of the tank take turns, the one with the fewest sessions first."""
    cells = [cell("u1", session="a"), cell("u1", session="b"), cell("u2", session="c", liquid="oil")]
    plan = planned(cells, Limit("rmse_mm", 1.0, "all", None, 3), band=None)
    assert [p.liquid for p in plan.proposals] == ["oil", "oil", "water", "oil"]


def test_the_same_plan_each_time() -> None:
    """The plan depends on content, not on the order in which cells or units come."""
    cells = [cell("u2", "foam"), cell("u1"), cell("u3", "film", liquid="oil")]
    rows = (Limit("rmse_mm", 1.0, "foam", None, 2), Limit("rmse_mm", 1.0, "film", None, 3))
    assert planned(cells, *rows) == planned(cells[::-1], *rows)


def test_what_a_share_cannot_show() -> None:
    """A share without a confidence says what its fewest groups show; a bound of 0 is never shown."""
    first, second = planned(
        [], Limit("withheld_share", 0.05, "all", None, 9), Limit("beyond_accepted_share", 0.0, "all", None, 3)
    ).remarks
    assert (
        first == "withheld_share <= 0.05 (all): 9 fault-free groups only prove a rate under 28 % at 95 %; "
        "59 are needed to prove 5 %"
    )
    assert second.endswith("no number proves a rate of 0")


def test_a_plan_ends() -> None:
    """Limits that ask for thousands of groups give a hundred sessions; the need says the rest."""
    plan = planned([], Limit("false_wet_share", 0.0005, "all", 0.95))
    assert len(plan.proposals) == 100
    assert plan.needs[0].short > 5000


def test_one_set_proves_every_row() -> None:
    """The groups that prove a condition are 'prove' groups of the whole: the roles are those of the largest
    row, and all of them together are what is needed of 'all'.
    """
    rows = (Limit("rmse_mm", 1.0, "all", None, 3), Limit("rmse_mm", 1.0, "foam", 0.9, 1))
    plan = planned([], *rows)
    assert dict(plan.roles) == {Role.FIT: 2, Role.CHOOSE: 1, Role.CALIBRATE: 9, Role.PROVE: 9}
    assert plan.needs[0].groups == sum(number for _, number in plan.roles)
    assert dict(planned([], *rows[:1], band=None).roles) == {Role.FIT: 2, Role.CHOOSE: 1, Role.PROVE: 3}
    assert dict(planned([], band=None).roles)[Role.PROVE] == 1


def test_a_unit_is_proposed_for_its_own_tank() -> None:
    """A unit that was on another tank can't be on this one, another revision of it included; one that was on
    none can.
    """
    plan = planned(
        [],
        Limit("rmse_mm", 1.0, "all", None, 1),
        band=None,
        belongs={"u1": {"can@1"}, "u2": {"can@2"}, "u3": set[str](), "u4": {"barrel@1", "can@1"}},
        units=5,
    )
    assert [proposal.unit for proposal in plan.proposals] == ["u1", "u3", "u4", "u5"]
