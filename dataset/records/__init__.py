"""What crosses the borders of the store: frozen records and arrays. ORM objects never leave ``dataset``.

Lengths are millimetres, times milliseconds, temperatures degrees Celsius, volumes millilitres, frequencies
hertz. A record with revisions is named ``name`` (its latest revision) or ``name@2`` (a certain one).
"""

from __future__ import annotations

from dataset.records.bench import (
    Liquid,
    Mounting,
    Pad,
    Sensor,
    Tank,
    Trim,
    TrimLimits,
    Unit,
    hertz,
)
from dataset.records.captures import (
    ID_DIGITS,
    Amendment,
    ColumnMapping,
    Conditions,
    DoorWarning,
    Frames,
    Mark,
    MarkRevision,
    NewSession,
    Session,
    Source,
    Stretch,
    newest_amendment,
)
from dataset.records.models import (
    Budget,
    ExportedFile,
    FrozenData,
    FrozenSet,
    Limit,
    Limits,
    Model,
)
from dataset.words import (
    CORES,
    METRICS,
    CountLaw,
    Coupling,
    Flow,
    GroupBy,
    LevelUnit,
    PadRole,
    Role,
    Surface,
    TimeUnit,
    TrimKind,
    Wall,
)

# the words of the records can be had from here too
__all__ = [
    "CORES",
    "ID_DIGITS",
    "METRICS",
    "Amendment",
    "Budget",
    "ColumnMapping",
    "Conditions",
    "CountLaw",
    "Coupling",
    "DoorWarning",
    "ExportedFile",
    "Flow",
    "Frames",
    "FrozenData",
    "FrozenSet",
    "GroupBy",
    "LevelUnit",
    "Limit",
    "Limits",
    "Liquid",
    "Mark",
    "MarkRevision",
    "Model",
    "Mounting",
    "NewSession",
    "Pad",
    "PadRole",
    "Role",
    "Sensor",
    "Session",
    "Source",
    "Stretch",
    "Surface",
    "Tank",
    "TimeUnit",
    "Trim",
    "TrimKind",
    "TrimLimits",
    "Unit",
    "Wall",
    "hertz",
    "newest_amendment",
]
