"""The tables of the store. ORM objects stay inside ``dataset``; frozen records cross its border.

Every change here needs a revision in ``migrations/versions``; a test compares the two. What a record always
holds is loaded with its row (``selectin``: one query for all rows); frame blocks never are.
"""

from dataset.store.tables.base import Base, Covered
from dataset.store.tables.bench_tools import CheckMeasurementRow, CheckStandardRow, InstrumentRow
from dataset.store.tables.captures import OpenBlockRow, OpenCaptureRow, OpenEntryRow
from dataset.store.tables.queue import JobEventRow, JobFileRow, JobRow
from dataset.store.tables.registry import (
    BenchRow,
    BudgetRow,
    LimitRow,
    LimitsRow,
    LiquidRow,
    MappingRow,
    MountingRow,
    OperatorRow,
    PadRow,
    RetirementRow,
    SensorRow,
    TankRow,
    UnitAssignmentRow,
    UnitRow,
    UnitUnionRow,
)
from dataset.store.tables.releases import (
    BundleContentRow,
    BundleSignatureRow,
    ChannelMoveRow,
    WithdrawalRow,
)
from dataset.store.tables.results import BoardMeasurementRow, ExportedFileRow, ExportRow, ModelRow, StatusRow
from dataset.store.tables.sessions import (
    AmendmentRow,
    BlockRow,
    MarkRevisionRow,
    MarkRow,
    SessionRow,
    StretchRow,
    TagRow,
    VoidRow,
    WarningRow,
)
from dataset.store.tables.sets import (
    FrozenRoleRow,
    FrozenSessionRow,
    FrozenSetRow,
    FrozenTrimRow,
    ProveOpeningRow,
    TrimRow,
)
from dataset.store.tables.team import (
    AuditRow,
    ReceiptRow,
    SignInRow,
    StagedBlobRow,
    TokenRevocationRow,
    TokenRow,
    TokenUseRow,
)

__all__ = [
    "AmendmentRow",
    "AuditRow",
    "Base",
    "BenchRow",
    "BlockRow",
    "BoardMeasurementRow",
    "BudgetRow",
    "BundleContentRow",
    "BundleSignatureRow",
    "ChannelMoveRow",
    "CheckMeasurementRow",
    "CheckStandardRow",
    "Covered",
    "ExportRow",
    "ExportedFileRow",
    "FrozenRoleRow",
    "FrozenSessionRow",
    "FrozenSetRow",
    "FrozenTrimRow",
    "InstrumentRow",
    "JobEventRow",
    "JobFileRow",
    "JobRow",
    "LimitRow",
    "LimitsRow",
    "LiquidRow",
    "MappingRow",
    "MarkRevisionRow",
    "MarkRow",
    "ModelRow",
    "MountingRow",
    "OpenBlockRow",
    "OpenCaptureRow",
    "OpenEntryRow",
    "OperatorRow",
    "PadRow",
    "ProveOpeningRow",
    "ReceiptRow",
    "RetirementRow",
    "SensorRow",
    "SessionRow",
    "SignInRow",
    "StagedBlobRow",
    "StatusRow",
    "StretchRow",
    "TagRow",
    "TankRow",
    "TokenRevocationRow",
    "TokenRow",
    "TokenUseRow",
    "TrimRow",
    "UnitAssignmentRow",
    "UnitRow",
    "UnitUnionRow",
    "VoidRow",
    "WarningRow",
    "WithdrawalRow",
]
