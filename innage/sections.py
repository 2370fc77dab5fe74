"""Help whose options stand under headings, for commands that have many; an option's heading is its
``rich_help_panel``.
"""

from __future__ import annotations

from typing import Any

from typer.core import TyperCommand, TyperGroup


class SectionedCommand(TyperCommand):
    """A command whose options stand under headings."""

    def format_options(self, ctx: Any, formatter: Any) -> None:
        """Arguments, then each heading with its options, those without one under 'Options'."""
        write_sections(self, ctx, formatter)


class SectionedGroup(TyperGroup):
    """A group whose own options stand under headings, before its commands."""

    def format_options(self, ctx: Any, formatter: Any) -> None:
        """As :meth:`SectionedCommand.format_options`; then the commands."""
        write_sections(self, ctx, formatter)
        self.format_commands(ctx, formatter)


def write_sections(command: Any, ctx: Any, formatter: Any) -> None:
    """Write the help of a command's parameters, heading by heading, in the order in which they come first."""
    sections: dict[str, list[tuple[str, str]]] = {}
    for parameter in command.get_params(ctx):
        record = parameter.get_help_record(ctx)
        if record is not None:
            plain = "Arguments" if parameter.param_type_name == "argument" else "Options"
            sections.setdefault(getattr(parameter, "rich_help_panel", None) or plain, []).append(record)
    for heading, records in sections.items():
        with formatter.section(heading):
            formatter.write_dl(records)
