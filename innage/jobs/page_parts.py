"""What pages on sessions, sets and comparisons share: the caution above them, and pictures inside them."""

from __future__ import annotations

import re
from collections.abc import Callable
from html import escape
from pathlib import Path

from dataset.files.scratch import scratch_folder
from export.cautions import CAUTIONS
from export.report.html import svg_figure

CAUTION = " ".join(CAUTIONS)


def drawn(draw: Callable[[Path], None], caption: str) -> str:
    """A picture that ``draw`` writes as SVG, inside the page, on paper of its own: its colours are made for
    white.
    """
    with scratch_folder() as folder:
        path = folder / "picture.svg"
        draw(path)
        svg = path.read_text(encoding="utf-8")
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<!--.*?-->", "", svg, flags=re.DOTALL)  # the words of the picture once more
    opening = re.sub(r' (?:width|height)="[^"]*pt"', "", svg[: svg.index(">")])
    return svg_figure(
        f'<div class=picture>{opening} role="img" '
        f'aria-label="{escape(caption)}"{svg[svg.index(">") :]}</div>',
        escape(caption),
    )
