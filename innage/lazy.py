"""A group of commands that imports a command's module only when that command is called, or its options are
completed.
"""

from __future__ import annotations

from collections.abc import Iterator
from difflib import get_close_matches
from importlib import import_module
from inspect import unwrap
from typing import Any, get_args, get_type_hints

import typer
from typer.core import TyperCommand, TyperGroup

from innage.command_table import COMMANDS, SECTIONS


class LazyGroup(TyperGroup):
    """The commands of :mod:`innage.command_table`."""

    _listing = False  # while names are completed a line of help is all that is asked for

    def list_commands(self, ctx: Any) -> list[str]:
        """The names, in the order of the table."""
        return list(COMMANDS)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """The command of that name, imported now; None when there is none."""
        if cmd_name not in COMMANDS:
            return None
        if self._listing:
            return TyperCommand(cmd_name, help=COMMANDS[cmd_name].line)
        if cmd_name not in self.commands:
            self.commands[cmd_name] = load(cmd_name)
        return self.commands[cmd_name]

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """The commands and their lines, section by section, in one column."""
        width = max(map(len, COMMANDS))
        for title, entries in SECTIONS.items():
            with formatter.section(title):
                formatter.write_dl([(name.ljust(width), entry.line) for name, entry in entries.items()])

    def shell_complete(self, ctx: Any, incomplete: str) -> Any:
        """Names that begin with ``incomplete``, without an import."""
        self._listing = True
        try:
            return super().shell_complete(ctx, incomplete)
        finally:
            self._listing = False

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """The command that the first argument names; one that there is not ends with the nearest that there
        are.
        """
        if args and args[0] not in COMMANDS and not args[0].startswith("-") and not ctx.resilient_parsing:
            near = get_close_matches(args[0], COMMANDS)
            ctx.fail(
                f"No such command {args[0]!r}."
                + (f" Did you mean {' or '.join(map(repr, near))}?" if near else "")
            )
        return super().resolve_command(ctx, args)


def load(name: str) -> Any:
    """The command ``name`` with its options, from its module; a group with those from modules beside it."""
    module = import_module(f"innage.commands.{COMMANDS[name].module}")
    holder = typer.Typer(rich_markup_mode=None, add_completion=False)
    if hasattr(module, "register"):
        module.register(holder)
    else:
        holder.add_typer(module.app, name=name)
    command = typer.main.get_group(holder).commands[name]
    for other in COMMANDS[name].beside:
        holder = typer.Typer(rich_markup_mode=None, add_completion=False)
        import_module(f"innage.commands.{other}").register(holder)
        assert isinstance(command, TyperGroup)
        command.commands.update(typer.main.get_group(holder).commands)
    _refuse_other_digits(command)
    return command


def _kinds(hint: Any) -> Iterator[Any]:
    """A type and those that it is made of, such as ``list[int] | None``."""
    yield hint
    for part in get_args(hint):
        yield from _kinds(part)


def _refuse_other_digits(command: Any) -> None:
    """Have numbers in options, of all commands below too, written in the digits 0 to 9: Python reads those of
    every script, and a count pasted from elsewhere may not be what its reader takes it for.
    """
    for below in getattr(command, "commands", {}).values():
        _refuse_other_digits(below)
    if command.callback is None:
        return
    hints = get_type_hints(unwrap(command.callback))
    numbers = {
        option
        for parameter in command.params
        if {int, float} & set(_kinds(hints.get(parameter.name)))
        for option in parameter.opts
    }
    parse = command.parse_args

    def parse_plain(ctx: Any, args: list[str]) -> Any:
        for word, following in zip(
            args, [*args[1:], ""], strict=False
        ):  # without any, there is none to follow
            option, attached, value = word.partition("=")
            if option in numbers and not (value if attached else following).isascii():
                raise typer.BadParameter(
                    f"{(value if attached else following)[:80]!r} is not written in the digits 0 to 9.",
                    param_hint=repr(option),
                )
        return parse(ctx, args)

    command.parse_args = parse_plain


def suggest(error: Any) -> None:
    """Reword a usage error about an unknown option so that it asks as one about an unknown command does."""
    possible = getattr(error, "possibilities", None)  # only the error of an unknown option has them
    if possible:
        wanted = str(error.option_name).lstrip("-")  # the dashes alone make short words alike
        near = [name for name in possible if get_close_matches(wanted, [name.lstrip("-")])]
        error.message += f". Did you mean {' or '.join(map(repr, near))}?" if near else ""
        error.possibilities = None


def after_the_command(error: Any) -> None:
    """Say of an option before the command that is not one of the command line's own where it belongs."""
    if getattr(error, "option_name", None) and "Did you mean" not in str(getattr(error, "message", "")):
        place = f"Options stand after the command: innage COMMAND {error.option_name} ..."
        error.message = f"{error.message.rstrip('.')}. {place}"
