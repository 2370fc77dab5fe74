"""Errors name a field as Python does, and each face spells it as its users set it."""

from __future__ import annotations

from dataset.errors import InputError
from innage.options import option_of


def test_fields_are_spelled_by_the_face() -> None:
    """Whole words only: a longer name that begins alike, and the same word in a value, stay as they are."""
    error = InputError(
        "edges_c", "edges_c_old=3", "rising numbers", "give edges_c, or kelvin", fields=("edges_c", "kelvin")
    )
    assert str(error) == "edges_c: edges_c_old=3; expected rising numbers. Give edges_c, or kelvin"
    assert error.said_by(option_of) == (
        "--edges-c: edges_c_old=3; expected rising numbers. Give --edges-c, or --kelvin"
    )
    assert InputError("edges_c", "nothing").said_by(option_of) == "edges_c: nothing"
