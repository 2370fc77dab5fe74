"""The groups of a frozen set may be bands of temperature, whose edges it keeps.

The word for what the groups are has no constraint of its own; an earlier version must still not meet one that
it doesn't know.

Revision ID: 0006_temperature
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006_temperature"
down_revision = "0005_limits"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add a column, in place."""
    op.add_column("frozen_set", sa.Column("edges_c", sa.Text(), nullable=True))


def downgrade() -> None:
    """Stores only go forward; the copy that an upgrade keeps is the way back."""
    raise NotImplementedError("a store is never downgraded: use the copy that was kept beside it")
