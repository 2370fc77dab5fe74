"""What all pictures have in common."""

from __future__ import annotations

from pathlib import Path

from innage.pictures.figures import figure


def test_numbers_on_axes_are_those_of_tables(tmp_path: Path) -> None:
    """Thousands apart, no part of them set aside; words that were set stay."""
    with figure(tmp_path / "a.svg") as drawn:
        axes = drawn.subplots()
        axes.plot([0, 1], [12_000.0, 16_000.0])
        axes.set_xticks([0, 1], ["4852", "-1"])
    assert "14\u202f000" in [label.get_text() for label in axes.get_yticklabels()]
    assert [label.get_text() for label in axes.get_xticklabels()] == ["4852", "-1"]
