"""Maps of pages: every cell says what it is, and is shaded by it."""

from __future__ import annotations

import re

from dataset.coverage.gaps import Gaps, GapsLine
from innage.pictures.maps import coverage_map, difference_map
from training.judging.figures import CellDifference


def _line(tank: str, liquid: str, bands: tuple[int, ...]) -> GapsLine:
    return GapsLine(tank, liquid, "s@1", "still", "15 to 25 C", bands, (1,) * len(bands), sum(bands), 1)


def test_a_coverage_map_is_a_table_a_tank_shaded_alike() -> None:
    """The fullest cell of all is the darkest; nothing captured has no shade; names are text."""
    lines = (_line("a@1", "<water>", (0, 1)), _line("b@1", "oil", (10, 5)))
    first, second = coverage_map(Gaps(2, {"a@1": 90.0, "b@1": 10.0}, (), lines, ()))
    assert re.findall(r'<td class="(\w+)">(.*?)</td>', first) == [("m0", "none"), ("m1", "1/1")]
    assert re.findall(r'<td class="(\w+)">(.*?)</td>', second) == [("m5", "10/1"), ("m3", "5/1")]
    assert "&lt;water&gt;; still" in first
    assert re.findall(r'scope="col">(.*?)<', first) == ["0 to 45", "45 to 90"]


def test_a_difference_map_has_a_side_a_sign() -> None:
    cells = [
        CellDifference("foam", "water", f"{k}0 to {k + 1}0 %", 9, 2, 1.0, 2.0, difference)
        for k, difference in enumerate((2.0, -0.1, 0.0, None))
    ]
    table = difference_map(cells)
    assert re.findall(r'<td class="(\w+)">(.*?)</td>', table) == [
        ("w5", "+2.00"),
        ("m1", "\u22120.10"),
        ("m0", "0"),
        ("m0", ""),
    ]
    assert "foam; water" in table
