"""Maps for a page: tables whose cells are coloured by what they say, read and printed like any other."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from dataset.coverage.gaps import Gaps
from export.report.html import sliding
from export.report.numbers import set_apart
from training.judging.figures import CellDifference

_STEPS = 5  # shades of the style sheet: m1 to m5, and w1 to w5 for the other side of 0
Cell = tuple[str, str]  # class and words


def coverage_map(gaps: Gaps) -> list[str]:
    """For each tank and sensor a table: independent sessions / units by liquid, condition and temperature
    (down) and level (across). The darkest shade is that of the fullest cell of all.
    """
    most = max((count for line in gaps.lines for count in line.bands), default=1)
    tables = []
    for panel in sorted({(line.tank, line.sensor) for line in gaps.lines}):
        span = gaps.spans[panel[0]]
        head = [
            f"{span * k / gaps.bands:.4g} to {span * (k + 1) / gaps.bands:.4g}" for k in range(gaps.bands)
        ]
        rows = [
            (
                f"{line.liquid}; {line.condition}; {line.warmth}",
                [
                    ("m0", "none") if not count else (f"m{_step(count, most)}", f"{count}/{units}")
                    for count, units in zip(line.bands, line.band_units, strict=True)
                ],
            )
            for line in gaps.lines
            if (line.tank, line.sensor) == panel
        ]
        tables.append(_table(f"{', '.join(panel)}: level, mm above the datum", head, rows))
    return tables


def difference_map(cells: Sequence[CellDifference]) -> str:
    """The difference of two models' mean absolute errors in mm by class and liquid (down) and level (across):
    red shades above 0, blue ones below.
    """
    bands = sorted({cell.level_band for cell in cells}, key=lambda text: int(text.split()[0]))
    by_row: dict[tuple[str, str], dict[str, float | None]] = {}
    for cell in cells:
        by_row.setdefault((cell.name, cell.liquid), {})[cell.level_band] = cell.difference_mm
    most = max((abs(cell.difference_mm) for cell in cells if cell.difference_mm is not None), default=1.0)
    rows = [
        (f"{name}; {liquid}", [_difference(values.get(band), most) for band in bands])
        for (name, liquid), values in by_row.items()
    ]
    return _table("level, % of span", [band.removesuffix(" %") for band in bands], rows)


def _difference(value: float | None, most: float) -> Cell:
    if value is None:
        return "m0", ""
    if value == 0:
        return "m0", "0"
    return f"{'w' if value > 0 else 'm'}{_step(abs(value), most)}", set_apart(f"{value:+.2f}")


def _step(value: float, most: float) -> int:
    """1 for the least, the number of shades for ``most``."""
    return min(_STEPS, 1 + int(_STEPS * value / most * 0.999)) if most > 0 else 1


def _table(across: str, head: Sequence[str], rows: Sequence[tuple[str, Sequence[Cell]]]) -> str:
    """Each row's words stand on a line of their own above its cells, which so stay narrow."""
    wide = len(head)
    body = "".join(
        f'<tbody><tr><th class="of" colspan="{wide}" scope="rowgroup">{escape(words)}</th></tr><tr>'
        + "".join(f'<td class="{kind}">{escape(said)}</td>' for kind, said in cells)
        + "</tr></tbody>"
        for words, cells in rows
    )
    columns = "".join(f'<th scope="col">{escape(words)}</th>' for words in head)
    table = (
        f'<table class=map><thead><tr><th colspan="{wide}">{escape(across)}</th></tr>'
        f"<tr>{columns}</tr></thead>{body}</table>"
    )
    return sliding("wide", [escape(across)], table)
