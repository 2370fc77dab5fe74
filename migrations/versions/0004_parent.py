"""A model that was retrained says from which one.

Revision ID: 0004_parent
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004_parent"
down_revision = "0003_simulated"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add a column, in place."""
    op.add_column("model", sa.Column("parent", sa.String(length=60), nullable=True))


def downgrade() -> None:
    """Stores only go forward; the copy that an upgrade keeps is the way back."""
    raise NotImplementedError("a store is never downgraded: use the copy that was kept beside it")
