"""What is registered and worked out on the way: tanks from their shapes, volumes, liquids like others."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from dataset.errors import InputError
from dataset.records import Liquid, Mounting, Registered, Tank, Unit
from dataset.values import natural

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from dataset.records import Session, Trim, UnitUnion
    from dataset.store import Store
    from dataset.tanks.profile import Profile

R = TypeVar("R", bound=Registered)
_STEPS = 10  # of the small table of volumes


def unit_facts(store: Store, units: Iterable[Unit]) -> list[dict[str, Any]]:
    """Units with their identities and what this store calls their benches, ready for JSON."""
    from dataset.canonical import unit_sha256

    names = {bench.identity: bench.name for bench in store.benches()}
    return [
        {
            "name": unit.name,
            "note": unit.note,
            "serial": unit.serial,
            "origin_name": unit.origin_name,
            "bench": unit.bench,
            "bench_name": names[unit.bench],
            "identity": unit_sha256(unit),
        }
        for unit in units
    ]


@dataclass(frozen=True)
class UnitHistory:
    """What a store has of a unit: its sessions and trims as they came in, where it was mounted, and what was
    said later of it being one with others.
    """

    unit: dict[str, Any]
    sessions: tuple[Session, ...]
    trims: tuple[Trim, ...]
    unions: tuple[UnitUnion, ...] = ()

    @property
    def mountings(self) -> list[str]:
        """By name, as people count."""
        names = {s.mounting.name for s in self.sessions} | {t.mounting.name for t in self.trims}
        return sorted(names, key=natural)

    def facts(self) -> dict[str, Any]:
        """Ready for JSON."""
        return self.unit | {
            "mountings": self.mountings,
            "sessions": [session.id for session in self.sessions],
            "trims": [
                {"kind": t.kind.value, "date": t.date, "stage": t.stage, "mounting": t.mounting.name}
                for t in self.trims
            ],
            "unions": [asdict(union) for union in self.unions],
        }


def unit_history(store: Store, name: str) -> UnitHistory:
    """What there is of a unit; NotFoundError where the store does not have it."""
    unit = store.unit(name)
    (facts,) = unit_facts(store, [unit])
    sessions = tuple(session for session in store.sessions() if session.unit.name == unit.name)
    return UnitHistory(facts, sessions, store.trims(unit.name), store.unions_of(unit.name))


def add_tank(store: Store, tank: Tank, profile: Profile | None = None) -> Tank:
    """Add a tank with the inner shape of ``profile``. What the tank leaves open is taken from that: a span
    of NaN is all that the shape has below the headspace, headspace is what is left above the span, the dead
    volume is what lies below the datum.

    Raises:
        InputError: neither a span nor a shape, or values that no tank has.
    """
    if profile is None:
        if math.isnan(tank.span_mm):
            raise InputError(
                "span_mm", "isn't given", "the usable height, or a shape that has one", fields=("span_mm",)
            )
        return store.add_tank(tank)
    from dataset.tanks.profile import to_json

    span = tank.span_mm
    if math.isnan(span):
        span = profile.height_mm - (tank.headspace_mm or 0.0)
    headspace = max(profile.height_mm - span, 0.0) if tank.headspace_mm is None else tank.headspace_mm
    dead = tank.dead_volume_ml
    if dead is None and profile.dead_volume_ml > 0:
        dead = profile.dead_volume_ml
    return store.add_tank(
        replace(tank, span_mm=span, headspace_mm=headspace, dead_volume_ml=dead, profile=to_json(profile))
    )


@dataclass(frozen=True)
class Listed(Generic[R]):
    """Records of a kind in a list, and why those of them that are retired are, by NAME@REVISION or name."""

    records: tuple[R, ...]
    retired: dict[str, str]
    label: Callable[[R], str]

    def facts(self, facts_of: Callable[[R], dict[str, Any]]) -> list[dict[str, Any]]:
        """Ready for JSON."""
        return [
            facts_of(record)
            | ({"retired": self.retired[name]} if (name := self.label(record)) in self.retired else {})
            for record in self.records
        ]


def listed(
    store: Store,
    kind: str,
    records: Sequence[R],
    *,
    retired: bool,
    label: Callable[[R], str] | None = None,
) -> Listed[R]:
    """The records of a kind that are in use, or with ``retired`` all of them; ``label`` is what a store calls
    a retired one.
    """
    reasons, called = store.retired(kind), label or _label
    if retired:
        return Listed(tuple(records), reasons, called)
    return Listed(tuple(record for record in records if called(record) not in reasons), {}, called)


def in_use(store: Store, kind: str, record: R) -> R:
    """The record, unless it is retired: InputError."""
    store.refuse_retired(kind, record)
    return record


def retired_remarks(store: Store, held: Mapping[str, Registered | None]) -> tuple[str, ...]:
    """A sentence for each record, by its kind, that is out of use though something is held against it."""
    return tuple(
        f"{kind} {_label(record)}: retired ('{reason}')"
        for kind, record in held.items()
        if record is not None and (reason := store.retired(kind).get(_label(record))) is not None
    )


def _label(record: Registered) -> str:
    return str(getattr(record, "ref", record.name))


def tank_facts(tank: Tank) -> dict[str, Any]:
    """A tank for JSON, its profile as an object."""
    return asdict(tank) | {"profile": None if tank.profile is None else json.loads(tank.profile)}


def mounting_facts(mounting: Mounting) -> dict[str, Any]:
    """A mounting for JSON, with its warnings."""
    from dataset.text.layouts import mounting_warnings

    return asdict(mounting) | {
        "tank": tank_facts(mounting.tank),
        "warnings": mounting_warnings(mounting),
    }


def volumes_of(tank: Tank) -> list[tuple[float, float, float]]:
    """Level in mm, volume in mL and area in mm2 in ten steps of the span, and at the inner top where that is
    higher; nothing for a tank without a profile.
    """
    from dataset.tanks.profile import profile_of

    if tank.profile is None:
        return []
    profile = profile_of(tank)
    levels = [tank.span_mm * k / _STEPS for k in range(_STEPS + 1)]
    if profile.height_mm > tank.span_mm * (1 + 1e-9):
        levels.append(profile.height_mm)
    return [(level, profile.volume_ml(level), profile.area_mm2(level)) for level in levels]


@dataclass(frozen=True)
class Tilt:
    """How a tank stands: tilted by degrees about its axis, a pad so far from that, towards the low side."""

    degrees: float = 0.0
    pad_offset_mm: float = 0.0


@dataclass(frozen=True)
class Volume:
    """A level above the datum and the volume there, its surface, and the level that a pad beside the axis of
    a tilted tank sees; None where it stands upright.
    """

    tank: Tank
    level_mm: float
    volume_ml: float
    area_mm2: float
    level_at_pad_mm: float | None

    def facts(self) -> dict[str, Any]:
        """Ready for JSON."""
        return {
            "tank": self.tank.name,
            "revision": self.tank.revision,
            "level_mm": self.level_mm,
            "volume_ml": self.volume_ml,
            "area_mm2": self.area_mm2,
            "level_at_pad_mm": self.level_at_pad_mm,
        }


def volume_at(
    store: Store,
    tank: str,
    *,
    level_mm: float | None = None,
    volume_ml: float | None = None,
    temperature_c: float | None = None,
    tilt: Tilt = Tilt(),
) -> Volume:
    """The volume at a level, or the level of a volume.

    Args:
        store: the open store.
        tank: NAME or NAME@REVISION.
        level_mm: above the datum; gives the volume.
        volume_ml: instead, a volume above the datum; gives the level.
        temperature_c: of the tank, for its thermal expansion.
        tilt: how it stands.

    Raises:
        InputError: both or neither, a tank without a shape or expansion, or outside of it.
        NotFoundError: no such tank.
    """
    from dataset.tanks.profile import level_at_pad_mm, profile_of

    if (level_mm is None) == (volume_ml is None):
        raise InputError(
            "volume of a tank",
            "neither or both of level_mm and volume_ml",
            "one of them",
            fields=("level_mm", "volume_ml"),
        )
    vessel = store.tank(tank)
    if temperature_c is not None and vessel.expansion_per_k is None:
        raise InputError(
            f"tank {vessel.ref}",
            "has no expansion coefficient",
            "",
            "add a revision with expansion_per_k and reference_c",
            fields=("expansion_per_k", "reference_c"),
        )
    profile = profile_of(vessel, temperature_c)
    level = profile.level_mm(volume_ml) if volume_ml is not None else level_mm or 0.0
    volume = profile.volume_ml(level) if volume_ml is None else volume_ml
    at_pad = level_at_pad_mm(profile, level, tilt.degrees, tilt.pad_offset_mm) if tilt.degrees else None
    return Volume(vessel, level, volume, profile.area_mm2(level), at_pad)


def liquid_like(base: Liquid, given: Liquid) -> Liquid:
    """``base`` under another name, with the facts that are given; its source stays beside that of the
    others.
    """
    facts = {fact: value for fact, value in asdict(given).items() if value not in (None, "")}
    changed = [fact for fact in ("permittivity", "density", "temperature_c") if fact in facts]
    if changed:
        own = given.source or "given by hand"
        facts["source"] = f"{base.source}; {', '.join(changed)}: {own}"
    return replace(base, **facts)
