"""Jobs as Python and a service call them: errors name fields, results are records, nothing is printed."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from building import CAN, WATER, bench_store, one_pad
from dataset.errors import InputError, NotFoundError
from dataset.records import (
    CountLaw,
    Frames,
    GroupBy,
    Liquid,
    Mark,
    Pad,
    Role,
    Tank,
    TrimKind,
)
from dataset.rig.outlook import Disturbance
from dataset.store import Store
from dataset.tanks.profile import Profile
from dataset.tanks.shapes import Cylinder
from innage.jobs.coverage import cover, plan
from innage.jobs.models.choosing import Choice, freeze, freeze_choice, look_at
from innage.jobs.models.exporting import Concerns, ExportRefusedError
from innage.jobs.models.reporting import check_page
from innage.jobs.models.tracing import trace
from innage.jobs.registry import Tilt, add_tank, liquid_like, volume_at
from innage.jobs.sessions.finding import SessionFilter
from innage.jobs.stores import back_up, check, read_text, restore, write_text
from innage.jobs.trims import NewTrim, add_trim, limits_of_trims, write_limits
from innage.jobs.trying import Filling, Layout, Reading, try_layout
from training.judging.figures import AnsweredLimit

UNITS = ("u0", "u1", "u2", "u3")


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four units with a session each on one tank, and another of the first that is void."""
    path = tmp_path_factory.mktemp("filled") / "innage.db"
    with Store.open(path) as opened:
        bench = bench_store(
            opened, tank=CAN, sensor=one_pad(CountLaw.RISES), liquid=WATER, unit=UNITS, mounting="m"
        )
        for number, unit in enumerate((*bench.units, bench.unit)):
            frames = Frames(np.arange(20) * 100, np.full((20, 1), 1000 + number, np.uint32))
            opened.add_sessions([bench.session(number, (Mark(0, 20, 40.0),), unit=unit, frames=frames)])
        opened.void(opened.sessions()[-1].id, "spilled")
    return path


@pytest.fixture
def store(filled: Path, tmp_path: Path) -> Iterator[Store]:
    """A copy of the filled store for one test."""
    with Store.open(shutil.copy(filled, tmp_path / "innage.db")) as opened:
        yield opened


def test_a_role_without_a_number_takes_what_the_others_leave(store: Store) -> None:
    frozen = freeze(store, "a", group_by="unit", roles={"fit": 1, "prove": None}, seed=1)
    assert [len(frozen.groups(role)) for role in (Role.FIT, Role.PROVE)] == [1, 3]
    same = freeze(store, "b", group_by="unit", roles={"fit": 1, "prove": 3}, seed=1)
    assert same.sha256 == frozen.sha256


def test_what_was_left_out_comes_with_the_set(store: Store) -> None:
    roles = {"fit": ["u0"], "prove": ["rest"]}
    frozen = freeze_choice(
        store, "a", Choice(only=SessionFilter(tank=("can@1",))), group_by="unit", roles=roles
    )
    assert [(session.unit.name, why) for session, why in frozen.left_out] == [("u0", "void")]
    assert look_at(store, "a").facts() == frozen.facts()
    assert frozen.facts()["prove_openings"] == 0


@pytest.mark.parametrize(
    ("asked", "said", "fields"),
    [
        (
            {"roles": {}},
            "groups: none has a role; expected fit, choose, calibrate, prove with",
            (*Role, "roles"),
        ),
        ({"roles": {"fit": None, "prove": None}}, "roles: fit and prove both take the rest", ("roles",)),
        ({"roles": {"fit": ["rest"]}, "edges_c": (5.0, 15.0)}, "edges_c: groups by unit", ("edges_c",)),
        ({"roles": {"fit": ["rest"]}, "kelvin": 5.0}, "kelvin: groups by unit", ("kelvin",)),
        (
            {"roles": {"fit": ["rest"]}, "sessions": Choice(only=SessionFilter(condition=("foam",)))},
            "frozen set: no session: condition foam",
            ("condition",),
        ),
    ],
)
def test_a_refused_freezing_names_fields(
    store: Store, asked: dict[str, Any], said: str, fields: tuple[str, ...]
) -> None:
    with pytest.raises(InputError) as refused:
        freeze(store, "a", group_by="unit", **asked)
    assert str(refused.value).startswith(said)
    assert refused.value.fields == fields
    assert store.frozen_sets() == ()


def test_coverage_counts_sessions_and_a_plan_says_what_is_short(store: Store) -> None:
    coverage = cover(store, SessionFilter(tank=("can",)))
    assert (coverage.sessions, coverage.void) == (5, 1)
    (line,) = coverage.gaps.lines
    assert (line.sessions, line.units) == (4, 4)
    planned = plan(store, group_by=GroupBy.UNIT)
    assert planned.plan is not None
    assert all(need.short == max(need.groups - need.have, 0) for need in planned.plan.needs)
    with Store.in_memory() as empty:
        assert plan(empty).plan is None


def test_a_backup_comes_back_and_text_is_read_into_an_empty_store(store: Store, tmp_path: Path) -> None:
    store.close()
    copied = back_up(tmp_path / "innage.db", tmp_path / "copy.db")
    again = restore(tmp_path / "copy.db", tmp_path / "again.db")
    assert (again.sha256, again.before) == (copied.sha256, None)
    assert check(tmp_path / "again.db").sound
    with pytest.raises(InputError, match="Give it with sha256") as refused:
        restore(tmp_path / "innage.db", tmp_path / "other.db")
    assert refused.value.fields == ("sha256",)
    with Store.open(tmp_path / "again.db") as one, Store.open(tmp_path / "empty.db") as other:
        files = write_text(one, tmp_path / "text")
        assert files == len([path for path in (tmp_path / "text").rglob("*") if path.is_file()])
        assert read_text(other, tmp_path / "text").merged.new > 0
        assert [unit.name for unit in other.units()] == list(UNITS)


