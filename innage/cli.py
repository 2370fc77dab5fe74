"""The command ``innage``: gathers the commands and turns the one family of expected errors into a sentence."""

from __future__ import annotations

import sys
from typing import Any

import typer
from typer.core import TyperGroup

from dataset.errors import InnageError
from innage.commands import (
    backup,
    budget,
    checking,
    comparing,
    demo,
    exporting,
    freezing,
    gaps,
    limits,
    liquid,
    live,
    logging,
    mapping,
    marking,
    merging,
    mounting,
    replaying,
    retraining,
    rig,
    rig_filling,  # noqa: F401 - adds a command to 'rig'
    sensor,
    sessions,
    studying,
    sweeping,
    tank,
    text,
    tracing,
    training,
    trimming,
    unit,
)


class Face(TyperGroup):
    """The one place where an expected error becomes a sentence on stderr and exit code 2, Ctrl-C 130; anything else keeps its traceback."""

    def invoke(self, ctx: Any) -> Any:
        """Run the command that the arguments name."""
        try:
            return super().invoke(ctx)
        except InnageError as error:
            print(f"innage: {error}", file=sys.stderr)
            raise typer.Exit(2) from error
        except KeyboardInterrupt:
            print("innage: interrupted", file=sys.stderr)
            raise typer.Exit(130) from None


app = typer.Typer(
    name="innage",
    cls=Face,
    help="Log capture sessions of contactless level sensors, train small integer models on them, and export verified C and ONNX.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

for module, name in (
    (tank, "tank"),
    (liquid, "liquid"),
    (sensor, "sensor"),
    (mounting, "mounting"),
    (unit, "unit"),
    (budget, "budget"),
    (limits, "limits"),
    (mapping, "mapping"),
    (live, "capture"),
    (marking, "mark"),
    (trimming, "trim"),
    (rig, "rig"),
    (text, "text"),
):
    app.add_typer(module.app, name=name)
for module in (logging, sessions, gaps, merging, checking, backup):
    module.register(app)
for module in (freezing, training, retraining, studying, comparing, replaying, sweeping, exporting, tracing, demo):
    module.register(app)


def main() -> None:
    """Run the command line."""
    app()
