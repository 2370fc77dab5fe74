"""What pictures of models show: each thing where it belongs."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from matplotlib.figure import Figure

from innage.pictures import model_pictures
from innage.pictures.figures import figure
from training.search.study_figures import ShortErrors, StudyRow


def variant(name: str, within: bool | None, refused: str | None = None, **p95_mm: float | None) -> StudyRow:
    """A row of a study with these errors by class."""
    classes = {each: ShortErrors(error, None, 1.0) for each, error in p95_mm.items()}
    return StudyRow(name, None, None, classes, None, None, None, refused, within)


def test_a_study_shows_each_variant_by_class(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """From the top in their order; what fails the limits is hollow, and what cannot be had says so."""
    kept: list[Figure] = []

    @contextmanager
    def keeping(*asked: object) -> Iterator[Figure]:
        with figure(*asked) as drawn:  # type: ignore[arg-type]  # handed on as they came
            yield drawn
            kept.append(drawn)

    monkeypatch.setattr(model_pictures, "figure", keeping)
    studies = {
        "trims": (
            variant("none", False, clean=9.0, foam=8.0, all=9.0),
            variant("dry", True, clean=2.0, foam=3.0),
            variant("full", None, "a unit has none"),
        ),
        "features": (variant("unrest", None, clean=1.5, film=None),),
    }
    model_pictures.draw_study(tmp_path / "study.png", studies, "first on choose groups (simulated)")
    (drawn,) = kept
    trims, features = drawn.axes
    assert [ax.get_title(loc="left") for ax in drawn.axes] == ["trims", "features"]
    assert [label.get_text() for label in trims.get_yticklabels()] == ["none", "dry", "full (refused)"]
    assert trims.get_ylim() == (2.5, -0.5)
    marks = {
        (str(line.get_label()), line.get_markerfacecolor() == "none"): np.asarray(line.get_xydata()).tolist()
        for line in trims.lines
    }
    assert marks == {
        ("clean", False): [[2.0, 1.0]],
        ("clean, a limit fails", True): [[9.0, 0.0]],
        ("foam", False): [[3.0, 1.0]],
        ("foam, a limit fails", True): [[8.0, 0.0]],
    }
    assert [line.get_label() for line in features.lines] == ["clean"]  # of film nobody knows an error
    assert features.get_xlim()[0] == 0.0
    (legend,) = drawn.legends
    assert [text.get_text() for text in legend.get_texts()] == [label for label, _ in marks]
    assert (tmp_path / "study.png").stat().st_size > 0
