"""Figures as JSON and back: keys in order, what is left out, what earlier versions did not keep. All numbers
invented.
"""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest

from training.judging.figures import (
    AnsweredLimit,
    Beyond,
    ClassFigures,
    Episodes,
    ErrorBox,
    Figures,
    FlaggedErrors,
    Joint,
    LevelBin,
    OperatingPoint,
    Prove,
    RiskPoint,
    Score,
    StatedFrames,
    WorstGroup,
)

CLEAN = ClassFigures(
    frames=900,
    groups=9,
    accepted_share=0.98,
    frames_accepted_share=0.97,
    worst=WorstGroup(0.06, 0.3, 1.1, 4.0, 0.5),
    p50_mm=0.3,
    p95_mm=0.9,
    max_mm=4.0,
    bias_mm=-0.1,
    rmse_mm=0.4,
    p95_pct=1.5,
    frames_p95_mm=1.0,
    worst_group="unit-7",
    worst_group_p95_mm=1.1,
)
FIGURES = Figures(
    classes={"clean": CLEAN},
    by={"liquid": {"water": CLEAN}},
    span_mm=60.0,
    false_wet=Episodes(40, 1, 3, 0.1),
    joint=Joint(0.9, 0.9, 1.0, 0.8, FlaggedErrors(0.5, 0.0), FlaggedErrors(None, None)),
    by_level=(LevelBin(2.5, 40, -0.5, 0.1, 0.7, None),),
    boxes=(ErrorBox("clean", 100, 3, 2, -1.0, -0.5, 0.0, 0.5, 1.0, -2.0, 2.0),),
    confusion=(StatedFrames("foam", 5, 1, {"valid": 5}, {"foam": 4}, ("valid", "foam")),),
    risk={"clean": (RiskPoint(7, 1.0, 0.9),)},
    operating={"clean": OperatingPoint(0.98, 0.85)},
)
SCORE = Score(0.8, 1.5, 1.0, 0.0, 9, 0, 90)


@pytest.mark.parametrize(
    "record",
    [
        FIGURES,
        replace(FIGURES, ordered=True),
        ClassFigures(0, 0, None),
        Prove(SCORE, SCORE, (), beyond=Beyond(0, None, 0)),
        Prove(SCORE, SCORE, (), (LevelBin(2.5, 40, -0.5, 0.1, 0.7, 0.3),), Beyond(3, 1.0, 1)),
        AnsweredLimit("rmse_mm", "all", 1.0, None, 1, None, "not enough evidence", "nothing"),
    ],
)
def test_what_is_written_is_read_again(record: Any) -> None:
    kept = json.loads(json.dumps(record.to_json(), allow_nan=False))
    assert type(record).from_json(kept) == record


def test_what_a_class_has_not_is_no_key() -> None:
    """Without frames there are no shares, without accepted ones no errors; an unknown uncertainty of the
    label is said beside errors.
    """
    assert ClassFigures(0, 0, None).to_json() == {"frames": 0, "groups": 0, "accepted_share": None}
    withheld = ClassFigures(9, 1, 0.0, 0.0, WorstGroup(1.0)).to_json()
    assert withheld == {
        "frames": 9,
        "groups": 1,
        "accepted_share": 0.0,
        "frames_accepted_share": 0.0,
        "worst": {"withheld_share": 1.0},
    }
    assert list(CLEAN.to_json())[-2:] == ["worst_group_p95_mm", "label_u_mm"]


def test_names_in_json_stay() -> None:
    assert next(iter(FIGURES.to_json()["boxes"][0])) == "class"
    assert list(Prove(SCORE, SCORE, ()).to_json()) == ["integer", "float", "by_group", "beyond"]
    assert "or_mm" not in AnsweredLimit("rmse_mm", "all", 1.0, None, 1, None, "met", "").to_json()


def test_what_earlier_versions_did_not_keep_is_none_or_empty() -> None:
    read = Figures.from_json({"classes": {"clean": {"frames": 3, "groups": 1, "accepted_share": 1.0}}})
    assert read == Figures(classes={"clean": ClassFigures(3, 1, 1.0)})


@pytest.mark.parametrize(
    ("kept", "read"),
    [
        (None, None),
        (3, None),
        ({"classes": 3, "by": {"unit": None}, "boxes": [None, {"class": "clean"}]}, Figures(by={"unit": {}})),
        ({"classes": {"clean": {"frames": True, "groups": 1}}}, Figures()),
        ({"classes": {"clean": {"frames": 2.5, "groups": 1}}}, Figures()),
        ({"span_mm": "wide", "ordered": "yes"}, Figures()),
        ({"span_mm": float("nan"), "false_dry": {"episodes": 3}}, Figures()),
        ({"risk": {"clean": [{}, {"doubt": 1}], "foam": 1}}, Figures(risk={"clean": (), "foam": ()})),
    ],
)
def test_what_is_no_figure_is_left_out(kept: object, read: Figures | None) -> None:
    """A value of another kind is none, and a record that is not whole is left out of its list."""
    assert Figures.from_json(kept) == read
