"""Errors name a field as Python does, and each face spells it as its users set it."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

import dataset
from dataset.errors import InputError, naming, nearest
from innage.options import option_of


def test_fields_are_spelled_by_the_face() -> None:
    """Whole words only: a longer name that begins alike, and the same word in a value, stay as they are."""
    error = InputError(
        "edges_c",
        "edges_c_old=3",
        "rising numbers",
        "give edges_c, or offset_mm",
        fields=("edges_c", "offset_mm"),
    )
    assert str(error) == "edges_c: edges_c_old=3; expected rising numbers. Give edges_c, or offset_mm"
    assert error.said_by(option_of) == (
        "--edges-c: edges_c_old=3; expected rising numbers. Give --edges-c, or --offset-mm"
    )
    assert InputError("edges_c", "nothing").said_by(option_of) == "edges_c: nothing"


def test_a_place_or_a_value_is_not_taken_for_a_field() -> None:
    """Files, records and quoted values come from elsewhere; they may be called as a field is."""
    for where in ("time.csv, line 3", "/mnt/time", "run/time/a.csv", "mapping time"):
        error = InputError(where, "'time'", "a number in /mnt/time/x.csv", "see time", fields=("time",))
        assert error.said_by(option_of) == (
            f"{where}: 'time'; expected a number in /mnt/time/x.csv. See --time"
        )


def test_calls_are_spelled_as_commands() -> None:
    """A call stands for the command that does the same, with what it is given."""
    voiding = "Store.void('1a2b', ...)"
    error = InputError("a.csv", "was logged already", "", f"void it: {voiding}", fields=(voiding,))
    assert str(error) == "a.csv: was logged already. Void it: Store.void('1a2b', ...)"
    assert error.said_by(option_of) == "a.csv: was logged already. Void it: 'innage void 1a2b --reason ...'"
    assert option_of("ColumnMapping.time_unit") == "--time-unit"
    assert option_of("replace=True") == "--replace"
    assert option_of("ColumnMapping.header=False") == "--no-header"


def test_naming_adds_fields_to_what_passes_through() -> None:
    """A check that is told where it looks needs no second argument to say that the place is a field."""
    with pytest.raises(InputError) as raised, naming("offset_mm"):
        raise InputError("offset_mm", "0", "a width")
    assert raised.value.said_by(option_of) == "--offset-mm: 0; expected a width"


def test_no_error_of_the_domain_names_an_option_or_a_command() -> None:
    """Callers from Python and over HTTP have none; documentation strings may speak of them."""
    named = []
    for file in sorted(Path(dataset.__file__).parent.rglob("*.py")):
        tree = ast.parse(file.read_text("utf-8"))
        documentation = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
        named += [
            f"{file.name}, line {node.lineno}: {node.value!r}"
            for node in ast.walk(tree)
            if isinstance(node, ast.Constant)
            and isinstance(node.value, str)
            and id(node) not in documentation
            if re.search(r"(?<![\w-])--[a-z]|'innage ", node.value)
        ]
    assert not named


def test_the_nearest_name_is_asked_for() -> None:
    """One that begins so goes before one that is as near; nothing is asked where none is."""
    cores = ("cortex-m0plus", "cortex-m3", "cortex-m4")
    assert nearest("cortex-m0", cores) == "did you mean 'cortex-m0plus'?"
    assert nearest("cortex-m5", ("cortex-m4", "rv32imc")) == "did you mean 'cortex-m4'?"
    assert nearest("fome", ("still", "foam", "sloshing")) == "did you mean 'foam'?"
    assert nearest("gold", ("clean", "film")) == ""
