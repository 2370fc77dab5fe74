"""What errors call a field, and how the command line spells it: every spelling is an option, or a command,
that there is.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from typer.main import get_command

from innage.cli import app
from innage.options import SPELLED, option_of

ROOT = Path(__file__).parents[2]
FOLDERS = ("dataset", "training", "export", "innage")


@cache
def options() -> dict[tuple[str, ...], frozenset[str]]:
    """The options of every command, by the words that call it."""

    def below(words: tuple[str, ...], command: Any) -> Iterator[tuple[tuple[str, ...], frozenset[str]]]:
        yield words, frozenset(o for p in command.params for o in (*p.opts, *p.secondary_opts))
        for name in getattr(command, "list_commands", lambda _: ())(None):
            yield from below((*words, name), command.get_command(None, name))

    return dict(below((), get_command(app)))


def is_there(spelled: str) -> bool:
    """Whether an option is one of some command, or a command line in quotation marks can be begun so."""
    if spelled.startswith("--"):
        return any(spelled.split(maxsplit=1)[0] in known for known in options().values())
    words = spelled.strip("'").split()[1:]
    ends = (end for end in range(len(words), 0, -1) if tuple(words[:end]) in options())
    command = tuple(words[: next(ends, 0)])
    after = words[len(command) :]
    holds_others = any(len(path) > len(command) and path[: len(command)] == command for path in options())
    return (
        spelled.startswith("'innage ")
        and bool(command)
        and (not holds_others or not after or after[0].startswith("--"))
        and {word for word in after if word.startswith("--")} <= {*options()[command], "--help"}
    )


def fields_named() -> dict[str, str]:
    """The fields that errors name in the code, and where; those that only a run can tell are left out."""
    named = {}
    for folder in FOLDERS:
        for path in sorted((ROOT / folder).rglob("*.py")):
            text = path.read_text(encoding="utf-8")
            if not re.search(r"\b(fields?=|naming\()", text):
                continue
            for scope in ast.walk(ast.parse(text)):
                if not isinstance(scope, ast.Module | ast.FunctionDef):
                    continue
                nodes = list(ast.walk(scope))
                texts = {
                    target.id: node.value
                    for node in nodes
                    if isinstance(node, ast.Assign)
                    for target in node.targets
                    if isinstance(target, ast.Name)
                }
                for call in (node for node in nodes if isinstance(node, ast.Call)):
                    for field in _fields_of(call, texts):
                        named[field] = f"{path.relative_to(ROOT)}:{call.lineno}"
    return named


def _fields_of(call: ast.Call, texts: dict[str, ast.expr]) -> Iterator[str]:
    given = [word.value for word in call.keywords if word.arg in ("fields", "field")]
    if isinstance(call.func, ast.Name) and call.func.id == "naming":
        given += call.args
    while given:
        value = given.pop()
        if isinstance(value, ast.Tuple | ast.List):
            given += value.elts
        elif isinstance(value, ast.Constant) and isinstance(value.value, str):
            yield value.value
        elif isinstance(value, ast.JoinedStr):
            parts = (part.value if isinstance(part, ast.Constant) else "\0" for part in value.values)
            text = "".join(str(part) for part in parts)
            if "\0" not in re.sub("'\0'", "", text):  # else which call it is, only a run can tell
                yield text.replace("\0", "x")
        elif isinstance(value, ast.Name) and value.id in texts:
            given.append(texts.pop(value.id))  # once, so that a name of itself ends


@pytest.mark.longer
@pytest.mark.parametrize("field", sorted(SPELLED))
def test_what_is_spelled_is_an_option_or_a_command(field: str) -> None:
    assert is_there(option_of(field)), option_of(field)


def test_what_errors_name_is_an_option_or_a_command() -> None:
    named = fields_named()
    assert len(named) > 60
    assert {field: where for field, where in named.items() if not is_there(option_of(field))} == {}


def test_a_call_that_says_less_than_its_command_takes_is_spelled_all_the_same() -> None:
    """As an error has it that a plain call in Python raised: there is no kind of trim to put in."""
    assert option_of("Store.add_trim") == "'innage trim add --kind ...'"
    assert option_of("Store.add_trim(kind='dry')") == "'innage trim add --kind dry'"
    assert option_of("Store.void(...)") == "'innage void ... --reason ...'"
