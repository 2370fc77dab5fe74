"""Training: a frozen set in, a program, its float twin and its figures out. Same input, same bytes."""

from __future__ import annotations

import platform
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import version

import numpy as np
from threadpoolctl import threadpool_limits

from dataset.errors import InputError
from dataset.records import CountLaw, FrozenData, Role
from training.models.families import BITS, FAMILIES
from training.models.recipes import Hardware, Recipe
from training.rows import Rows, in_order, rows_of
from training.search.array_recipes import ARRAY, ARRAY_CHANNELS
from training.search.arrays import Arrays
from training.search.candidates import Kind
from training.search.context import SearchRequest, by_roles, hardware_of
from training.search.few_pads import FewPads
from training.search.result import SearchResult
from training.search.search import search

_LIBRARIES = ("innage", "numpy", "scipy", "scikit-learn", "onnx", "skl2onnx")


@dataclass(frozen=True)
class Trained(SearchResult):
    """A chosen model: what the chip computes, the float model it came from, JSON-ready facts, and the
    versions of what made it.
    """

    versions: dict[str, str]


def train(
    data: FrozenData,
    request: SearchRequest,
    *,
    families: Sequence[str] | None = None,
    trim: str | None = None,
    recipe: str | None = None,
    since_pour: bool = False,
) -> Trained:
    """Search the families, pick the smallest model that meets the limits and fits the budget, and score it
    once on 'prove'.

    ``families`` names what is tried, of FAMILIES and ARRAY; None means ARRAY for four channels or more, with
    ``trim`` naming the trim to train for, and all FAMILIES, which take no trims, for fewer. ``recipe`` names
    the one that is fitted, see :func:`named_recipe`, in place of families. ``since_pour``: pad arrays are
    told how many seconds ago liquid last came in. Raises InputError
    for void sessions, mixed sensors, too few groups, families that are unknown or not for so few channels, an
    unknown recipe, counts that run against the sensor's count law, or ``since_pour`` without a pad array or
    a session that says when liquid came in.
    """
    _check_families(families)
    data = in_order(data)
    hardware = hardware_of(data)
    _check(data, hardware)
    context, kinds = by_roles(data, hardware, request), _kinds(hardware, families, trim, told=since_pour)
    if since_pour and (recipe is not None or not any(isinstance(kind, Arrays) for kind in kinds)):
        raise InputError(
            "the time since the last pour",
            "a model that is no pad array",
            "a model of family array, whose foam it tells",
            "train without it",
            fields=("since_pour",),
        )
    if recipe is not None:
        kinds = (_only(hardware, recipe, families),)
    with threadpool_limits(limits=1):
        return with_versions(search(context, kinds))


def with_versions(result: SearchResult) -> Trained:
    """A result with the versions of this computer's libraries."""
    return Trained(result.program, result.float_onnx, result.recipe, result.metrics, _versions())


def _check_families(families: Sequence[str] | None) -> None:
    for family in families or ():
        if family not in (*FAMILIES, ARRAY):
            raise InputError("family", f"'{family}'", "one of " + ", ".join((*FAMILIES, ARRAY)))


def families_tried(channels: int, families: Sequence[str] | None) -> tuple[str, ...]:
    """The families that are tried for so many channels where ``families`` are asked for."""
    usual = (ARRAY,) if channels >= ARRAY_CHANNELS else FAMILIES
    return tuple(dict.fromkeys(families or usual))


def _kinds(
    hardware: Hardware, families: Sequence[str] | None, trim: str | None, *, told: bool
) -> tuple[Kind, ...]:
    """The kinds of models to try."""
    wanted = families_tried(hardware.channels, families)
    if ARRAY in wanted and hardware.channels < ARRAY_CHANNELS:
        counted = f"{hardware.channels} {'channel' if hardware.channels == 1 else 'channels'}"
        needed = f"a pad array of at least {ARRAY_CHANNELS} channels"
        raise InputError("family", f"'{ARRAY}' for {counted}", needed)
    few = tuple(family for family in wanted if family != ARRAY)
    return (*((Arrays(trim, told=told),) if ARRAY in wanted else ()), *((FewPads(few),) if few else ()))


def named_recipe(name: str, channels: int) -> Recipe:
    """The recipe of few pads that ``name`` spells: its family, size and bits, as in 'hinge-8-16'. InputError
    where there is none of that name for so many channels.
    """
    family, *numbers = name.split("-")
    if family not in FAMILIES:
        one_of = " or ".join(FAMILIES)
        raise InputError(
            "recipe", f"'{name}'", f"FAMILY-SIZE-BITS with a family of {one_of}: hinge-8-16, say"
        )
    sizes = FAMILIES[family].sizes(channels)
    for size in sizes:
        for bits in BITS:
            if numbers == [str(size), str(bits)]:
                return Recipe(family, size, bits)
    of_size = ", ".join(str(size) for size in sizes)
    of_bits = " or ".join(str(bits) for bits in BITS)
    expected = (
        f"{family}-SIZE-BITS with a size of {of_size} and {of_bits} bits: {family}-{sizes[0]}-{BITS[0]}, say"
    )
    raise InputError("recipe", f"'{name}'", expected)


def _only(hardware: Hardware, name: str, families: Sequence[str] | None) -> Kind:
    """The one recipe that is tried, whatever the number of channels."""
    recipe = named_recipe(name, hardware.channels)
    if families:
        raise InputError(
            "recipe",
            f"'{name}' and families {', '.join(families)}",
            "one or the other",
            "the family stands in its name",
            fields=("recipe", "families"),
        )
    return FewPads((recipe.family,), recipe)


def _check(data: FrozenData, hardware: Hardware) -> None:
    where = f"frozen set '{data.frozen.name}'"
    void = [s.id for s in data.frozen.sessions if s.void_reason is not None]
    if void:
        raise InputError(
            where,
            f"void sessions {', '.join(void)}",
            "sessions that are not void",
            "freeze a set without them",
        )
    fit = data.rows(Role.FIT)
    if not fit.any():
        raise InputError(where, "no frames in 'fit' groups", "labelled frames to fit on")
    rows = rows_of(data, fit)
    low, high = rows.label_range
    if high <= low:
        raise InputError(where, f"all 'fit' labels at {low:g} mm", "at least two levels")
    _check_law(where, rows, hardware)


def _check_law(where: str, rows: Rows, hardware: Hardware) -> None:
    """The channel that follows the level best must follow it in the direction that the count law says."""
    spread = rows.counts.std(axis=0)
    if not spread.any():
        raise InputError(
            where, "counts that never change", "counts that follow the level", "check the channels"
        )
    level = rows.level_mm - rows.level_mm.mean()
    moves = (rows.counts - rows.counts.mean(axis=0)).T @ level / np.where(spread > 0, spread, np.inf)
    channel = int(np.argmax(np.abs(moves)))
    rising = bool(moves[channel] > 0)
    if rising != (hardware.count_law is CountLaw.RISES):
        moving = f"counts of channel {channel} that {'rise' if rising else 'fall'} with the level"
        raise InputError(
            where,
            moving,
            f"the sensor's count law '{hardware.count_law}'",
            "give the sensor a new revision with the right count law",
        )


def _versions() -> dict[str, str]:
    libraries: Mapping[str, str] = {library: version(library) for library in _LIBRARIES}
    return {"python": platform.python_version(), "machine": platform.machine(), **libraries}
