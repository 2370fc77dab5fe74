"""Simulated sessions are told from measured ones; frozen sets pin the trims of their units.

Revision ID: 0003_simulated
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003_simulated"
down_revision = "0002_bench"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add a column (in place, so that no table is rebuilt and every guard stays) and a table with the guards
    of its siblings.
    """
    op.add_column("capture_session", sa.Column("simulated", sa.Boolean(), nullable=True))
    op.create_table(
        "frozen_trim",
        sa.Column("frozen_set_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("trim_sha256", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(
            ["frozen_set_id"],
            ["frozen_set.id"],
            name="fk_frozen_trim_frozen_set_id_frozen_set",
            ondelete="CASCADE",
        ),
        sa.ForeignKeyConstraint(["trim_sha256"], ["trim.sha256"], name="fk_frozen_trim_trim_sha256_trim"),
        sa.PrimaryKeyConstraint("frozen_set_id", "position", name="pk_frozen_trim"),
    )
    for event, row in (("INSERT", "NEW"), ("UPDATE", "OLD"), ("DELETE", "OLD")):
        sealed = f"(SELECT sealed FROM frozen_set WHERE id = {row}.frozen_set_id)"  # noqa: S608 - the names are the ones above
        _guard("frozen_trim", event, sealed, "the frozen_set that this frozen_trim belongs to is sealed")


def downgrade() -> None:
    """Stores only go forward; the copy that an upgrade keeps is the way back."""
    raise NotImplementedError("a store is never downgraded: use the copy that was kept beside it")


def _guard(table: str, event: str, when: str, reason: str) -> None:
    op.execute(
        f"CREATE TRIGGER guard_{table}_{event.lower()} BEFORE {event} ON {table} WHEN {when} "
        f"BEGIN SELECT RAISE(ABORT, '{reason}'); END"
    )
