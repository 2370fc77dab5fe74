"""Pictures of what a tank would show before it is built."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from innage.pictures.figures import figure

if TYPE_CHECKING:
    from dataset.rig.outlook import Outlook
    from dataset.rig.slices import Slice

MANY = 12  # pads; more don't get a legend each


def draw_outlook(
    path: Path,
    cut: Slice,
    names: Sequence[str],
    shown: Outlook,
    *,
    title: str,
    clean: str,
    noise_words: str,
    coarsest_mm: float,
) -> None:
    """Four panels over the level: pads, their slopes with the pads' places, resolution with blind stretches,
    what would be read instead.

    ``clean`` says what a reader takes everything for, such as 'clean, floating'.
    """
    with figure(path, 10.0, 8.0) as drawn:
        (pads, slopes), (resolution, wrong) = drawn.subplots(2, 2)
        lines = pads.plot(shown.levels, shown.pads)
        pads.set(title="Pads against level, clean wall", xlabel="level, mm", ylabel="self capacitance, pF")
        if len(names) <= MANY:
            pads.legend(lines, names, fontsize=7, ncols=2)
        _slopes(slopes, cut, shown, [line.get_color() for line in lines])
        _resolution(resolution, shown, noise_words, coarsest_mm)
        for what, read in shown.read_as.items():
            wrong.plot(shown.levels, read - shown.levels, label=what, linewidth=1.2)
        wrong.axhline(0.0, color="0.4", linewidth=0.8)
        wrong.set(title=f"Error if read as {clean}", xlabel="level, mm", ylabel="mm")
        wrong.legend(fontsize=8)
        drawn.suptitle(
            f"{title}\nsimulated, two-dimensional field: for choosing a layout, not a figure of accuracy",
            fontsize=10,
        )


def _slopes(axes: Any, cut: Slice, shown: Outlook, colours: Sequence[Any]) -> None:
    for k, colour in enumerate(colours):
        axes.plot(shown.levels, 1000 * shown.slope[:, k], color=colour)
        axes.axvspan(
            max(cut.pads[k][0], 0.0), min(max(cut.pads[k][1], 0.0), shown.levels[-1]), ymax=0.03, color=colour
        )
    axes.set(title="Slope of each pad (bars: where the pads are)", xlabel="level, mm", ylabel="fF per mm")


def _resolution(axes: Any, shown: Outlook, noise_words: str, coarsest_mm: float) -> None:
    from matplotlib.ticker import LogLocator, NullFormatter

    axes.semilogy(shown.levels, shown.resolution, color="C0")
    axes.axhline(coarsest_mm, color="0.4", linewidth=0.8, linestyle="--", label=f"{coarsest_mm:g} mm")
    for k, (low, high) in enumerate(shown.blind):
        axes.axvspan(low - 0.5, high + 0.5, color="C3", alpha=0.15, label="blind" if k == 0 else None)
    axes.set(
        title=f"Resolution, all pads together, {noise_words}",
        xlabel="level, mm",
        ylabel="mm, standard deviation",
    )
    # plain numbers: the library's own would be formulas, and words in figures are none (see figures.LOOK)
    low, high = axes.get_ylim()
    axes.yaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0) if high < 1e4 * low else (1.0,)))
    axes.yaxis.set_major_formatter("{x:g}")
    axes.yaxis.set_minor_formatter(NullFormatter())
    axes.legend(fontsize=8)
