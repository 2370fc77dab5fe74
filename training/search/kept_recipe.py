"""What it takes to fit a model again, as a record that is kept as JSON and read as any version wrote it.
Light to import.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, ClassVar, Self

from dataset.errors import InputError
from dataset.words import counted
from training.judging.kept import SPARSE, WITH, Kept
from training.search.array_recipes import POUR, ArrayRecipe


@dataclass(frozen=True)
class NamedSet(Kept):
    """A frozen set by name and hash."""

    name: str
    sha256: str


@dataclass(frozen=True)
class EarlierSet(Kept):
    """The frozen set of an earlier tank, and the hash of both sets joined."""

    name: str
    joined_sha256: str


@dataclass(frozen=True)
class SuperposedFrames(Kept):
    """Frames that a model was fitted on and that were computed, none of them measured as they are: how many,
    the earlier tank's sessions that they were computed from, the new tank's sessions whose response was put
    in place of that tank's, and the ``weight`` of the difference between both that was taken, above 0 to 1.
    """

    frames: int
    sessions: tuple[str, ...]
    response_of: tuple[str, ...]
    weight: float


@dataclass(frozen=True)
class KeptBoard(Kept):
    """What a program knows of sensor and tank, see :class:`training.models.recipes.Hardware`."""

    count_bits: int
    channels: int
    count_law: str
    period_ms: int
    period_tolerance_pct: int
    span_mm: float


@dataclass(frozen=True)
class CountRange(Kept):
    """Least and greatest count of each channel that a model was trained on."""

    low: tuple[int, ...]
    high: tuple[int, ...]


@dataclass(frozen=True, kw_only=True)
class KeptRecipe(Kept):
    """A recipe with the set, the seed and the hardware that it was fitted for. Models of few pads have the
    families that were tried, the range of counts and the count law that they use; pad arrays have their
    ``array`` recipe, which stands among the other entries, all features there were, and their thresholds;
    ``way``, ``earlier`` and ``superposed`` are those of a refit for a new
    tank.
    """

    family: str = ""
    size: int | str = ""
    bits: int | None = None
    frozen: NamedSet | None = None
    seed: int | None = None
    board: KeptBoard | None = None
    families: tuple[str, ...] | None = field(default=None, metadata=SPARSE)
    trained_range: CountRange | None = field(default=None, metadata=SPARSE)
    law: str | None = field(default=None, metadata={WITH: "families"})
    array: ArrayRecipe | None = field(default=None, metadata=SPARSE)
    features: tuple[str, ...] | None = field(default=None, metadata=SPARSE)
    operating: Mapping[str, int] | None = field(default=None, metadata=SPARSE)
    way: str | None = field(default=None, metadata=SPARSE)
    earlier: EarlierSet | None = field(default=None, metadata=SPARSE)
    superposed: SuperposedFrames | None = field(default=None, metadata=SPARSE)

    def to_json(self) -> dict[str, Any]:
        """As :meth:`Kept.to_json`, the entries of ``array`` among the others."""
        kept = super().to_json()
        of_array: dict[str, Any] = kept.pop("array", {})
        return kept | of_array

    def earlier_told(self) -> str | None:
        """What of an earlier tank was fitted too, and what of it was computed; None without."""
        if self.earlier is None:
            return None
        if self.superposed is None:
            return f"Fitted too on sessions of an earlier tank, frozen set {self.earlier.name}."
        return (
            f"Fitted too on {counted(self.superposed.frames, 'frame')} that were computed, not measured: "
            f"{counted(len(self.superposed.sessions), 'session')} of an earlier tank, frozen set "
            f"{self.earlier.name}, superposed on the response that "
            f"{len(self.superposed.response_of)} sessions of this set show."
        )

    @classmethod
    def from_json(cls, kept: object) -> Self | None:
        """As :meth:`Kept.from_json`."""
        recipe = super().from_json(kept)
        if recipe is None or not isinstance(kept, Mapping) or not kept.keys() >= _OF_ARRAY:
            return recipe
        return replace(recipe, array=ArrayRecipe.from_json(kept))

    def inputs_told(self) -> tuple[str, ...]:
        """What the model is told each frame: a sentence on the counts and trims that it takes, and one on
        what each net reads of them; none where the recipe does not say.
        """
        if self.board is None:
            return ()
        recipe = self.array
        trim = TRIMS_TOLD["none"] if recipe is None else TRIMS_TOLD.get(recipe.trim, recipe.trim)
        told = [f"Inputs of a frame: a count of {counted(self.board.channels, 'channel')}, and {trim}"]
        if recipe is not None:
            told.append(f"The net for the level reads {_in_words(recipe.level_groups)}")
            if recipe.foam:
                told.append(f"The net for the level under foam reads {_in_words(recipe.foam_groups)}")
            told.append(f"The nets for doubt, foam and film read {_in_words(recipe.error_groups)}")
            if recipe.told:
                told.append(f"The net for foam and film also reads {INPUTS[POUR]}")
        return tuple(told)


TRIMS_TOLD = {
    "none": "no trim",
    "dry": "its unit's dry trim",
    "block": "its unit's dry and block trim",
    "partial": "its unit's dry and partial trim",
    "full": "its unit's dry and full trim",
}  # see training.models.trimming
INPUTS = {
    "shares": "how wet each pad is",
    "ratios": "each pad over the wettest one",
    "steps": "differences of neighbouring pads",
    "flow": "how far the sum of all pads is from its running mean (filling, draining)",
    "unrest": "how much all pads change from frame to frame",
    "dispersion": "how much more each place shows at its lower frequency than at its highest",
    "pour": "how many seconds ago liquid last came in, where the firmware knows",
}  # groups of features in words, see training.models.features


def _in_words(groups: Sequence[str]) -> str:
    return "; ".join(INPUTS.get(group, group) for group in groups)


_OF_ARRAY = {"hidden", "watcher", "level_groups"}


def read_recipe(text: str) -> KeptRecipe:
    """The recipe of a stored model."""
    recipe = KeptRecipe.from_json(json.loads(text))
    return KeptRecipe() if recipe is None else recipe


@dataclass(frozen=True)
class CurveRecipe(Kept):
    """A model of few pads: a curve from their counts, of a family at one size, with weights of ``bits``; it
    takes no trim.
    """

    family: str
    size: int
    bits: int
    trim: ClassVar[str] = ""


AnyKept = ArrayRecipe | CurveRecipe


def any_recipe(name: str, recipe: KeptRecipe) -> AnyKept:
    """The recipe of a model called ``name``, whichever kind it is of. Raises InputError where it is not
    whole.
    """
    if recipe.array is not None:
        return recipe.array
    if recipe.families is None or not isinstance(recipe.size, int) or recipe.bits is None:
        found = f"family '{recipe.family or 'unknown'}' without the rest of its recipe"
        raise InputError(f"model {name}", found, "a model with its recipe", "train it anew")
    return CurveRecipe(recipe.family, recipe.size, recipe.bits)


def array_recipe(name: str, recipe: KeptRecipe) -> ArrayRecipe:
    """The recipe of a pad array called ``name``. Raises InputError where it is of another model."""
    if recipe.array is None:
        raise InputError(
            f"model {name}",
            f"family '{recipe.family or 'unknown'}', which takes no trims and has no features to vary",
            "a model of a pad array",
            "train the other families anew",
        )
    return recipe.array
