"""What was captured on one bench only."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from dataset.coverage.benches import benches_of, on_one_bench
from dataset.records import Conditions, Liquid, Occasion, Session, Stretch, Surface
from dataset.store import Store

Register = Callable[[Store], Any]
NAMES = {"aa" * 16: "north", "bb" * 16: "south"}


def test_what_has_one_bench_only(new_store: Store, register: Register) -> None:
    """A tank on one bench is said alone; on two benches the liquids and conditions that one has. Where no
    session says its bench, nothing is said of benches.
    """
    given = new_store.add_sessions([register(new_store).session(1)])[0]

    def on(bench: str | None, number: int, **changes: Any) -> Session:
        return replace(given, id=f"{number:012x}", occasion=Occasion(bench=bench), **changes)

    north, south, other = "aa" * 16, "bb" * 16, "cc" * 16
    foam = (Stretch(0, 40, Conditions(surface=(Surface.FOAM,))),)
    tank = given.mounting.tank.ref
    assert list(on_one_bench([on(None, 1)], NAMES)) == []
    assert list(on_one_bench([on(north, 1), on(None, 2)], NAMES)) == [
        f"{tank}: only on bench north",
        "sessions that do not say their bench: 1",
    ]
    both = [on(north, 1), on(south, 2, stretches=foam), on(south, 3, liquid=Liquid("oil"))]
    assert list(on_one_bench(both, NAMES)) == [f"{tank}: only on bench south: oil, foam"]
    assert list(on_one_bench([*both, on(north, 4, stretches=foam, liquid=Liquid("oil"))], NAMES)) == []
    assert benches_of([on(other, 5), on(None, 6)], NAMES) == {f"{5:012x}": "cc" * 6}
