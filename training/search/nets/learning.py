"""All fits of the array search as tasks side by side, each begun as soon as what it needs is there.

Watchers need the targets of doubt, and these a few level nets that were fitted without a part of the units:
those begin first. A candidate is judged when its own nets are there. Every fit has its own seed and one
thread, and what is learnt is put together in the order of recipes and folds, so that where and when a fit was
done changes nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence
from typing import Any

from dataset.pools import Round, Task
from training.models.features import groups_of
from training.models.nets import Net
from training.models.watch import Watcher, states_of
from training.rows import Floats, Mask
from training.search.array_recipes import FOAM, MOVING, PLAIN, ArrayRecipe, LevelTask, WatcherTask
from training.search.context import SearchContext
from training.search.dealing import Fold
from training.search.nets.fitting import (
    KEPT,
    LEFT_OUT,
    Effort,
    FeatureTable,
    Learnt,
    Nets,
    learn_condition_net,
    learn_error_net,
    learn_level,
    unseen_doubt,
)

Judge = Callable[[SearchContext, FeatureTable, ArrayRecipe, Learnt], Any]
STAGES = ("fitting level nets", "fitting watchers", "judging candidates")
_LEVEL, _ERROR, _CONDITION, _JUDGED = "level net", "error net", "condition net", "candidate"
_STAGE_OF = {_LEVEL: STAGES[0], _ERROR: STAGES[1], _CONDITION: STAGES[1], _JUDGED: STAGES[2]}


def learn_all(
    context: SearchContext, table: FeatureTable, recipes: Sequence[ArrayRecipe], folds: Sequence[Fold]
) -> Learnt:
    """All float nets of the recipes, for each of the folds: those of the first are kept."""
    return _learnt(context, table, recipes, folds, None).of(recipes)


def learn_and_judge(
    context: SearchContext,
    table: FeatureTable,
    recipes: Sequence[ArrayRecipe],
    folds: Sequence[Fold],
    judge: Judge,
) -> tuple[Learnt, list[Any]]:
    """The same, and what ``judge``, a function at the top of a module, says of each recipe from its nets."""
    learning = _learnt(context, table, recipes, folds, judge)
    return learning.of(recipes), [learning.results[_JUDGED, k] for k in range(len(recipes))]


def _learnt(
    context: SearchContext,
    table: FeatureTable,
    recipes: Sequence[ArrayRecipe],
    folds: Sequence[Fold],
    judge: Judge | None,
) -> _Learning:
    with context.request.pool.begin() as begun:
        learning = _Learning(begun, context, table, recipes, folds, judge)
        for key, result in begun:
            learning.take(key, result)
    return learning


class _Learning:
    """Fits under way, and ``results`` of those that are done, by key."""

    def __init__(
        self,
        begun: Round,
        context: SearchContext,
        table: FeatureTable,
        recipes: Sequence[ArrayRecipe],
        folds: Sequence[Fold],
        judge: Judge | None,
    ) -> None:
        self._begun, self._context, self._table, self._folds = begun, context, table, folds
        self._judge, self.results = judge, dict[Hashable, Any]()
        self._given = begun.share(context.for_workers()), begun.share(table)
        self._dealt, self._fit = begun.share(tuple(folds)), [begun.share(fold.fit) for fold in folds]
        self._to_judge = dict(enumerate(recipes)) if judge is not None else {}
        moving = groups_of(table.trimming, MOVING)
        self._doubting = _doubting(context, moving, max(recipe.steps for recipe in recipes))
        levels = _largest_first(task for recipe in recipes for task in recipe.levels())
        self._watchers = _largest_first(recipe.watching() for recipe in recipes)
        first = [(_LEVEL, k, task) for k in self._parts for task in self._doubting]
        others = [(_LEVEL, k, task) for k in range(len(folds)) for task in levels]
        self._levels = dict.fromkeys((*first, *others))
        totals = len(self._levels), 2 * len(self._watchers) * len(folds), len(self._to_judge)
        self._totals = dict(zip(STAGES, totals, strict=True))
        self._done = dict.fromkeys(STAGES, 0)
        self._tell()
        for key in self._levels:
            _, k, task = key
            begun.add(Task(key, _fitted_level, (*self._given, self._fit[k], task, _effort(k))))
        self._missing = set(first)
        if not first:
            self._add_watchers()

    def take(self, key: Hashable, result: Any) -> None:
        """A task is done: others may begin."""
        self.results[key] = result
        kind = key[0]  # type: ignore[index]  # keys are of this class
        self._done[_STAGE_OF[kind]] += 1
        if self._missing:
            self._missing.discard(key)
            if not self._missing:
                self._add_watchers()
        for n in [n for n, recipe in self._to_judge.items() if self._is_learnt(recipe)]:
            self._add_judging(n, self._to_judge.pop(n))
        self._tell()

    def of(self, recipes: Sequence[ArrayRecipe]) -> Learnt:
        """The nets of these recipes, fold by fold."""
        kept, *parts = (self._nets(k, recipes) for k in range(len(self._folds)))
        return Learnt(kept, tuple(parts))

    @property
    def _parts(self) -> range:
        """The folds that leave a part of the fit units out."""
        return range(1, len(self._folds))

    def _nets(self, k: int, recipes: Sequence[ArrayRecipe]) -> Nets:
        levels = {task: self.results[_LEVEL, k, task] for recipe in recipes for task in recipe.levels()}
        watchers = {
            task: Watcher(self.results[_ERROR, k, task], self.results[_CONDITION, k, task])
            for task in (recipe.watching() for recipe in recipes)
        }
        return Nets(self._folds[k], levels, watchers)

    def _is_learnt(self, recipe: ArrayRecipe) -> bool:
        return all(
            (kind, k, task) in self.results for k in range(len(self._folds)) for kind, task in _needs(recipe)
        )

    def _add_watchers(self) -> None:
        """All watchers, now that it is known what to doubt."""
        nets = [
            (self._folds[k], {task: self.results[_LEVEL, k, task] for task in self._doubting})
            for k in self._parts
        ]
        doubt = self._begun.share(unseen_doubt(self._context, self._table, self._doubting, nets))
        for k in range(len(self._folds)):
            for task in self._watchers:
                given = *self._given, self._fit[k], task
                self._begun.add(Task((_ERROR, k, task), _fitted_error_net, (*given, doubt, _effort(k))))
                self._begun.add(Task((_CONDITION, k, task), _fitted_condition_net, (*given, _effort(k))))

    def _add_judging(self, n: int, recipe: ArrayRecipe) -> None:
        learnt = self.of([recipe])
        nets = tuple((one.levels, one.watchers) for one in (learnt.kept, *learnt.left_out))
        self._begun.add(Task((_JUDGED, n), _judged, (*self._given, self._dealt, self._judge, recipe, nets)))

    def _tell(self) -> None:
        """How far the first stage is that is not done: several run at once."""
        left = [stage for stage in STAGES if self._done[stage] < self._totals[stage]]
        having = [stage for stage in STAGES if self._totals[stage]]
        stage = left[0] if left else having[-1]
        self._context.request.progress(stage, self._done[stage], self._totals[stage])


def _needs(recipe: ArrayRecipe) -> Iterator[tuple[str, LevelTask | WatcherTask]]:
    """Kinds and tasks of the nets that a recipe is made of."""
    yield from ((_LEVEL, task) for task in recipe.levels())
    yield from ((kind, recipe.watching()) for kind in (_ERROR, _CONDITION))


def _effort(k: int) -> Effort:
    return LEFT_OUT if k else KEPT


def _largest_first(tasks: Iterable[Any]) -> list[Any]:
    """The largest begin first and end late."""
    return sorted(set(tasks), key=lambda task: (-sum(task.hidden), repr(task)))


def _doubting(context: SearchContext, groups: tuple[str, ...], steps: int) -> tuple[LevelTask, ...]:
    """The level nets from whose errors doubt is learnt, one for plain liquid, and one for foam where there
    is some.
    """
    foam = states_of(context.data).foam[context.fit].any()
    return tuple(LevelTask(groups, (12, 6), steps, frames) for frames in (PLAIN, *((FOAM,) if foam else ())))


def _fitted_level(
    context: SearchContext, table: FeatureTable, fit: Mask, task: LevelTask, effort: Effort
) -> Net:
    return learn_level(context.fitted_on(fit), table, task, effort)


def _fitted_error_net(
    context: SearchContext, table: FeatureTable, fit: Mask, task: WatcherTask, doubt: Floats, effort: Effort
) -> Net:
    return learn_error_net(context.fitted_on(fit), table, task, doubt, effort)


def _fitted_condition_net(
    context: SearchContext, table: FeatureTable, fit: Mask, task: WatcherTask, effort: Effort
) -> Net:
    return learn_condition_net(context.fitted_on(fit), table, task, effort)


def _judged(
    context: SearchContext,
    table: FeatureTable,
    folds: tuple[Fold, ...],
    judge: Judge,
    recipe: ArrayRecipe,
    nets: tuple[tuple[Mapping[LevelTask, Net], Mapping[WatcherTask, Watcher]], ...],
) -> Any:
    kept, *parts = (Nets(fold, *of_fold) for fold, of_fold in zip(folds, nets, strict=True))
    return judge(context, table, recipe, Learnt(kept, tuple(parts)))
