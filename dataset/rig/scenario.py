"""A scenario of the virtual rig: one TOML file with a bench's tanks, liquids, board, spreads and
disturbances, read and checked.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import MISSING, Field, dataclass, fields, is_dataclass
from importlib import resources
from pathlib import Path
from typing import Any, get_args, get_origin, get_type_hints

from dataset.errors import InputError, quoted
from dataset.files.disk import text_at_most
from dataset.records import CountLaw, Liquid, Mounting, Pad, Sensor, Tank
from dataset.rig.media import Medium
from dataset.rig.slices import Slice, pads_of

BUILT_IN = ("washer",)
Range = tuple[float, float]
PATHS = ("steps", "ramp", "drain", "empty")


@dataclass(frozen=True)
class Board:
    """The sensor's electronics: counts and what they are read with."""

    count_law: str
    count_bits: int
    period_ms: int
    counts_per_pf: float
    offset_counts: float
    noise_counts: float
    frequency_hz: float
    pad_width_mm: float
    carrier_mm: float
    shield: bool
    wall_permittivity: float


@dataclass(frozen=True)
class Spread:
    """Standard deviations from unit to unit."""

    gain: float
    pad_gain: float
    offset_counts: float
    pad_offset_counts: float
    gap_mm: float
    mounting_mm: float
    pad_mm: float
    noise: float


@dataclass(frozen=True)
class Temperature:
    ambient_c: Range
    liquid_c: Range
    board_counts_per_k: float
    swing_per_k: float
    drift_counts: float


@dataclass(frozen=True)
class Interference:
    mains_hz: float
    mains_counts: float
    jitter_ms: float
    switching_counts: float
    switching_share: float


@dataclass(frozen=True)
class LiquidMotion:
    slosh_mm: float
    slosh_hz: float
    slosh_decay_s: float
    meniscus_mm: float
    tilt_deg: float
    axis_mm: float


@dataclass(frozen=True)
class Film:
    kinematic_m2_s: float
    wetting: Range
    most_um: float
    drops: Range
    drop_share: Range
    drop_signal: float
    scale_share: float


@dataclass(frozen=True)
class Foam:
    thickness_mm: Range
    rise_s: Range
    collapse_s: Range
    wetness: Range
    drain_s: Range
    least_wetness: float
    flicker: float


@dataclass(frozen=True)
class Hand:
    share: Range
    width_pads: Range


@dataclass(frozen=True)
class Earthing:
    """How the liquid is joined to earth: in that share of sessions it is, in the others it floats."""

    earthed_share: float


@dataclass(frozen=True)
class Operator:
    """What is stated beside the readings, and from when on."""

    label_u_mm: float
    settle_s: float
    foam_seen_mm: float
    film_seen_um: float


@dataclass(frozen=True)
class RigTank:
    """A tank and the strip of pads on it; several of one name are its revisions, in order."""

    name: str
    span_mm: float
    headspace_mm: float
    wall_mm: float
    depth_mm: float
    pads: int
    first_mm: float
    height_mm: float
    pitch_mm: float
    liquids: tuple[str, ...]
    units: int


@dataclass(frozen=True)
class RigLiquid:
    name: str
    permittivity: float
    conductivity: float
    density: float

    @property
    def medium(self) -> Medium:
        return Medium(self.permittivity, self.conductivity)

    @property
    def record(self) -> Liquid:
        return Liquid(self.name, self.permittivity, self.conductivity, self.density, 20.0, "simulated")


@dataclass(frozen=True)
class Recipe:
    """What a capture session does; ``levels_mm`` are those of the steps, drawn when there are none;
    ``liquid_c`` stands in for the scenario's range.
    """

    name: str
    path: str
    frames: int
    levels_mm: tuple[float, ...] = ()
    liquid_c: tuple[float, ...] = ()
    foam: bool = False
    film: bool = False
    drops: bool = False
    scale: bool = False
    earthing: bool = False
    sloshing: bool = False
    hand: bool = False
    unplugged: bool = False


