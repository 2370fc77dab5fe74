"""The first schema: registry, capture sessions, frozen sets, models and exports.

Revision ID: 0001_first
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001_first"
down_revision = None
branch_labels = None
depends_on = None

APPLICATION_ID = 0x696E6E61  # "inna": SQLite's own place for saying whose file this is


def upgrade() -> None:
    """Make every table and guard."""
    op.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    _registry()
    _sessions()
    _frozen_sets()
    _models()
    _guard_sealed("capture_session", children={"mark": "session_id", "frame_block": "session_id"})
    _guard_sealed("frozen_set", children={"frozen_role": "frozen_set_id", "frozen_session": "frozen_set_id"})
    registered = ("tank", "liquid", "sensor", "pad", "mounting", "unit", "budget", "limits", "limit_row")
    for table in (*registered, "void_event", "prove_opening", "model", "export", "exported_file"):
        _guard(table, "UPDATE", "true", f"rows of {table} never change")
        _guard(table, "DELETE", "true", f"rows of {table} are never deleted")


def downgrade() -> None:
    """Stores only go forward; the copy that an upgrade keeps is the way back."""
    raise NotImplementedError("a store is never downgraded: use the copy that was kept beside it")


def _registry() -> None:
    """What is registered: tanks, liquids, sensors with pads, mountings, units, budgets, limits, column
    mappings.
    """
    op.create_table(
        "tank",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("span_mm", sa.Float(), nullable=False),
        sa.Column("wall_material", sa.Text(), nullable=False),
        sa.Column("wall_mm", sa.Float(), nullable=True),
        sa.Column("dead_volume_ml", sa.Float(), nullable=True),
        sa.Column("inlet_mm", sa.Float(), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_tank"),
        sa.UniqueConstraint("name", "revision", name="uq_tank_name_revision"),
    )
    op.create_table(
        "liquid",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("permittivity", sa.Float(), nullable=True),
        sa.Column("conductivity", sa.Float(), nullable=True),
        sa.Column("density", sa.Float(), nullable=True),
        sa.Column("temperature_c", sa.Float(), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_liquid"),
        sa.UniqueConstraint("name", name="uq_liquid_name"),
    )
    op.create_table(
        "sensor",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("count_bits", sa.Integer(), nullable=False),
        sa.Column(
            "count_law",
            sa.Enum("rises", "falls", name="countlaw", native_enum=False, length=20),
            nullable=False,
        ),
        sa.Column("period_ms", sa.Integer(), nullable=False),
        sa.Column("period_tolerance_pct", sa.Integer(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_sensor"),
        sa.UniqueConstraint("name", "revision", name="uq_sensor_name_revision"),
    )
    op.create_table(
        "pad",
        sa.Column("sensor_id", sa.Integer(), nullable=False),
        sa.Column("channel", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("bottom_mm", sa.Float(), nullable=False),
        sa.Column("height_mm", sa.Float(), nullable=False),
        sa.Column("width_mm", sa.Float(), nullable=True),
        sa.Column("frequency_hz", sa.Float(), nullable=True),
        sa.Column(
            "role",
            sa.Enum("level", "reference", name="padrole", native_enum=False, length=20),
            nullable=False,
        ),
        sa.ForeignKeyConstraint(
            ["sensor_id"], ["sensor.id"], name="fk_pad_sensor_id_sensor", ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("sensor_id", "channel", name="pk_pad"),
    )
    op.create_table(
        "mounting",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("tank_id", sa.Integer(), nullable=False),
        sa.Column("sensor_id", sa.Integer(), nullable=False),
        sa.Column("offset_mm", sa.Float(), nullable=False),
        sa.Column("offset_tolerance_mm", sa.Float(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["sensor_id"], ["sensor.id"], name="fk_mounting_sensor_id_sensor"),
        sa.ForeignKeyConstraint(["tank_id"], ["tank.id"], name="fk_mounting_tank_id_tank"),
        sa.PrimaryKeyConstraint("id", name="pk_mounting"),
        sa.UniqueConstraint("name", name="uq_mounting_name"),
    )
    op.create_table(
        "unit",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_unit"),
        sa.UniqueConstraint("name", name="uq_unit_name"),
    )
    op.create_table(
        "budget",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("core", sa.Text(), nullable=False),
        sa.Column("multiplier_cycles", sa.Integer(), nullable=False),
        sa.Column("flash_bytes", sa.Integer(), nullable=False),
        sa.Column("ram_bytes", sa.Integer(), nullable=False),
        sa.Column("stack_bytes", sa.Integer(), nullable=False),
        sa.Column("cycles", sa.Integer(), nullable=False),
        sa.Column("wait_states", sa.Integer(), nullable=False),
        sa.Column("clock_hz", sa.Integer(), nullable=False),
        sa.Column("frame_period_ms", sa.Integer(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_budget"),
        sa.UniqueConstraint("name", name="uq_budget_name"),
    )
    op.create_table(
        "limits",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_limits"),
        sa.UniqueConstraint("name", "revision", name="uq_limits_name_revision"),
    )
    op.create_table(
        "limit_row",
        sa.Column("limits_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("metric", sa.Text(), nullable=False),
        sa.Column("bound", sa.Float(), nullable=False),
        sa.Column("condition", sa.Text(), nullable=False),
        sa.Column("confidence", sa.Float(), nullable=True),
        sa.Column("min_groups", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["limits_id"], ["limits.id"], name="fk_limit_row_limits_id_limits", ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("limits_id", "position", name="pk_limit_row"),
    )
    op.create_table(
        "mapping",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_mapping"),
        sa.UniqueConstraint("name", name="uq_mapping_name"),
    )


def _sessions() -> None:
    """Capture sessions with their marks and frame blocks, and the event of voiding one."""
    op.create_table(
        "capture_session",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("readings_sha256", sa.String(length=64), nullable=False),
        sa.Column("sealed", sa.Boolean(), nullable=False),
        sa.Column("unit_id", sa.Integer(), nullable=False),
        sa.Column("liquid_id", sa.Integer(), nullable=False),
        sa.Column("mounting_id", sa.Integer(), nullable=False),
        sa.Column("frames", sa.Integer(), nullable=False),
        sa.Column("source_file", sa.Text(), nullable=False),
        sa.Column("source_sha256", sa.String(length=64), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["liquid_id"], ["liquid.id"], name="fk_capture_session_liquid_id_liquid"),
        sa.ForeignKeyConstraint(
            ["mounting_id"], ["mounting.id"], name="fk_capture_session_mounting_id_mounting"
        ),
        sa.ForeignKeyConstraint(["unit_id"], ["unit.id"], name="fk_capture_session_unit_id_unit"),
        sa.PrimaryKeyConstraint("id", name="pk_capture_session"),
        sa.UniqueConstraint("sha256", name="uq_capture_session_sha256"),
    )
    op.create_index("ix_capture_session_readings_sha256", "capture_session", ["readings_sha256"])
    op.create_table(
        "mark",
        sa.Column("session_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("start", sa.Integer(), nullable=False),
        sa.Column("stop", sa.Integer(), nullable=False),
        sa.Column("level_mm", sa.Float(), nullable=False),
        sa.Column("u_mm", sa.Float(), nullable=True),
        sa.ForeignKeyConstraint(
            ["session_id"],
            ["capture_session.id"],
            name="fk_mark_session_id_capture_session",
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("session_id", "position", name="pk_mark"),
    )
    op.create_table(
        "frame_block",
        sa.Column("session_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("format", sa.Integer(), nullable=False),
        sa.Column("frames", sa.Integer(), nullable=False),
        sa.Column("t_ms", sa.LargeBinary(), nullable=False),
        sa.Column("counts", sa.LargeBinary(), nullable=False),
        sa.Column("temperature_c", sa.LargeBinary(), nullable=True),
        sa.ForeignKeyConstraint(
            ["session_id"],
            ["capture_session.id"],
            name="fk_frame_block_session_id_capture_session",
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("session_id", "position", name="pk_frame_block"),
    )
    op.create_table(
        "void_event",
        sa.Column("sequence", sa.Integer(), nullable=False),
        sa.Column("session_id", sa.Integer(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["session_id"], ["capture_session.id"], name="fk_void_event_session_id_capture_session"
        ),
        sa.PrimaryKeyConstraint("sequence", name="pk_void_event"),
        sa.UniqueConstraint("session_id", name="uq_void_event_session_id"),
    )


def _frozen_sets() -> None:
    """Frozen sets with roles and sessions, and the event of opening their prove groups."""
    op.create_table(
        "frozen_set",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("sealed", sa.Boolean(), nullable=False),
        sa.Column(
            "group_by",
            sa.Enum(
                "session", "unit", "liquid", "tank", "level", name="groupby", native_enum=False, length=20
            ),
            nullable=False,
        ),
        sa.Column("seed", sa.Integer(), nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_frozen_set"),
        sa.UniqueConstraint("name", name="uq_frozen_set_name"),
    )
    op.create_index("ix_frozen_set_sha256", "frozen_set", ["sha256"])
    op.create_table(
        "frozen_role",
        sa.Column("frozen_set_id", sa.Integer(), nullable=False),
        sa.Column("group_name", sa.String(length=80), nullable=False),
        sa.Column(
            "role",
            sa.Enum("fit", "choose", "calibrate", "prove", name="role", native_enum=False, length=20),
            nullable=False,
        ),
        sa.ForeignKeyConstraint(
            ["frozen_set_id"],
            ["frozen_set.id"],
            name="fk_frozen_role_frozen_set_id_frozen_set",
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("frozen_set_id", "group_name", name="pk_frozen_role"),
    )
    op.create_table(
        "frozen_session",
        sa.Column("frozen_set_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("session_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["frozen_set_id"],
            ["frozen_set.id"],
            name="fk_frozen_session_frozen_set_id_frozen_set",
            ondelete="CASCADE",
        ),
        sa.ForeignKeyConstraint(
            ["session_id"], ["capture_session.id"], name="fk_frozen_session_session_id_capture_session"
        ),
        sa.PrimaryKeyConstraint("frozen_set_id", "position", name="pk_frozen_session"),
    )
    op.create_index("ix_frozen_session_session_id", "frozen_session", ["session_id"])
    op.create_table(
        "prove_opening",
        sa.Column("sequence", sa.Integer(), nullable=False),
        sa.Column("frozen_set_id", sa.Integer(), nullable=False),
        sa.Column("purpose", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["frozen_set_id"], ["frozen_set.id"], name="fk_prove_opening_frozen_set_id_frozen_set"
        ),
        sa.PrimaryKeyConstraint("sequence", name="pk_prove_opening"),
    )
    op.create_index("ix_prove_opening_frozen_set_id", "prove_opening", ["frozen_set_id"])


def _models() -> None:
    """Models, and the files that exports of them wrote."""
    op.create_table(
        "model",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("frozen_set_id", sa.Integer(), nullable=False),
        sa.Column("limits_id", sa.Integer(), nullable=True),
        sa.Column("recipe", sa.Text(), nullable=False),
        sa.Column("versions", sa.Text(), nullable=False),
        sa.Column("metrics", sa.Text(), nullable=False),
        sa.Column("program", sa.Text(), nullable=False),
        sa.Column("float_onnx", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(
            ["frozen_set_id"], ["frozen_set.id"], name="fk_model_frozen_set_id_frozen_set"
        ),
        sa.ForeignKeyConstraint(["limits_id"], ["limits.id"], name="fk_model_limits_id_limits"),
        sa.PrimaryKeyConstraint("id", name="pk_model"),
        sa.UniqueConstraint("name", name="uq_model_name"),
    )
    op.create_index("ix_model_sha256", "model", ["sha256"])
    op.create_table(
        "export",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("model_id", sa.Integer(), nullable=False),
        sa.Column("bundle_sha256", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(["model_id"], ["model.id"], name="fk_export_model_id_model"),
        sa.PrimaryKeyConstraint("id", name="pk_export"),
        sa.UniqueConstraint("model_id", "bundle_sha256", name="uq_export_model_id_bundle_sha256"),
    )
    op.create_table(
        "exported_file",
        sa.Column("export_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=255), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(
            ["export_id"], ["export.id"], name="fk_exported_file_export_id_export", ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("export_id", "name", name="pk_exported_file"),
    )
    op.create_index("ix_exported_file_sha256", "exported_file", ["sha256"])


def _guard_sealed(table: str, children: dict[str, str]) -> None:
    """A sealed row of ``table`` and its children refuse every change; an unsealed one is still
    being written.
    """
    for event in ("UPDATE", "DELETE"):
        _guard(table, event, "OLD.sealed", f"a sealed {table} never changes")
    for child, key in children.items():
        for event, row in (("INSERT", "NEW"), ("UPDATE", "OLD"), ("DELETE", "OLD")):
            sealed = f"(SELECT sealed FROM {table} WHERE id = {row}.{key})"  # noqa: S608 - the names are the ones above
            _guard(child, event, sealed, f"the {table} that this {child} belongs to is sealed")


def _guard(table: str, event: str, when: str, reason: str) -> None:
    op.execute(
        f"CREATE TRIGGER guard_{table}_{event.lower()} BEFORE {event} ON {table} WHEN {when} "
        f"BEGIN SELECT RAISE(ABORT, '{reason}'); END"
    )
