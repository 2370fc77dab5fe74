"""Placeholder."""

from __future__ import annotations

import typer

app = typer.Typer()
