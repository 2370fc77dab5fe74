"""The search that a bench is asked to run: of a frozen set of a store, for a budget, on limits."""

from __future__ import annotations

import argparse
from pathlib import Path

from dataset.records import FrozenData
from dataset.store import Store
from innage.jobs.models.training import cost_model, lean_cost_model
from training.search.context import SearchRequest


def parser(about: str | None) -> argparse.ArgumentParser:
    """Of the arguments that say which search; its help is the first line of ``about``."""
    asked = argparse.ArgumentParser(description=(about or "").partition("\n")[0])
    asked.add_argument("store", type=Path)
    asked.add_argument("frozen")
    asked.add_argument("--budget")
    asked.add_argument("--limits")
    return asked


def read(given: argparse.Namespace) -> tuple[FrozenData, SearchRequest]:
    """What is searched in, and what for."""
    with Store.open(given.store) as store:
        data = store.frozen_data(store.frozen_set(given.frozen))
        limits = None if given.limits is None else store.limits(given.limits)
        budget = None if given.budget is None else store.budget(given.budget)
    return data, SearchRequest("bench", limits, budget, cost_model(budget), leanest=lean_cost_model(budget))
