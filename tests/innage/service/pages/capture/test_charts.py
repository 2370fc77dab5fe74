"""Charts of counts over days on a unit's card."""

from __future__ import annotations

import re
from pathlib import Path

import httpx
import pytest

from building import WATER, bench_store
from dataset.records import CountLaw, Pad, Sensor, Tank, Trim, TrimKind
from dataset.store import Store
from doors import open_door
from innage.service.pages.paper.charts import HEIGHT, WIDTH, control_chart, drift_chart


def test_counts_move_by_time_from_no_change() -> None:
    """A month between two trims is as wide as a month; up is more; the first stands on the line of none."""
    days = ("2026-01-01", "2026-01-31", "2026-03-02")
    chart = drift_chart("dry", days, {"low": (100.0, 110.0, 140.0), "high": (200.0, 200.0, 190.0)})
    first, middle, last = chart.points[:3]
    assert first.y == chart.across[0].y == chart.points[3].y
    assert first.y > middle.y > last.y
    assert chart.points[5].y > first.y
    assert middle.x - first.x == last.x - middle.x
    assert (chart.least, chart.most, chart.furthest) == (-10.0, 40.0, "low by +40")
    assert last.text == "low, 2026-03-02: +40"
    assert all(0 < point.x < WIDTH and 0 < point.y < HEIGHT for point in chart.points)
    down = drift_chart("dry", days, {"low": (100.0, 110.0, 60.0)})
    assert down.furthest == "low by \u221240"


def test_a_day_alone_stands_in_the_middle() -> None:
    (point,) = control_chart("pad0", ["2026-01-01"], [5.0], None, ()).points
    assert (point.x, point.y) == (WIDTH / 2, HEIGHT / 2)


def test_what_lies_beyond_the_limits_is_marked() -> None:
    days = ["2026-01-01", "2026-01-02", "2026-01-03"]
    chart = control_chart("pad0", days, [5.0, 9.0, 5.5], (4.0, 5.0, 6.0), (1,))
    assert [point.out for point in chart.points] == [False, True, False]
    assert [line.limit for line in chart.across] == [True, False, True]
    assert chart.points[1].y < chart.across[2].y < chart.points[2].y < chart.across[0].y


@pytest.mark.longer
def test_a_card_draws_trims_of_several_days(tmp_path: Path) -> None:
    """Kind by kind; one day alone has no chart and says what would give one."""
    pads = (Pad(0, "low", 0.0, 50.0), Pad(1, "high", 50.0, 50.0))
    with Store.open(tmp_path / "trims.db") as store:
        bench = bench_store(
            store,
            tank=Tank("canister", 0, 100.0),
            sensor=Sensor("two-pads", 0, pads, 12, CountLaw.RISES, 100),
            liquid=WATER,
            unit=("u1", "u2"),
        )
        one, other = bench.units
        for unit, kind, day, counts in (
            (one, TrimKind.DRY, "2026-01-05", (200, 300)),
            (one, TrimKind.DRY, "2026-03-05", (203, 295)),
            (one, TrimKind.FULL, "2026-01-05", (900, 950)),
            (other, TrimKind.DRY, "2026-01-05", (210, 310)),
        ):
            store.add_trim(Trim(unit, bench.mounting, kind, counts, day, "line"))
        with open_door(store, authorise=None) as url:
            first, second = (
                httpx.get(f"{url}/units/{name}", headers={"Accept": "text/html"}).text
                for name in ("u1", "u2")
            )
    (chart,) = re.findall(r'<svg .*?aria-label="([^"]+)">', first)
    assert chart == f"dry, {bench.mounting.name}, line: counts since its first trim"
    assert re.findall(r"<title>(.*?)</title></circle>", first) == [
        "low, 2026-01-05: +0",
        "low, 2026-03-05: +3",
        "high, 2026-01-05: +0",
        "high, 2026-03-05: \u22125",
    ]
    assert "furthest high by \u22125 counts" in first
    assert ("<svg" in second, "None of a kind on two days yet" in second) == (False, True)
