"""Choosing among candidates: the smallest that meets the limits and fits the budget, said plainly when there
is none.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np
import pytest

from dataset.errors import InputError
from dataset.records import Budget, CountLaw, FrozenData, GroupBy, Limit, Limits, Role
from training.costs import Cost, CostModel
from training.judging.answers import meets_limits
from training.judging.judged import judge
from training.models.recipes import Hardware, Recipe, fit_sizes, quantise
from training.program import Builder, Program
from training.rows import Floats, rows_of
from training.search.candidates import ByGroup, Candidate, Refused, by_group, table_bytes, weight_bytes
from training.search.context import SearchRequest, by_roles, hardware_of
from training.search.dealing import Deal, deal
from training.search.few_pads import FewPads
from training.search.picking import measured, pick
from training.search.search import tried

MadeUp = Callable[..., FrozenData]
BUDGET = Budget("small", "cortex-m0plus", 1, 1000, 64, 128, 1000)


@pytest.fixture(scope="module")
def found(made_up: MadeUp) -> list[Candidate]:
    """Candidates of three families on a simulated canister, without limits."""
    hardware = Hardware(16, 3, CountLaw.FALLS, 100, 10, 200.0)
    context = by_roles(made_up(3), hardware, SearchRequest("m"))
    candidates = tried(context, (FewPads(("line", "hinge", "trees")),))[1]
    return [c for c in candidates if not isinstance(c, Refused)]


def test_one_recipe_is_tried_alone_where_it_is_named(made_up: MadeUp) -> None:
    """Neither another size nor other bits of its family stand beside it."""
    hardware, only = Hardware(16, 3, CountLaw.FALLS, 100, 10, 200.0), Recipe("hinge", 8, 16)
    context = by_roles(made_up(3), hardware, SearchRequest("m"))
    candidates = tried(context, (FewPads(("hinge",), only),))[1]
    assert [candidate.recipe for candidate in candidates] == [only]


def dealt(data: FrozenData) -> Deal:
    """The folds of a search whose fits are short."""
    return deal(by_roles(data, hardware_of(data), SearchRequest("m")), in_turn=True)


def _judged(candidates: list[Candidate], limits: Limits) -> list[Candidate]:
    """The candidates as a search with ``limits`` gives them."""
    return [replace(c, meets=meets_limits(limits, c.cautious)) for c in candidates]


def _cost_of(flash: Callable[[Program], int]) -> CostModel:
    def cost(program: Program, budget: Budget) -> Cost:
        return Cost(budget.core, flash(program), 0, 0, 0, 0, 100, 100.0)

    return cost


def _more_than_tables(more: int, program: Program) -> int:
    return table_bytes(program) + more


def _priced(candidates: list[Candidate], cost: CostModel) -> list[Candidate]:
    """The candidates measured for the budget; none of them is lost."""
    priced = measured(candidates, SearchRequest("m", budget=BUDGET, cost=cost))
    assert len(priced) == len(candidates)
    return [c for c in priced if isinstance(c, Candidate)]


def _bound(candidates: list[Candidate], rank: int) -> Limits:
    """Limits that exactly ``rank`` candidates meet."""
    errors = sorted(c.error for c in candidates)
    return Limits("l", 1, (Limit("p95_abs_mm", (errors[rank - 1] + errors[rank]) / 2, "clean"),))


def test_where_none_fits_the_leanest_firmware_is_measured(found: list[Candidate]) -> None:
    """Candidates are measured for a firmware that uses init, prepare and step alone only where none fits
    otherwise, and where one does so; else the figures stay those of what is usual.
    """

    def priced(usual: int, lean: int) -> list[Candidate]:
        cost, leanest = (_cost_of(partial(_more_than_tables, more)) for more in (usual, lean))
        request = SearchRequest("m", budget=BUDGET, cost=cost, leanest=leanest)
        return [c for c in measured(found, request) if isinstance(c, Candidate) and c.cost is not None]

    most = BUDGET.flash_bytes
    assert not any(c.leanest for c in priced(0, -most))
    lean = priced(most, 0)
    assert all(c.leanest for c in lean)
    assert any(c.within for c in lean)
    assert not any(c.leanest or c.within for c in priced(most, most))


def test_what_its_weights_alone_put_over_the_budget_is_not_compiled(found: list[Candidate]) -> None:
    """A candidate is measured only where its weights leave a chance; where none does, all are, so that the
    smallest can be told.
    """
    builder = Builder("wide", count_bits=16, channels=1, period_ms=100, span=6400)
    rows = tuple((200 + k,) for k in range(600))  # 16 bits each: 1,200 bytes of 1,000
    wide = builder.node("reduce_max", builder.node("dense", "counts", weights=rows, bias=(0,) * 600))
    level = builder.node("clip", wide, low=0, high=6400)
    zero = builder.const(0)
    program = builder.finish(low=zero, level=level, high=zero, validity=builder.const(1), flags=zero)
    assert weight_bytes(program) == 1200 > BUDGET.flash_bytes
    large = replace(min(found, key=lambda c: c.error), program=program)
    priced = _priced([large, *found], _cost_of(table_bytes))
    assert priced[0].cost is None
    assert any(c.cost is not None for c in priced[1:])
    assert _priced([large], _cost_of(table_bytes))[0].cost is not None


def test_the_smallest_that_meets_is_taken(found: list[Candidate]) -> None:
    """Of the candidates that meet the limits the one with the least estimated flash is chosen, whatever its
    score.
    """
    limits = _bound(found, 6)
    candidates = _judged(found, limits)
    chosen, why = pick(candidates, limits)
    meeting = [c for c in candidates if c.meets]
    assert len(meeting) == 6
    assert table_bytes(chosen.program) == min(table_bytes(c.program) for c in meeting)
    assert "of 6 candidates that meet the limits" in why
    nearly = [chosen, *(c for c in candidates if not c.meets)]
    assert pick(nearly, limits)[1].startswith(f"the only candidate of {len(nearly)} that meets the limits")
    assert pick([chosen], limits)[1].startswith("the only candidate that meets the limits")
    assert pick([chosen], None) == (chosen, "no limits were given, and there is one candidate")


def test_nothing_meets(found: list[Candidate]) -> None:
    """When no candidate meets the limits the nearest is given and the reason says so."""
    limits = Limits("l", 1, (Limit("rmse_mm", 0.001),))
    candidates = _judged(found, limits)
    chosen, why = pick(candidates, limits)
    assert chosen.error == min(c.error for c in candidates)
    assert why.startswith("no candidate meets the limits on the groups to choose by; the nearest is ")


def test_measured_flash_decides(found: list[Candidate]) -> None:
    """With a cost model the measured flash decides, not the estimate; candidates that miss the limits are not
    compiled.
    """
    limits = _bound(found, 5)
    candidates = _judged(found, limits)
    priced = _priced(candidates, _cost_of(lambda program: 900 - table_bytes(program) // 100))
    assert [c.cost is not None for c in priced] == [bool(c.meets) for c in candidates]
    chosen, why = pick(priced, limits)
    assert chosen.cost is not None
    assert chosen.cost.flash == min(c.cost.flash for c in priced if c.cost is not None)
    assert "fit the budget" in why


def test_meeting_but_too_large(found: list[Candidate]) -> None:
    """When all that meet are over the budget, the best that fits is taken and the reason says which of the
    two failed.
    """
    limits = _bound(found, 3)
    candidates = _judged(found, limits)
    meeting = [table_bytes(c.program) for c in candidates if c.meets]
    priced = _priced(candidates, _cost_of(lambda program: 2000 if table_bytes(program) in meeting else 500))
    chosen, why = pick(priced, limits)
    assert chosen.within
    assert chosen.meets is False
    assert why.startswith("no candidate that fits the budget meets the limits")


def test_nothing_fits(found: list[Candidate]) -> None:
    """When nothing fits the budget, everything was measured, the smallest is given, and it is over."""
    priced = _priced(found, _cost_of(lambda program: 1001 + table_bytes(program)))
    chosen, why = pick(priced, None)
    assert all(c.cost is not None for c in priced)
    assert chosen.within is False
    assert chosen is min(
        (c for c in priced if c.cost is not None), key=lambda c: c.cost.flash if c.cost else 0
    )
    assert why == "no candidate fits the budget; the smallest is given"


def test_without_limits_the_best_score_counts(found: list[Candidate]) -> None:
    """Without limits the chosen one errs within 2 % of the best, or over groups in pairs by no more than one
    standard error (Breiman et al., Classification and Regression Trees, 1984: one standard error); of two
    groups, which tell no spread, within 2 %.
    """
    best, chosen = min(found, key=lambda c: c.error), pick(found, None)[0]
    apart = _p95_by_group(chosen) - _p95_by_group(best)
    assert len(apart) == 4
    assert chosen.error <= 1.02 * best.error or apart.mean() <= apart.std(ddof=1) / len(apart) ** 0.5
    two = [replace(c, groups=_first_groups(c, 2)) for c in found]
    assert pick(two, None)[0].error <= 1.02 * best.error


def _p95_by_group(candidate: Candidate) -> Floats:
    assert candidate.groups is not None
    errors = np.hypot(candidate.groups.p95_mm["clean"], 1.96 * candidate.quantisation_error_mm)
    return np.asarray(errors, np.float64)


def _first_groups(candidate: Candidate, count: int) -> ByGroup:
    assert candidate.groups is not None
    groups = candidate.groups
    p95, given = ({k: v[:count] for k, v in of.items()} for of in (groups.p95_mm, groups.given))
    return ByGroup(groups.groups[:count], p95, given)


def test_a_candidate_without_integers_is_not_chosen(found: list[Candidate]) -> None:
    """What cannot be written in integers is never chosen, and nothing at all is an error with the reason."""
    best = pick(found, None)[0]
    others = [Refused(c.recipe, None, "weights") if c is best else c for c in found]
    assert pick(others, None)[0] is not best
    with pytest.raises(InputError, match="weights"):
        pick([Refused(c.recipe, None, "weights") for c in found], None)


def _by_level(data: FrozenData, role: Role = Role.FIT) -> FrozenData:
    """The same frames, grouped into ten slices of level."""
    group = np.minimum((data.level_mm / 20.0).astype(np.int64), 9)
    roles = tuple((f"slice-{k}", role if k % 3 else Role.FIT) for k in range(10))
    return replace(data, frozen=replace(data.frozen, group_by=GroupBy.LEVEL, roles=roles), group=group)


def test_folds_leave_whole_groups_out(made_up: MadeUp) -> None:
    """Without choose groups each fit group is left out once and never stands on both sides; end levels always
    stay in the fit.
    """
    data = _by_level(made_up(1, choose=0, prove=0))
    parts, how = dealt(data).folds, dealt(data).how
    left_out = np.concatenate([np.unique(data.group[part.score]) for part in parts])
    assert sorted(left_out.tolist()) == list(range(1, 9))
    for part in parts:
        assert not set(data.group[part.fit]) & set(data.group[part.score])
        assert {0, 9} <= set(data.group[part.fit].tolist())
    assert "extrapolate" in how


def test_with_choose_groups_fit_groups_are_scored_too(made_up: MadeUp) -> None:
    """Every fit and choose row once, by a fit to other groups; the choose rows by the fit that is kept."""
    data = made_up(1)
    first, *parts = dealt(data).folds
    assert (first.fit == data.rows(Role.FIT)).all()
    assert (first.score == data.rows(Role.CHOOSE)).all()
    times = np.sum([fold.score for fold in (first, *parts)], axis=0)
    assert np.array_equal(times, data.rows(Role.FIT) | data.rows(Role.CHOOSE))
    for part in parts:
        assert not set(data.group[part.fit]) & set(data.group[part.score])
    how = "scored on 2 'choose' groups, and on 2 'fit' groups by cross-validation in 2 parts"
    assert dealt(data).how == how


def test_few_groups_are_scored_on_the_choose_groups_alone(made_up: MadeUp) -> None:
    """Where fit and choose groups are fewer than four, where one alone is fitted on, and where groups are
    levels, which a model can't be fitted without: one fold, and why.
    """
    for data, why in (
        (made_up(1, units=4, choose=1, prove=1), "2 'fit' and 1 'choose' groups are too few"),
        (made_up(1, units=5, choose=3, prove=1), "1 'fit' and 3 'choose' groups are too few"),
        (_by_level(made_up(1, choose=0, prove=0), Role.CHOOSE), "would have to extrapolate"),
    ):
        (part,), how = dealt(data).folds, dealt(data).how
        assert (part.fit == data.rows(Role.FIT)).all()
        assert (part.score == data.rows(Role.CHOOSE)).all()
        assert "'choose' groups alone: " in how
        assert why in how


def test_few_pads_are_judged_on_fit_groups_too(found: list[Candidate]) -> None:
    """Figures of each of the two fit and the two choose groups, of every candidate."""
    for candidate in found:
        assert candidate.groups is not None
        assert candidate.groups.groups == ("unit-0", "unit-1", "unit-2", "unit-3")


def test_fit_groups_are_judged_by_fits_without_them(found: list[Candidate], made_up: MadeUp) -> None:
    """The P95 of each unit is that of a line fitted by hand to the rows of the others of its deal."""
    data = made_up(3)
    hardware = Hardware(16, 3, CountLaw.FALLS, 100, 10, 200.0)
    line = next(c for c in found if c.recipe == Recipe("line", 1, 16))
    for fold in dealt(data).folds:
        fitted = fit_sizes("line", [1], rows_of(data, fold.fit), hardware, 0)[1]
        trims = np.zeros((len(data.frozen.sessions), 0), np.int64)
        by_hand = by_group(judge(quantise(fitted, 16, hardware, "by hand"), data, fold.score, trims, 200.0))
        assert line.groups is not None
        at = [line.groups.groups.index(name) for name in by_hand.groups]
        assert at
        assert line.groups.p95_mm["clean"][at].tolist() == by_hand.p95_mm["clean"].tolist()


def test_too_few_groups_are_refused(made_up: MadeUp) -> None:
    """One fit group and no choose group is refused, with what to do about it."""
    with pytest.raises(InputError, match="1 'fit' groups and no 'choose' group"):
        dealt(made_up(1, units=2, choose=0, prove=1))


def test_of_two_of_equal_flash_the_more_exact_is_taken(found: list[Candidate]) -> None:
    """Whichever comes first, and with limits that both meet or without any."""
    one = min(found, key=lambda c: c.error)
    other = replace(one, quantisation_error_mm=one.quantisation_error_mm + 0.001)
    for limits in (None, Limits("l", 1, (Limit("rmse_mm", 1000.0),))):
        for pair in ([one, other], [other, one]):
            candidates = pair if limits is None else _judged(pair, limits)
            priced = _priced(candidates, _cost_of(lambda _: 500))
            assert [c.cost is not None for c in priced] == [True, True]
            assert pick(priced, limits)[0].error == one.error < other.error < 1.02 * one.error
