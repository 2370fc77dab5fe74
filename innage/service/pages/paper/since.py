"""What was said of a model's sessions since they were frozen, kept for the sheets that tell it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from innage.jobs.releasing.gates import void_and_amended

if TYPE_CHECKING:
    from dataset.records import Model
    from dataset.store import Store
    from innage.service.pages.paper.kept import Kept


def said_since(store: Store, kept: Kept, model: Model) -> tuple[tuple[tuple[str, str], ...], tuple[str, ...]]:
    """The void ones, each with the reason, and the amended ones, by their ids: it takes all sessions of the
    set to find out.
    """
    return kept.of(("against", model.name), lambda: void_and_amended(store, model))
