"""innage: sessions of contactless level sensors, small integer models on them, and verified C and ONNX.

The Python interface is what stands in ``__all__``; docs/python.md shows it at work. Nothing heavy is imported
before it is used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from dataset.errors import InnageError, InputError, NotFoundError, ProgramError, StoreError, ToolError
    from dataset.records import (
        Budget,
        ColumnMapping,
        CountLaw,
        Frames,
        FrozenSet,
        GroupBy,
        Limit,
        Limits,
        Liquid,
        Mark,
        Model,
        Mounting,
        NewSession,
        Pad,
        Role,
        Sensor,
        Session,
        Source,
        Tank,
        Trim,
        TrimKind,
        Unit,
    )
    from dataset.store import Store
    from dataset.words import LevelUnit, TimeUnit
    from innage.estimator import IntegerLevelRegressor, ProgramRegressor
    from innage.jobs.api import log_file, open_store, upgrade_store
    from innage.jobs.models.choosing import Choice, freeze
    from innage.jobs.models.exporting import BundleOptions, ExportRefusedError, export
    from innage.jobs.models.replaying import program_of, replay, trim_of
    from innage.jobs.models.training import Search, train
    from innage.jobs.models.verifying import BoardPort, verify_bundle
    from innage.jobs.sessions.finding import SessionFilter
    from innage.jobs.tables import Remarks, frame_table, frozen_table, log_table, session_table
    from innage.runner.queueing import add_job
    from innage.runner.running import Runner, run_jobs

__all__ = [
    "BoardPort",
    "Budget",
    "BundleOptions",
    "Choice",
    "ColumnMapping",
    "CountLaw",
    "ExportRefusedError",
    "Frames",
    "FrozenSet",
    "GroupBy",
    "InnageError",
    "InputError",
    "IntegerLevelRegressor",
    "LevelUnit",
    "Limit",
    "Limits",
    "Liquid",
    "Mark",
    "Model",
    "Mounting",
    "NewSession",
    "NotFoundError",
    "Pad",
    "ProgramError",
    "ProgramRegressor",
    "Remarks",
    "Role",
    "Runner",
    "Search",
    "Sensor",
    "Session",
    "SessionFilter",
    "Source",
    "Store",
    "StoreError",
    "Tank",
    "TimeUnit",
    "ToolError",
    "Trim",
    "TrimKind",
    "Unit",
    "UnprovenError",
    "add_job",
    "export",
    "frame_table",
    "freeze",
    "frozen_table",
    "log_file",
    "log_table",
    "open_store",
    "program_of",
    "replay",
    "run_jobs",
    "session_table",
    "train",
    "trim_of",
    "upgrade_store",
    "verify_bundle",
]

_ELSEWHERE = {
    **dict.fromkeys(
        ("InnageError", "InputError", "NotFoundError", "ProgramError", "StoreError", "ToolError"),
        "dataset.errors",
    ),
    "Store": "dataset.store",
    **dict.fromkeys(("LevelUnit", "TimeUnit"), "dataset.words"),
    **dict.fromkeys(("BoardPort", "verify_bundle"), "innage.jobs.models.verifying"),
    **dict.fromkeys(("log_file", "open_store", "upgrade_store"), "innage.jobs.api"),
    **dict.fromkeys(("program_of", "replay", "trim_of"), "innage.jobs.models.replaying"),
    "SessionFilter": "innage.jobs.sessions.finding",
    **dict.fromkeys(("Choice", "freeze"), "innage.jobs.models.choosing"),
    **dict.fromkeys(
        ("Remarks", "frame_table", "frozen_table", "log_table", "session_table"), "innage.jobs.tables"
    ),
    **dict.fromkeys(("IntegerLevelRegressor", "ProgramRegressor"), "innage.estimator"),
    **dict.fromkeys(
        ("BundleOptions", "ExportRefusedError", "UnprovenError", "export"), "innage.jobs.models.exporting"
    ),
    **dict.fromkeys(("Search", "train"), "innage.jobs.models.training"),
    "add_job": "innage.runner.queueing",
    **dict.fromkeys(("Runner", "run_jobs"), "innage.runner.running"),
}


def __getattr__(name: str) -> Any:
    """A public name, imported when it is first asked for."""
    if name not in __all__:
        raise AttributeError(f"module 'innage' has no attribute {name!r}")
    offered = getattr(import_module(_ELSEWHERE.get(name, "dataset.records")), name)
    globals()[name] = offered
    return offered


def __dir__() -> list[str]:
    """The public names."""
    return sorted(__all__)
