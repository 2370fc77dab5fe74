"""docs/json.md has every command that takes --json and no other, and its check finds what differs."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path
from typing import Any

import pytest
import typer

from innage.cli import app

spec = importlib.util.spec_from_file_location(
    "json_documents", Path(__file__).parents[1] / "json_documents.py"
)
assert spec is not None
assert spec.loader is not None
documents = importlib.util.module_from_spec(spec)
spec.loader.exec_module(documents)


def commands_with_json(command: Any, path: str) -> set[str]:
    own = {path} if any("--json" in param.opts for param in command.params) else set()
    below = command.list_commands(None) if hasattr(command, "commands") else []
    return own.union(
        *(commands_with_json(command.get_command(None, name), f"{path} {name}") for name in below)
    )


NORTH = {"identity": "a" * 32, "name": "north", "note": "", "own": True}


def test_every_command_with_json_is_documented() -> None:
    commands, _ = documents.documented()
    named = {
        re.sub(r"( NAME| --after KEY| --port| --channel| FILE FILE ...| refused)$", "", path)
        for path in commands
    }
    assert named == commands_with_json(typer.main.get_command(app), "innage")


def test_every_record_is_there_and_used() -> None:
    commands, records = documents.documented()
    kinds = [*commands.values(), *(kind for its in records.values() for kind in its.values())]
    named = {re.sub(r"^((list|map) of )+", "", kind).removesuffix(" or none") for kind in kinds} - {
        *documents.PLAIN,
        "any",
    }
    assert named == set(records)


@pytest.mark.parametrize(
    ("data", "kind", "said"),
    [
        (NORTH, "bench", []),
        ({k: v for k, v in NORTH.items() if k != "note"}, "bench", [".note of bench is missing"]),
        (NORTH | {"more": 1}, "bench", [".more of bench is not documented"]),
        ([NORTH | {"note": None}], "list of bench", ["[0].note: None is no text"]),
        ({"start": 0, "stop": 1}, "conditions", []),
        (True, "whole", [": True is no whole"]),
        (1, "number", []),
        (None, "list of whole or none", []),
    ],
)
def test_differences_are_found(data: Any, kind: str, said: list[str]) -> None:
    assert documents.faults(data, kind) == said
