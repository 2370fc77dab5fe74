"""The bench: tank profiles, liquid models, conditions, door warnings, revised marks, trims, captures that are
still open.

Revision ID: 0002_bench
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002_bench"
down_revision = "0001_first"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add columns (SQLite adds them in place, so that no table is rebuilt and every guard stays)
    and tables.
    """
    for table, column, kind in (
        ("tank", "profile", sa.Text()),
        ("tank", "headspace_mm", sa.Float()),
        ("tank", "expansion_per_k", sa.Float()),
        ("tank", "reference_c", sa.Float()),
        ("liquid", "model", sa.Text()),
        ("liquid", "source", sa.Text()),
        ("limits", "signer", sa.Text()),
        ("mark", "u_common_mm", sa.Float()),
        ("mark", "level_stop_mm", sa.Float()),
        ("mark", "method", sa.Text()),
        ("frozen_session", "mark_revision_sha256", sa.String(length=64)),
    ):
        op.add_column(table, sa.Column(column, kind, nullable=True))
    _of_sessions()
    _trims()
    _open_captures()
    for child in ("condition_stretch", "door_warning"):
        for event, row in (("INSERT", "NEW"), ("UPDATE", "OLD"), ("DELETE", "OLD")):
            sealed = f"(SELECT sealed FROM capture_session WHERE id = {row}.session_id)"  # noqa: S608 - the names are the ones above
            _guard(child, event, sealed, f"the capture_session that this {child} belongs to is sealed")
    for table in ("mark_revision", "trim"):
        _guard(table, "UPDATE", "true", f"rows of {table} never change")
        _guard(table, "DELETE", "true", f"rows of {table} are never deleted")


def downgrade() -> None:
    """Stores only go forward; the copy that an upgrade keeps is the way back."""
    raise NotImplementedError("a store is never downgraded: use the copy that was kept beside it")


def _of_sessions() -> None:
    """What belongs to a sealed session: conditions and warnings from its logging, and later revisions of its
    marks.
    """
    op.create_table(
        "condition_stretch",
        sa.Column("session_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("start", sa.Integer(), nullable=False),
        sa.Column("stop", sa.Integer(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["session_id"],
            ["capture_session.id"],
            name="fk_condition_stretch_session_id_capture_session",
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("session_id", "position", name="pk_condition_stretch"),
    )
    op.create_table(
        "door_warning",
        sa.Column("session_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("check_name", sa.String(length=60), nullable=False),
        sa.Column("sentence", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["session_id"],
            ["capture_session.id"],
            name="fk_door_warning_session_id_capture_session",
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("session_id", "position", name="pk_door_warning"),
    )
    op.create_table(
        "mark_revision",
        sa.Column("sequence", sa.Integer(), nullable=False),
        sa.Column("session_id", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("parent_sha256", sa.String(length=64), nullable=True),
        sa.Column("author", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["session_id"], ["capture_session.id"], name="fk_mark_revision_session_id_capture_session"
        ),
        sa.PrimaryKeyConstraint("sequence", name="pk_mark_revision"),
        sa.UniqueConstraint("sha256", name="uq_mark_revision_sha256"),
    )
    op.create_index("ix_mark_revision_session_id", "mark_revision", ["session_id"])


def _trims() -> None:
    """Units' own stored counts, a row each time one was taken."""
    op.create_table(
        "trim",
        sa.Column("sequence", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("unit_id", sa.Integer(), nullable=False),
        sa.Column("mounting_id", sa.Integer(), nullable=False),
        sa.Column("session_id", sa.Integer(), nullable=True),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("stage", sa.Text(), nullable=False),
        sa.Column("date", sa.String(length=10), nullable=False),
        sa.Column("temperature_c", sa.Float(), nullable=True),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["mounting_id"], ["mounting.id"], name="fk_trim_mounting_id_mounting"),
        sa.ForeignKeyConstraint(
            ["session_id"], ["capture_session.id"], name="fk_trim_session_id_capture_session"
        ),
        sa.ForeignKeyConstraint(["unit_id"], ["unit.id"], name="fk_trim_unit_id_unit"),
        sa.PrimaryKeyConstraint("sequence", name="pk_trim"),
        sa.UniqueConstraint("sha256", name="uq_trim_sha256"),
    )
    op.create_index("ix_trim_unit_id", "trim", ["unit_id"])


def _open_captures() -> None:
    """Live captures on their way: append-only blocks and entries, gone once the session is sealed."""
    op.create_table(
        "open_capture",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("unit_id", sa.Integer(), nullable=False),
        sa.Column("liquid_id", sa.Integer(), nullable=False),
        sa.Column("mounting_id", sa.Integer(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["liquid_id"], ["liquid.id"], name="fk_open_capture_liquid_id_liquid"),
        sa.ForeignKeyConstraint(
            ["mounting_id"], ["mounting.id"], name="fk_open_capture_mounting_id_mounting"
        ),
        sa.ForeignKeyConstraint(["unit_id"], ["unit.id"], name="fk_open_capture_unit_id_unit"),
        sa.PrimaryKeyConstraint("id", name="pk_open_capture"),
        sa.UniqueConstraint("name", name="uq_open_capture_name"),
    )
    op.create_table(
        "open_block",
        sa.Column("capture_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("format", sa.Integer(), nullable=False),
        sa.Column("frames", sa.Integer(), nullable=False),
        sa.Column("t_ms", sa.LargeBinary(), nullable=False),
        sa.Column("counts", sa.LargeBinary(), nullable=False),
        sa.Column("temperature_c", sa.LargeBinary(), nullable=True),
        sa.ForeignKeyConstraint(
            ["capture_id"],
            ["open_capture.id"],
            name="fk_open_block_capture_id_open_capture",
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("capture_id", "position", name="pk_open_block"),
    )
    op.create_table(
        "open_entry",
        sa.Column("capture_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["capture_id"],
            ["open_capture.id"],
            name="fk_open_entry_capture_id_open_capture",
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("capture_id", "position", name="pk_open_entry"),
    )


def _guard(table: str, event: str, when: str, reason: str) -> None:
    op.execute(
        f"CREATE TRIGGER guard_{table}_{event.lower()} BEFORE {event} ON {table} WHEN {when} "
        f"BEGIN SELECT RAISE(ABORT, '{reason}'); END"
    )
