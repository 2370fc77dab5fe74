"""Blocks of commands on the pages run as they stand there, in a store that holds what the page presumes; what a page shows is what is printed."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pytest

import innage.demo_data
from dataset.records import CountLaw, Frames, Limit, Limits, Liquid, Mark, Mounting, NewSession, Pad, Sensor, Source, Tank, Unit
from dataset.store import Store

ROOT = Path(__file__).parents[2]
READINGS = Path(innage.demo_data.__path__[0]) / "levels_tidy.csv"
Run = Callable[..., dict[str, str]]


def write_shown(page: str, heading: str, path: Path) -> None:
    """Write the file that a page shows as a block that begins with ``heading``."""
    block = re.search(rf"^(    {re.escape(heading)}.*\n(?:    .*\n)+)", (ROOT / "docs" / page).read_text(encoding="utf-8"), re.MULTILINE)
    assert block is not None
    path.write_text(re.sub("^    ", "", block.group(1), flags=re.MULTILINE), encoding="utf-8")


def test_tanks(run_page: Run, tmp_path: Path) -> None:
    """Nothing is presumed but the file of pads, which the page shows."""
    write_shown("tanks.md", "channel,pad", tmp_path / "strip.csv")
    assert len(run_page("docs/tanks.md")) == 9


def test_terminal(run_page: Run) -> None:
    """A wrong word and an empty list, in an empty folder."""
    assert len(run_page("docs/terminal.md")) == 2


def readme_job(run_page: Run, folder: Path) -> None:
    """README's job up to the logged file."""
    shutil.copy(READINGS, folder)
    run_page("README.md", only=lambda line: line.split()[1] in ("tank", "liquid", "sensor", "mounting", "unit", "log"))


def test_labels(run_page: Run, tmp_path: Path) -> None:
    """After README's job, with the file that the page shows."""
    readme_job(run_page, tmp_path)
    write_shown("labels.md", "t,pad0,g", tmp_path / "weighed.csv")
    assert len(run_page("docs/labels.md")) == 10


def test_trims(run_page: Run, tmp_path: Path) -> None:
    """After README's job; a wet trim is refused in the page's words."""
    readme_job(run_page, tmp_path)
    assert len(run_page("docs/trims.md")) == 7


def test_logging(run_page: Run, tmp_path: Path) -> None:
    """Files of invented counts; the session that is voided is the first of them."""
    with Store.open(tmp_path / "innage.db") as store:
        a_bench(store, pads=2, units=("unit-1", "unit-2"))
    (tmp_path / "tuesday").mkdir()
    for number, name in enumerate(("monday", "tuesday/one", "tuesday/two")):
        rows = [f"{k / 10:.1f};{4000 + number + 40 * k};{4000 + 40 * max(k - 20, 0)};{k * 0.2:.1f}" for k in range(40)]
        (tmp_path / f"{name}.csv").write_text("\n".join(["t (s);pad_a;pad_b;ruler cm", *rows, ""]), encoding="utf-8")
    printed = run_page("docs/logging.md", only=lambda line: " log " in line)
    assert [said.count("session ") for said in printed.values()] == [1, 2]
    with Store.open(tmp_path / "innage.db") as store:
        first = store.sessions()[0].id
    run_page("docs/logging.md", {"8c1f3a": first}, only=lambda line: " void " in line)


def test_freezing(run_page: Run, tmp_path: Path) -> None:
    """Thirty units, a session of each in one of the bands that the page names."""
    with Store.open(tmp_path / "innage.db") as store:
        mounting, liquid, units = a_bench(store, pads=2, units=[f"u{k}" for k in range(30)])
        store.add_sessions([a_session(unit, liquid, mounting, k, warm_c=(10.0, 20.0, 32.0)[k % 3]) for k, unit in enumerate(units)])
    assert len(run_page("docs/freezing.md")) == 3


def test_gaps(run_page: Run, tmp_path: Path) -> None:
    """On two sessions; the figures that the page shows are of another bench."""
    with Store.open(tmp_path / "innage.db") as store:
        mounting, liquid, units = a_bench(store, pads=2, units=("u0", "u1"))
        store.add_sessions([a_session(unit, liquid, mounting, k) for k, unit in enumerate(units)])
        store.add_limits(Limits("owner", 0, (Limit("rmse_mm", 2.0),)))
    assert len(run_page("docs/gaps.md", shown=False)) == 9
    assert "rmse_mm" in (tmp_path / "owner.toml").read_text(encoding="utf-8")


def test_keeping(run_page: Run, tmp_path: Path) -> None:
    """A store with sessions: what comes back is what was there."""
    with Store.open(tmp_path / "innage.db") as store:
        mounting, liquid, units = a_bench(store, pads=2, units=("u0",))
        store.add_sessions([a_session(units[0], liquid, mounting, 0)])
    assert len(run_page("docs/keeping.md")) == 6
    assert len(list(tmp_path.glob("innage.db.before-restore*"))) == 1
    with Store.open(tmp_path / "innage.db") as store:
        assert [s.unit.name for s in store.sessions()] == ["u0"]


def test_merge(run_page: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The two benches of the page: one tank, sensor, liquid and mounting in both; three sessions of a unit, a tank and limits in the other only."""
    for name in ("left", "right"):
        with Store.open(tmp_path / f"{name}.db") as store:
            mounting, liquid, units = a_bench(store, pads=2, units=(f"{name}-unit",))
            if name == "right":
                store.add_tank(Tank("other", 0, 80.0))
                store.add_limits(Limits("owner", 0, (Limit("rmse_mm", 2.0),)))
                store.add_sessions([a_session(units[0], liquid, mounting, k) for k in range(3)])
    monkeypatch.setenv("INNAGE_STORE", "left.db")
    assert len(run_page("docs/merge.md")) == 1


def a_bench(store: Store, pads: int, units: Sequence[str]) -> tuple[Mounting, Liquid, list[Unit]]:
    """The canister, strip and water that pages speak of, with units."""
    tank = store.add_tank(Tank("canister", 0, 100.0))
    high = 100.0 / pads
    sensor = store.add_sensor(Sensor("strip", 0, tuple(Pad(k, f"p{k}", k * high, high) for k in range(pads)), 16, CountLaw.RISES, 100))
    mounting = store.add_mounting(Mounting("front", tank, sensor))
    return mounting, store.add_liquid(Liquid("water")), [store.add_unit(Unit(name)) for name in units]


def a_session(unit: Unit, liquid: Liquid, mounting: Mounting, number: int, warm_c: float | None = None) -> NewSession:
    """Ten marks of ten frames on the way up: each pad rises by 64 counts for a millimetre; invented."""
    level = np.repeat(np.arange(0.0, 100.0, 10.0), 10)
    wet = np.stack([np.clip(level - pad.bottom_mm, 0, pad.height_mm) for pad in mounting.sensor.pads], axis=1)
    counts = (1000 + 64 * wet + number).astype(np.uint32)
    frames = Frames(np.arange(100) * 100, counts, None if warm_c is None else np.full(100, warm_c))
    marks = tuple(Mark(10 * k, 10 * k + 10, 10.0 * k) for k in range(10))
    return NewSession(unit, liquid, mounting, frames, marks, Source(f"{number}.csv", f"{number:064d}"))
