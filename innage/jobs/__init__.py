"""One function a job: for the commands, for ``import innage``, and for a service alike.

A job takes an open store and plain values, and gives back records or frozen dataclasses. It prints nothing
and knows no command line; errors name fields as its arguments are called.
"""

from __future__ import annotations

from typing import Protocol


class Progress(Protocol):
    """Told what is being done, and how much of it."""

    def __call__(self, what: str, done: int, total: int, /) -> None: ...


def silent(_what: str, _done: int, _total: int, /) -> None:
    """Progress that nobody watches."""
