"""Placeholder until the tracing commands are here."""

from __future__ import annotations

import typer


def register(app: typer.Typer) -> None:
    """Nothing yet."""
