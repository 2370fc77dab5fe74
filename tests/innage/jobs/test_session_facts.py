"""A level is shown with the digits that its uncertainty leaves; one thing is one, two are several."""

from __future__ import annotations

import pytest

from dataset.labels.conditions import read_conditions
from dataset.records import Mark, Restatement, Stretch
from dataset.words import counted
from innage.jobs.sessions.session_facts import level_text, stated_text, u_shown


@pytest.mark.parametrize(
    ("mark", "text"),
    [
        (Mark(0, 5, 51.0748, 0.03686, method="mass"), "51.075 (mass)"),
        (Mark(0, 5, 159.69, 0.3), "159.69"),
        (Mark(0, 5, 124.738, 3.0, level_stop_mm=3.00958), "124.7 to 3"),
        (Mark(0, 5, 49.98765, 12.0), "50"),
        (Mark(0, 5, 49.98765), "49.9877"),
        (Mark(0, 5, 49.98765, 0.0, 0.12), "49.99"),
    ],
)
def test_a_level_has_the_digits_of_its_uncertainty(mark: Mark, text: str) -> None:
    """Two digits of an uncertainty suffice, and the value ends where it does (JCGM 100:2008, 7.2.6)."""
    assert level_text(mark) == text


def test_an_uncertainty_has_two_digits() -> None:
    assert [u_shown(u) for u in (0.03686, 0.118, 12.34, 0.0, None)] == [0.037, 0.12, 12.0, 0.0, None]


def test_one_thing_is_one() -> None:
    assert [counted(number, "cell") for number in (0, 1, 2)] == ["0 cells", "1 cell", "2 cells"]


def test_conditions_that_come_again_are_said_once() -> None:
    """A session of many pours has as many stretches, of two kinds; none of their frames is left out."""
    still, filling = (read_conditions("c", text) for text in ("wall=drops,flow=static", "flow=filling"))
    stretches = (Stretch(0, 45, still), Stretch(45, 60, filling), Stretch(60, 110, still))
    assert stated_text(Restatement(stretches=stretches)) == (
        "conditions 0-44, 60-109 wall=drops,flow=static; 45-59 flow=filling"
    )
    assert stated_text(Restatement(stretches=())) == "conditions none stated"