@dataclass(frozen=True)
class Scenario:
    """Everything in the file."""

    name: str
    note: str
    board: Board
    spread: Spread
    temperature: Temperature
    interference: Interference
    liquid_motion: LiquidMotion
    film: Film
    foam: Foam
    hand: Hand
    earthing: Earthing
    operator: Operator
    tank: tuple[RigTank, ...]
    liquid: tuple[RigLiquid, ...]
    recipe: tuple[Recipe, ...]
    plan: tuple[tuple[str, str], ...] = ()  # liquid and recipe of each session that a unit is captured in

    def revision(self, index: int) -> int:
        """The revision number of tank ``index``: how many tanks of its name stand up to it."""
        return sum(t.name == self.tank[index].name for t in self.tank[: index + 1])

    def find_tank(self, ref: str) -> int:
        """The index of the tank called ``name`` (its newest revision) or ``name@2``. InputError when there is
        none.
        """
        names = [f"{t.name}@{self.revision(k)}" for k, t in enumerate(self.tank)]
        if ref in names:
            return names.index(ref)
        indices = [k for k, t in enumerate(self.tank) if t.name == ref]
        if not indices:
            raise InputError(f"scenario {self.name}, tank", quoted(ref), "one of " + ", ".join(names))
        return indices[-1]

    def find_recipe(self, name: str) -> Recipe:
        """The recipe of that name. InputError when there is none."""
        recipe: Recipe = _named(self, "recipe", name, self.recipe)
        return recipe

    def find_liquid(self, name: str) -> RigLiquid:
        """The liquid of that name. InputError when there is none."""
        liquid: RigLiquid = _named(self, "liquid", name, self.liquid)
        return liquid

    def tank_record(self, index: int) -> Tank:
        tank = self.tank[index]
        return Tank(
            tank.name,
            self.revision(index),
            tank.span_mm,
            "PP",
            tank.wall_mm,
            headspace_mm=tank.headspace_mm,
            note="simulated",
        )

    def sensor_record(self, index: int) -> Sensor:
        tank, board = self.tank[index], self.board
        pads = tuple(
            Pad(
                k,
                f"pad{k}",
                tank.first_mm + k * tank.pitch_mm,
                tank.height_mm,
                board.pad_width_mm,
                board.frequency_hz,
            )
            for k in range(tank.pads)
        )
        name = f"{tank.name}-strip" + (f"-{self.revision(index)}" if self.revision(index) > 1 else "")
        return Sensor(
            name, 1, pads, board.count_bits, CountLaw(board.count_law), board.period_ms, note="simulated"
        )

    def mounting_name(self, index: int) -> str:
        return f"{self.tank[index].name}-{self.revision(index)}"

    def mounting_record(self, index: int) -> Mounting:
        return Mounting(
            self.mounting_name(index),
            self.tank_record(index),
            self.sensor_record(index),
            0.0,
            self.spread.mounting_mm,
            "simulated",
        )

    def slice(self, index: int) -> Slice:
        """The geometry of the field solution."""
        tank, board = self.tank[index], self.board
        pads = pads_of(
            [tank.first_mm + k * tank.pitch_mm for k in range(tank.pads)], [tank.height_mm] * tank.pads, 0.0
        )
        return Slice(
            pads,
            board.pad_width_mm,
            tank.wall_mm,
            board.wall_permittivity,
            tank.span_mm + tank.headspace_mm,
            tank.depth_mm,
            carrier_mm=board.carrier_mm,
            shield=board.shield,
            frequency_hz=board.frequency_hz,
        )


def _named(scenario: Scenario, what: str, name: str, among: tuple[Any, ...]) -> Any:
    for one in among:
        if one.name == name:
            return one
    raise InputError(
        f"scenario {scenario.name}, {what}", quoted(name), "one of " + ", ".join(one.name for one in among)
    )


