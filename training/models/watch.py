"""The watcher: two small nets beside the level's, one that says how far the level is to be believed, one that
says what is on the liquid and the wall.

Their outputs, each about 0 to 1: of the error net ``doubt`` (how large an error of the level to expect) and
``strange`` (unlike any capture: a pad unplugged, a hand at the wall), of the condition net ``foam`` and
``film``. One net for all four finds less of each and takes longer to fit. The errors that doubt is learnt
from are those of level nets on units that their fit had not seen. What is strange is made up here, since
nobody can capture the unknown: pads cut off, stuck or exchanged, and a hand's smooth rise across several
pads, put on captured frames.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from dataset.records import FrozenData, Surface, Wall
from training.models.features import still_features
from training.models.nets import Net, NetPlan, fit_net
from training.models.trimming import SHARE_HIGH, SHARE_LOW, SHARE_ONE, Trimming
from training.rows import Floats, Ints, Mask, group_weights

ONE = 1 << 10  # the integer that an output of 1 becomes
# of clean frames may be called foam: they get the level of the net for foam, which is worse on them
FALSE_FOAM = 0.02
_DOUBT_FULL = 0.06  # of the span: errors beyond this are all the same
_STRANGE_SHARE = 0.35  # made-up frames, per captured frame
_LEAST_CHANGE = 0.3  # of the swing, on some pad: less than that could be a drop
_HAND = (0.35, 1.2)  # height of a hand's rise, in swings
_HAND_WIDTH = (0.8, 2.5)  # in pads
_RIDGE = 1e-4


@dataclass(frozen=True)
class States:
    """What was stated of each row, as masks (n,): foam on the liquid, film or drops on the wall, a tank with
    nothing else in it, a dry one, clean liquid.
    """

    foam: Mask
    film: Mask
    empty: Mask
    dry: Mask
    clean: Mask

    def where(self, rows: Mask | Ints) -> States:
        return States(self.foam[rows], self.film[rows], self.empty[rows], self.dry[rows], self.clean[rows])


def joined_states(parts: Sequence[States]) -> States:
    """The states of several lots of rows, one after the other."""
    names = ("foam", "film", "empty", "dry", "clean")
    return States(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))


def states_of(data: FrozenData) -> States:
    """The states of all rows. A row of which nothing is stated counts as clean."""
    foam, film, rough = (
        np.asarray([test(c) for c in data.conditions], np.bool_)[data.condition]
        for test in (_foam, _film, _rough)
    )
    empty = (data.level_mm <= 0) & ~foam  # foam stands on liquid, if on little
    return States(foam, film, empty, empty & ~film, ~foam & ~film & ~rough & ~empty)


def _foam(c: object) -> bool:
    return Surface.FOAM in c.surface  # type: ignore[attr-defined]  # rows hold conditions


def _film(c: object) -> bool:
    return Wall.FILM in c.wall or Wall.DROPS in c.wall  # type: ignore[attr-defined]  # rows hold conditions


def _rough(c: object) -> bool:
    return Surface.SLOSHING in c.surface or Wall.SCALE in c.wall  # type: ignore[attr-defined]  # rows hold conditions


def doubt_of(error_mm: Floats, span_mm: float) -> Floats:
    """The target of doubt for an error: its size up to 6 % of the span, as a share of that."""
    return np.minimum(np.abs(error_mm) / (_DOUBT_FULL * span_mm), 1.0)


def make_strange(shares: Floats, rng: np.random.Generator, count: int) -> Floats:
    """``count`` made-up frames, (count, channels), from captured shares (n, channels); each differs from its
    frame by 0.3 swings on some pad.
    """
    n, channels = shares.shape
    kinds: Sequence[Callable[[Floats, np.random.Generator], Floats]] = (_cut_off, _stuck, _exchanged, _hand)
    frames: list[Floats] = []
    while sum(map(len, frames)) < count:
        base = shares[rng.integers(0, n, count)]
        changed = kinds[len(frames) % len(kinds)](base, rng)
        changed = np.clip(changed, SHARE_LOW, SHARE_HIGH)
        far = np.abs(changed - base).max(axis=1) > _LEAST_CHANGE * SHARE_ONE
        frames.append(changed[far][: count // len(kinds) + 1])
    return np.concatenate(frames)[:count].reshape(-1, channels)


def _cut_off(base: Floats, rng: np.random.Generator) -> Floats:
    cut = base.copy()
    for _ in range(2):
        pad = rng.integers(0, base.shape[1], len(base))
        cut[np.arange(len(base)), pad] = rng.uniform(SHARE_LOW, SHARE_HIGH, len(base))
    return cut


def _stuck(base: Floats, rng: np.random.Generator) -> Floats:
    stuck = base.copy()
    pad = rng.integers(0, base.shape[1], len(base))
    stuck[np.arange(len(base)), pad] = rng.choice([0.0, float(SHARE_ONE)], len(base))
    return stuck


def _exchanged(base: Floats, rng: np.random.Generator) -> Floats:
    exchanged = base.copy()
    for row in range(len(base)):
        a, b = rng.choice(base.shape[1], 2, replace=False)
        exchanged[row, [a, b]] = exchanged[row, [b, a]]
    return exchanged


def _hand(base: Floats, rng: np.random.Generator) -> Floats:
    n, channels = base.shape
    centre, wide = rng.uniform(-1, channels, (n, 1)), rng.uniform(*_HAND_WIDTH, (n, 1))
    height = rng.uniform(*_HAND, (n, 1)) * SHARE_ONE
    return base + height * np.exp(-(((np.arange(channels) - centre) / wide) ** 2))


@dataclass(frozen=True)
class Watcher:
    """Float nets: ``error`` gives doubt and strange, ``condition``, of the same features and of what is told
    of pours, foam and film.
    """

    error: Net
    condition: Net


@dataclass(frozen=True)
class WatchRows:
    """What a watcher is fitted to, rows (n, ...): features, shares, states, groups; ``told``: features of
    what is told of pours, None without.
    """

    features: Floats
    shares: Floats
    states: States
    group: Ints
    told: Floats | None = None


def fit_error_net(
    rows: WatchRows, doubt: Floats, groups: Sequence[str], trimming: Trimming, plan: NetPlan
) -> Net:
    """The watcher's net for doubt and strange, fitted to rows with their targets of ``doubt`` (n,) and to
    made-up strange frames; ``groups`` and ``trimming`` are those of the features, without what is told.
    """
    rng = np.random.default_rng(plan.seed)
    odd = make_strange(rows.shares, rng, max(int(_STRANGE_SHARE * len(rows.shares)), 8))
    real = np.column_stack([doubt, np.zeros(len(doubt))])
    # the level of a strange frame is surely wrong; of foam and film it says nothing
    return fit_net(
        np.vstack([rows.features, still_features(odd, groups, trimming)]),
        np.vstack([real, np.ones((len(odd), 2))]),
        np.concatenate([group_weights(rows.group), np.ones(len(odd))]),
        replace(plan, ridge=_RIDGE),
    )


def fit_condition_net(rows: WatchRows, plan: NetPlan) -> Net:
    """The watcher's net for foam and film, of the same features and of what is told of pours."""
    on_it = np.column_stack([rows.states.foam, rows.states.film]).astype(np.float64)
    seen = rows.features if rows.told is None else np.hstack([rows.features, rows.told])
    return fit_net(seen, on_it, group_weights(rows.group), replace(plan, ridge=_RIDGE))