def test_a_trim_is_taken_from_frames_or_given(store: Store, tmp_path: Path) -> None:
    session = store.sessions()[0]
    taken = add_trim(
        store, NewTrim("u0", TrimKind.FULL, "2026-01-31", "end-of-line", session=session.id, start=5, stop=15)
    )
    assert (taken.counts, taken.frames) == ((1000,), (5, 15))
    with pytest.raises(InputError) as refused:
        add_trim(store, NewTrim("u1", TrimKind.FULL, "2026-01-31", "x", session=session.id))
    assert str(refused.value) == "unit: u1; expected u0, which the session is of"
    with pytest.raises(InputError, match="counts and session: neither"):
        add_trim(store, NewTrim("u1", TrimKind.FULL, "2026-01-31", "x", mounting="m"))
    for number, unit in enumerate(UNITS[1:]):
        new = NewTrim(unit, TrimKind.FULL, "2026-01-31", "line", mounting="m", counts=(1001 + number,))
        add_trim(store, new)
    limits = limits_of_trims(store, "m", TrimKind.FULL)
    assert limits.units == UNITS
    write_limits(limits, tmp_path / "limits.csv")
    assert (tmp_path / "limits.csv").read_text("utf-8").startswith("channel,name,low,high,mean,sd\n0,pad,")


def test_a_tank_takes_what_its_shape_has(store: Store) -> None:
    """An upright cylinder of 50 mm: area pi r^2, the volume that times the level."""
    tank = add_tank(
        store, Tank("jar", 0, float("nan"), headspace_mm=20.0), Profile((Cylinder(50.0, 120.0),), 0.0)
    )
    assert (tank.span_mm, tank.headspace_mm) == (100.0, 20.0)
    volume = volume_at(store, "jar", level_mm=40.0)
    assert volume.area_mm2 == pytest.approx(np.pi * 25.0**2)
    assert volume.volume_ml == pytest.approx(np.pi * 25.0**2 * 40.0 / 1000)
    assert volume_at(store, "jar", volume_ml=volume.volume_ml).level_mm == pytest.approx(40.0)
    tilted = volume_at(store, "jar", level_mm=40.0, tilt=Tilt(3.0, 10.0))
    assert tilted.level_at_pad_mm == pytest.approx(40.0 + 10.0 * np.tan(np.radians(3.0)))
    with pytest.raises(InputError, match="span_mm: isn't given"):
        add_tank(store, Tank("bag", 0, float("nan")))


def test_a_liquid_like_another_keeps_both_sources() -> None:
    base = Liquid("water", 78.0, None, 997.0, 25.0, source="a handbook")
    liquid = liquid_like(base, Liquid("tap", conductivity=0.05, density=998.0, source="weighed"))
    assert (liquid.name, liquid.permittivity, liquid.conductivity, liquid.density) == (
        "tap",
        78.0,
        0.05,
        998.0,
    )
    assert liquid.source == "a handbook; density: weighed"


def test_what_cannot_be_tried_names_the_field() -> None:
    def no_store() -> Store:
        raise AssertionError("no record was named")

    layout = Layout(span_mm=30.0, wall_mm=2.0, pads=(Pad(0, "low", 1.0, 12.0),), depth_mm=0.0)
    with pytest.raises(InputError, match="depth_mm: 0; expected a number above 0") as refused:
        try_layout(no_store, layout, Filling(), Reading(), Disturbance(20.0, 20.0, 0.05))
    assert refused.value.fields == ("depth_mm",)


def test_a_page_is_refused_before_anything_is_opened(tmp_path: Path) -> None:
    with pytest.raises(InputError) as refused:
        check_page(tmp_path / "page.pdf", replace=False)
    assert refused.value.fields == ("out",)
    (tmp_path / "page.html").touch()
    with pytest.raises(InputError, match="is there already"):
        check_page(tmp_path / "page.html", replace=False)
    check_page(tmp_path / "page.html", replace=True)


def test_a_file_that_was_logged_is_told_by_its_session(store: Store, tmp_path: Path) -> None:
    (tmp_path / "x.c").write_text("int x;\n")
    traced = trace(store, tmp_path / "x.c")
    assert (traced.exports, traced.logged, traced.repacked) == ((), (), False)
    with pytest.raises(NotFoundError):
        cover(store, SessionFilter(tank=("barrel",)))


def test_a_refused_export_carries_what_speaks_against_it() -> None:
    met, missed = (
        AnsweredLimit("rmse_mm", "all", 1.0, None, 1, 2.0, answer, "") for answer in ("met", "not met")
    )
    refused = ExportRefusedError(
        Concerns((), (met, missed)), "one", where="model m", hint="say anyway=True", field="anyway=True"
    )
    assert isinstance(refused, InputError)
    assert refused.concerns.not_met == [missed]
    assert (refused.fields, refused.verdict) == (("anyway=True",), None)


def test_jobs_print_nothing(store: Store, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    freeze(store, "a", group_by="unit", roles={"fit": 2, "prove": 2})
    cover(store)
    plan(store)
    write_text(store, tmp_path / "text")
    assert capfd.readouterr() == ("", "")