def load_scenario(ref: str) -> Scenario:
    """A built-in scenario by name, or one from a TOML file.

    Raises InputError for a file that cannot be read, and for what is wrong in it, by key.
    """
    if ref in BUILT_IN:
        return read_scenario(
            resources.files("dataset.rig.scenarios").joinpath(f"{ref}.toml").read_text("utf-8"),
            f"scenario {ref}",
        )
    path = Path(ref)
    try:
        text = text_at_most(path)
    except (OSError, UnicodeDecodeError) as error:
        hint = "built in: " + ", ".join(BUILT_IN)
        raise InputError(
            f"scenario {ref}", f"cannot be read ({type(error).__name__})", "a TOML file in UTF-8", hint
        ) from error
    return read_scenario(text, str(path))


def read_scenario(text: str, where: str) -> Scenario:
    """A scenario from TOML; see the built-in one for the keys."""
    try:
        content = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # a whole number of too many digits is no error of TOML
        raise InputError(where, f"is not TOML ({error})", "a scenario") from error
    scenario: Scenario = _build(Scenario, content, where)
    _check(scenario, where)
    return scenario


def _build(kind: type, content: Any, where: str) -> Any:
    """A dataclass from a table, every key checked against its type."""
    if not isinstance(content, Mapping):
        raise InputError(where, quoted(content), "a table")
    known: dict[str, Field[Any]] = {f.name: f for f in fields(kind)}
    hints = get_type_hints(kind)
    for key in content:
        if key not in known:
            raise InputError(f"{where}, {key}", "a key that is not known", "one of " + ", ".join(known))
    values = {}
    for key, field in known.items():
        if key in content:
            values[key] = _value(hints[key], content[key], f"{where}, {key}")
        elif field.default is MISSING:
            raise InputError(f"{where}, {key}", "nothing", "a value", "see the built-in scenario")
    return kind(**values)


def _value(hint: Any, value: Any, where: str) -> Any:
    if isinstance(hint, type) and hasattr(hint, "__dataclass_fields__"):
        return _build(hint, value, where)
    if get_origin(hint) is tuple:
        item, *rest = get_args(hint)
        if not isinstance(value, list) or (rest and rest[0] is not Ellipsis and len(value) != 1 + len(rest)):
            raise InputError(
                where, quoted(value), "two numbers, [least, most]" if item is float else "a list"
            )
        return tuple(_value(item, one, f"{where} {k + 1}") for k, one in enumerate(value))
    if hint is float and isinstance(value, int | float) and not isinstance(value, bool):
        return float(value)
    if type(value) is hint:
        return value
    raise InputError(
        where,
        quoted(value),
        {"float": "a number", "int": "a whole number", "str": "a text", "bool": "true or false"}[
            hint.__name__
        ],
    )


# Keys of one name share their bounds, in the key's unit; a key that is not here goes from 0 to 1e9.
_SHARE, _LENGTH_MM = (0.0, 1.0), (0.01, 1e4)
_BOUNDS: dict[str, tuple[float, float]] = {
    **dict.fromkeys(
        (
            "switching_share",
            "wetting",
            "drop_share",
            "drop_signal",
            "scale_share",
            "wetness",
            "least_wetness",
            "earthed_share",
        ),
        _SHARE,
    ),
    **dict.fromkeys(
        ("span_mm", "wall_mm", "depth_mm", "height_mm", "pitch_mm", "pad_width_mm", "carrier_mm"), _LENGTH_MM
    ),
    **dict.fromkeys(("slosh_decay_s", "collapse_s", "rise_s", "drain_s"), (0.01, 1e6)),
    **dict.fromkeys(("ambient_c", "liquid_c"), (-50.0, 150.0)),
    **dict.fromkeys(("permittivity", "wall_permittivity"), (1.0, 1e4)),
    "count_bits": (4, 32),
    "period_ms": (1, 1e6),
    "counts_per_pf": (1e-3, 1e9),
    "offset_counts": (1e-3, 4e9),
    "frequency_hz": (1.0, 1e10),
    "swing_per_k": (-0.1, 0.1),
    "kinematic_m2_s": (1e-9, 1.0),
    "tilt_deg": (0.0, 45.0),
    "drops": (0.0, 1000.0),
    "width_pads": (0.1, 100.0),
    "pads": (2, 64),
    "units": (1, 1e4),
    "frames": (20, 1e6),
    "density": (1.0, 3e4),
}


