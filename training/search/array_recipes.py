"""Recipes of pad arrays: what nets a candidate is made of, and which recipes are tried. Light to import."""

from __future__ import annotations

from dataclasses import dataclass, replace

from training.judging.kept import Kept

LEVEL_STEPS, WATCHER_SHARE = 80, 0.75  # steps of a fit; a watcher takes fewer
ARRAY = "array"  # the name that these recipes have among families
ARRAY_CHANNELS = 4  # fewer pads than this have no pattern to watch
PADS, STILL, MOVING = ("shares",), ("shares", "ratios"), ("shares", "ratios", "flow")
ALL = ("shares", "ratios", "flow", "unrest")
POUR = "pour"
EVERY, PLAIN, FOAM = "every", "plain", "foam"  # frames that a level net is for


@dataclass(frozen=True)
class ArrayRecipe(Kept):
    """One candidate: feature groups and units of each hidden layer of level nets and watcher, bits of the
    first weights, patience, trim.

    ``foam``: the hidden layers of a level net for foam; empty where one net serves for all. Of the watcher's
    nets the condition net alone reads ``pour``, what is told of pours.
    """

    hidden: tuple[int, ...]
    bits: int
    watcher: tuple[int, ...]
    watch_groups: tuple[str, ...]
    patience: bool
    trim: str
    level_groups: tuple[str, ...] = STILL
    foam: tuple[int, ...] = ()
    steps: int = LEVEL_STEPS

    @property
    def family(self) -> str:
        return "array net" if not self.foam else "array net, another for foam"

    @property
    def size(self) -> str:
        return "-".join(str(n) for n in self.hidden)

    @property
    def foam_groups(self) -> tuple[str, ...]:
        """What the level net for foam reads: with several frequencies what tells how thick the foam is."""
        told = "dispersion" in self.watch_groups and "dispersion" not in self.level_groups
        return (*self.level_groups, "dispersion") if told else self.level_groups

    @property
    def told(self) -> bool:
        """Whether it is told how long ago liquid last came in."""
        return POUR in self.watch_groups

    @property
    def error_groups(self) -> tuple[str, ...]:
        """What the watcher's error net reads."""
        return tuple(group for group in self.watch_groups if group != POUR)

    def levels(self) -> tuple[LevelTask, ...]:
        """The level nets that it needs, the one for foam last."""
        if not self.foam:
            return (LevelTask(self.level_groups, self.hidden, self.steps, EVERY),)
        return (
            LevelTask(self.level_groups, self.hidden, self.steps, PLAIN),
            LevelTask(self.foam_groups, self.foam, self.steps, FOAM),
        )

    def watching(self) -> WatcherTask:
        """The watcher that it needs."""
        return WatcherTask(self.watch_groups, self.watcher, round(self.steps * WATCHER_SHARE))


@dataclass(frozen=True)
class LevelTask:
    """A level net to be fitted: feature groups, hidden layers, steps, and the frames it is for (EVERY, PLAIN
    or FOAM).
    """

    groups: tuple[str, ...]
    hidden: tuple[int, ...]
    steps: int
    frames: str


@dataclass(frozen=True)
class WatcherTask:
    """A watcher to be fitted: feature groups, hidden layers, steps."""

    groups: tuple[str, ...]
    hidden: tuple[int, ...]
    steps: int


def default_recipes(trim: str, groups: tuple[str, ...] = ALL) -> tuple[ArrayRecipe, ...]:
    """What is tried when nothing else is asked for: from one small net on the pads alone to a net each for
    plain liquid and for foam. Where all weights have 16 bits one function runs every layer: of small nets
    that saves more flash and cycles than weights of 8 bits do. ``groups`` are all features that there are:
    what not every product has is given to the watcher and to the level net for foam. A level net for all
    frames that is given it takes what film shows for what foam does.
    """
    more = tuple(group for group in groups if group not in ALL)
    small = [
        ArrayRecipe(hidden, bits, watcher, watched, False, trim, groups)
        for hidden, bits, watcher, watched, groups in (
            ((8,), 8, (4,), PADS, PADS),
            ((10, 6), 16, (6,), PADS, PADS),
            ((12, 6), 16, (5,), PADS, PADS),
            ((8,), 16, (6, 4), ALL, STILL),
            ((12, 6), 8, (6, 4), ALL, MOVING),
            ((12, 6), 8, (8, 6), ALL, MOVING),
            ((16, 8), 8, (8, 6), ALL, MOVING),
            ((16, 8), 8, (12, 6), ALL, MOVING),
        )
    ]
    large = [
        ArrayRecipe(hidden, bits, watcher, ALL, True, trim, MOVING, foam)
        for hidden, bits, watcher, foam in (
            ((16, 8), 16, (16, 8), ()),
            ((12, 6), 8, (12, 6), (12, 6)),
            ((16, 8), 8, (12, 6), (16, 8)),
            ((16, 8), 16, (12, 6), (16, 8)),
            ((16, 8), 16, (16, 8), (16, 8)),
        )
    ]
    return tuple(replace(recipe, watch_groups=recipe.watch_groups + more) for recipe in (*small, *large))
