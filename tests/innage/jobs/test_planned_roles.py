"""What a plan asks for is what freezing and training take."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from building import CAN, WATER, bench_store, one_pad
from dataset.records import CountLaw, Frames, GroupBy, Limit, Limits, Mark, NewSession, Role, Source, Unit
from dataset.store import Store
from innage.jobs.coverage import plan
from innage.jobs.models.choosing import Choice, Roles, freeze
from innage.jobs.models.training import train
from innage.jobs.sessions.finding import SessionFilter


def a_session(store: Store, unit: Unit, number: int) -> NewSession:
    """Eleven levels of ten frames each, the counts falling evenly; invented."""
    draw = np.random.default_rng(number)
    levels = np.repeat(np.arange(0, 101, 10), 10)
    counts = (60_000 - 200 * levels + draw.integers(-20, 20, len(levels))).astype(np.uint32)
    marks = tuple(Mark(10 * k, 10 * k + 10, 10.0 * k, 0.5) for k in range(11))
    frames = Frames(np.arange(len(levels)) * 100, counts.reshape(-1, 1))
    source = Source(f"run{number}.csv", f"{number:064x}")
    return NewSession(unit, store.liquid("water"), store.mounting("bench"), frames, marks, source)


@pytest.mark.longer
def test_a_plan_can_be_frozen_and_trained(tmp_path: Path) -> None:
    """The units that the plan asks for, one session each, frozen with its roles: training takes the set, and
    nothing is short any more. A condition that asks for more 'prove' groups than the whole makes no
    difference.
    """
    with Store.open(tmp_path / "innage.db") as store:
        bench_store(
            store, tank=CAN, sensor=one_pad(CountLaw.FALLS), liquid=WATER, unit="u0", mounting="bench"
        )
        rows = (Limit("rmse_mm", 5.0, "all", None, 1), Limit("rmse_mm", 5.0, "water", 0.5, 2))
        limits = store.add_limits(Limits("owner", 0, rows))
        planned = plan(store, "owner", group_by=GroupBy.UNIT, band=0.5).plan
        assert planned is not None
        roles = dict(planned.roles)
        needed = max(need.groups for need in planned.needs)
        assert sum(roles.values()) == needed
        units = [store.unit("u0"), *store.add_units([Unit(f"u{k}") for k in range(1, needed)])]
        store.add_sessions([a_session(store, unit, k) for k, unit in enumerate(units)])
        again = plan(store, "owner", group_by=GroupBy.UNIT, band=0.5).plan
        assert again is not None
        assert not again.needs[0].short
        wanted: Roles = {role: None if role is Role.FIT else number for role, number in roles.items()}
        choice = Choice(only=SessionFilter(tank=("can@1",)))
        freeze(store, "set", group_by=GroupBy.UNIT, roles=wanted, sessions=choice)
        model = train(store, "set", "m", limits=limits.ref, families=["line"])
        assert model.frozen.groups(Role.PROVE)
