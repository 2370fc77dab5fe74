"""A limit in per cent of the span may have millimetres beside it: the larger of both is the bound.

Revision ID: 0005_limits
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005_limits"
down_revision = "0004_parent"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add a column, in place."""
    op.add_column("limit_row", sa.Column("or_mm", sa.Float(), nullable=True))


def downgrade() -> None:
    """Stores only go forward; the copy that an upgrade keeps is the way back."""
    raise NotImplementedError("a store is never downgraded: use the copy that was kept beside it")
