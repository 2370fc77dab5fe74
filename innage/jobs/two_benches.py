"""One unit on two benches, from a store's sessions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from dataset.errors import InputError

if TYPE_CHECKING:
    from dataset.coverage.two_benches import Difference
    from dataset.records import Session
    from dataset.store import Store


@dataclass(frozen=True)
class TwoBenches:
    """A unit's counts on two benches, by their names; ``scale`` steps are one of the board's counts."""

    unit: str
    benches: tuple[str, str]
    sessions: tuple[tuple[str, ...], tuple[str, ...]]
    differences: tuple[Difference, ...]
    scale: dict[str, int]

    @property
    def beyond(self) -> int:
        """How many differences are more than their expanded uncertainty."""
        return sum(abs(d.e_n) > 1 for d in self.differences)

    def facts(self) -> dict[str, Any]:
        """Ready for JSON."""
        return {
            "unit": self.unit,
            "benches": list(self.benches),
            "sessions": [list(side) for side in self.sessions],
            "beyond": self.beyond,
            "differences": [
                {
                    "liquid": d.liquid,
                    "mounting": d.mounting,
                    "level_mm": d.level_mm,
                    "channel": d.channel,
                    "counts": [d.first / self.scale[d.mounting], d.second / self.scale[d.mounting]],
                    "marks": list(d.marks),
                    "difference": d.difference / self.scale[d.mounting],
                    "u": d.u / self.scale[d.mounting],
                    "level_part": None if d.level_part is None else d.level_part / self.scale[d.mounting],
                    "e_n": d.e_n,
                }
                for d in self.differences
            ],
        }


def on_two_benches(store: Store, unit: str, benches: Sequence[str]) -> TwoBenches:
    """What a unit's counts were on two benches at the same levels, in the same liquids; void sessions are
    left out.

    Args:
        store: the open store.
        unit: its name.
        benches: two names or identities.

    Raises:
        InputError: not two benches, a bench without a labelled session of the unit, or no level that both
            have. NotFoundError: a name that the store does not have.
    """
    from dataset.coverage.two_benches import differences

    known = [store.bench(bench) for bench in benches]
    if len({bench.identity for bench in known}) != 2 or len(known) != 2:
        raise InputError("benches", ", ".join(benches), "two that differ", fields=("benches",))
    name = store.unit(unit).name
    usable = [s for s in store.sessions() if s.unit.name == name and s.marks and s.void_reason is None]
    sides: list[list[Session]] = []
    for bench in known:
        sides.append([s for s in usable if s.occasion.bench == bench.identity])
        if not sides[-1]:
            raise InputError(
                f"unit {name}",
                f"no labelled session states bench {bench.name}",
                "sessions of it on both",
                "say it with Store.amend_session where it was captured there",
                fields=("Store.amend_session",),
            )
    first, second = ([(session, store.frames(session)) for session in side] for side in sides)
    pairs = differences(first, second)
    if not pairs:
        raise InputError(
            f"unit {name}",
            f"no level, liquid and mounting that {known[0].name} and {known[1].name} both have",
            "marks at the same levels on both",
        )
    ids = [tuple(session.id for session in side) for side in sides]
    scale = {s.mounting.name: s.mounting.sensor.count_scale for side in sides for s in side}
    return TwoBenches(name, (known[0].name, known[1].name), (ids[0], ids[1]), pairs, scale)