def _check(scenario: Scenario, where: str) -> None:
    """Numbers within their bounds, and what must make sense together."""
    for path, key, value in _numbers(scenario, where):
        low, high = _BOUNDS.get(key, (0.0, 1e9))
        if not all(math.isfinite(number) and low <= number <= high for number in value):
            raise InputError(path, _plain(value), f"from {low:g} to {high:g}")
        if value[0] > value[-1] and key != "levels_mm":
            raise InputError(path, _plain(value), "[least, most]")
    if scenario.board.count_law not in tuple(CountLaw):
        raise InputError(
            f"{where}, board, count_law", quoted(scenario.board.count_law), "one of " + ", ".join(CountLaw)
        )
    _check_names(scenario, where)
    for k, tank in enumerate(scenario.tank, 1):
        _check_tank(tank, scenario, f"{where}, tank {k}")
    for k, recipe in enumerate(scenario.recipe, 1):
        if recipe.path not in PATHS:
            raise InputError(f"{where}, recipe {k}, path", quoted(recipe.path), "one of " + ", ".join(PATHS))
        if len(recipe.liquid_c) not in (0, 2):
            raise InputError(
                f"{where}, recipe {k}, liquid_c", _plain(recipe.liquid_c), "two numbers, [least, most]"
            )


def _check_names(scenario: Scenario, where: str) -> None:
    for what, among in (("liquid", scenario.liquid), ("recipe", scenario.recipe), ("tank", scenario.tank)):
        names = [one.name for one in among]
        if not names:
            raise InputError(f"{where}, {what}", "none", "one or more")
        twice = [name for name in names if names.count(name) > 1]
        if twice and what != "tank":  # tanks of one name are revisions
            raise InputError(f"{where}, {what}", f"{twice[0]!r} more than once", "a name each")
    for liquid, recipe in scenario.plan:
        if liquid not in [one.name for one in scenario.liquid] or recipe not in [
            one.name for one in scenario.recipe
        ]:
            raise InputError(
                f"{where}, plan", f"[{liquid!r}, {recipe!r}]", "a liquid and a recipe of the scenario"
            )


def _check_tank(tank: RigTank, scenario: Scenario, where: str) -> None:
    top, room = (
        tank.first_mm + (tank.pads - 1) * tank.pitch_mm + tank.height_mm,
        tank.span_mm + tank.headspace_mm,
    )
    if tank.pitch_mm <= tank.height_mm:
        raise InputError(
            f"{where}, pitch_mm",
            f"{tank.pitch_mm:g} with pads {tank.height_mm:g} high",
            "above height_mm, so that pads stay apart",
        )
    if top > room:
        raise InputError(
            f"{where}, pads",
            f"the topmost ends at {top:g} mm",
            f"at most span_mm and headspace_mm, {room:g} mm",
        )
    known = [one.name for one in scenario.liquid]
    if not tank.liquids:
        raise InputError(f"{where}, liquids", "none", "one of " + ", ".join(known))
    for name in tank.liquids:
        if name not in known:
            raise InputError(f"{where}, liquids", quoted(name), "one of " + ", ".join(known))


def _numbers(part: Any, where: str) -> Iterator[tuple[str, str, tuple[float, ...]]]:
    """Path, key and number or range of everything numeric in a section and the sections in it."""
    for key in (field.name for field in fields(part)):
        value = getattr(part, key)
        if is_dataclass(value):
            yield from _numbers(value, f"{where}, {key}")
        elif isinstance(value, tuple) and value and is_dataclass(value[0]):
            for k, one in enumerate(value, 1):
                yield from _numbers(one, f"{where}, {key} {k}")
        elif isinstance(value, tuple) and value and isinstance(value[0], float):
            yield f"{where}, {key}", key, value
        elif isinstance(value, int | float) and not isinstance(value, bool):
            yield f"{where}, {key}", key, (value,)


def _plain(value: tuple[float, ...]) -> str:
    return ", ".join(f"{number:g}" for number in value)
