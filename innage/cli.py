"""The command ``innage``: gathers the commands and turns the one family of expected errors into a sentence."""

from __future__ import annotations

import sys

import typer

from dataset.errors import InnageError
from innage.commands import budget, exporting, freezing, limits, liquid, logging, mounting, sensor, sessions, tank, tracing, training, unit

app = typer.Typer(
    name="innage",
    help="Log capture sessions of contactless level sensors, train small integer models on them, and export verified C and ONNX.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

for module, name in ((tank, "tank"), (liquid, "liquid"), (sensor, "sensor"), (mounting, "mounting"), (unit, "unit"), (budget, "budget"), (limits, "limits")):
    app.add_typer(module.app, name=name)
for module in (logging, sessions, freezing, training, exporting, tracing):
    module.register(app)


def main() -> None:
    """Run the command line; an expected error becomes one sentence on stderr and exit code 2."""
    try:
        app()
    except InnageError as error:
        print(f"innage: {error}", file=sys.stderr)
        sys.exit(2)
