"""Every record has a hash that covers its whole row and the rows that belong to it; openings of 'prove' are a
chain; recordings are known by their counts; a sensor has a scale of its counts; what boards measured is kept;
a unit is of a bench, and frozen sets keep the names of their groups; instruments and check standards.

What is there already is hashed as it stands, and marked so: such a hash proves nothing about the time before.

Revision ID: 0007_proof
"""

from __future__ import annotations

import hashlib
import json
import secrets
from collections import Counter
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import sqlalchemy as sa
import zstandard
from alembic import context, op

revision = "0007_proof"
down_revision = "0006_temperature"
branch_labels = None
depends_on = None

TELLING_FRAMES = 50
OWN = {"id", "sequence", "revision", "sealed", "record_sha256"}
LEFT_OUT = {"bench": {"own"}, "unit": {"same_as_id", "first_id"}, "capture_session": {"unit_id"}}
RENAMED = ("bench", "unit")  # a store may add '@' and more to these names
PLACES = {
    "unit_id": ("unit", "identity"),
    "liquid_id": ("liquid", "name"),
    "mounting_id": ("mounting", "name"),
}
OF_CAPTURE = {"capture_id": ("open_capture", "record_sha256")}
SESSION = {"session_id": ("capture_session", "sha256")}
Children = dict[str, tuple[str, str]]
References = dict[str, tuple[str, str]]

# in the order in which one refers to another: children with the column that says whose they are and the one
# that orders them, and what stands for a row that is referred to
COVERED: dict[str, tuple[Children, References]] = {
    "tank": ({}, {}),
    "liquid": ({}, {}),
    "sensor": ({"pad": ("sensor_id", "channel")}, {}),
    "mounting": ({}, {"tank_id": ("tank", "record_sha256"), "sensor_id": ("sensor", "record_sha256")}),
    "bench": ({}, {}),
    "unit": ({}, {"bench_id": ("bench", "identity")}),
    "unit_assignment": ({}, {}),
    "unit_union": ({}, {}),
    "budget": ({}, {}),
    "limits": ({"limit_row": ("limits_id", "position")}, {}),
    "mapping": ({}, {}),
    "capture_session": (
        dict.fromkeys(
            ("mark", "condition_stretch", "door_warning", "frame_block"), ("session_id", "position")
        ),
        PLACES,
    ),
    "void_event": ({}, SESSION),
    "frozen_set": (
        {
            "frozen_role": ("frozen_set_id", "group_name"),
            "frozen_session": ("frozen_set_id", "position"),
            "frozen_trim": ("frozen_set_id", "position"),
        },
        SESSION,
    ),
    "model": ({}, {"frozen_set_id": ("frozen_set", "sha256"), "limits_id": ("limits", "record_sha256")}),
    "export": ({"exported_file": ("export_id", "name")}, {"model_id": ("model", "record_sha256")}),
    "open_capture": ({}, PLACES),
    "open_block": ({}, OF_CAPTURE),
    "open_entry": ({}, OF_CAPTURE),
}
# tables whose rows never change once they have their hash, and those that are sealed
NEVER_CHANGE = (
    "tank",
    "liquid",
    "sensor",
    "mounting",
    "budget",
    "limits",
    "void_event",
    "model",
    "export",
)
SEALED = ("capture_session", "frozen_set")
NEW = ("bench", "unit", "unit_assignment", "unit_union")  # made here, with the columns of a hash


def upgrade() -> None:
    """Add the columns in place, hash what is there, and guard it again."""
    for table in (*NEVER_CHANGE, *SEALED, "unit", "prove_opening"):
        op.execute(f"DROP TRIGGER guard_{table}_update")
    connection = op.get_bind()
    _void_events()
    _who_and_when()
    _columns()
    _board_measurements()
    _units(connection)
    _groups(connection)
    _amendments()
    _retirements()
    _statuses()
    _instruments()
    _counts(connection)
    _models(connection)
    _openings(connection)
    for table, (children, references) in COVERED.items():
        for (row_id,) in _rows(connection, f"SELECT rowid FROM {table} ORDER BY rowid"):  # noqa: S608 - from above
            if table != "bench":  # which is made now
                marked = f"UPDATE {table} SET hashed_by_upgrade = 1 WHERE rowid = ?"  # noqa: S608 - as above
                connection.exec_driver_sql(marked, (row_id,))
            digest = _record_sha256(connection, table, row_id, children, references)
            connection.exec_driver_sql(
                f"UPDATE {table} SET record_sha256 = ? WHERE rowid = ?",  # noqa: S608 - as above
                (digest, row_id),
            )
    for table in (*NEVER_CHANGE, "mapping", "unit_assignment", "unit_union"):
        _guard(table, "OLD.record_sha256 IS NOT NULL", f"rows of {table} never change")
    for table in SEALED:
        _guard(table, "OLD.sealed", f"a sealed {table} never changes")
    _guard("prove_opening", "true", "rows of prove_opening never change")
    _guard_units()


def downgrade() -> None:
    """Stores only go forward; the copy that an upgrade keeps is the way back."""
    raise NotImplementedError("a store is never downgraded: use the copy that was kept beside it")


def _void_events() -> None:
    """A session may have any number of voids, and each may be taken back."""
    with op.batch_alter_table("void_event", recreate="always") as table:
        table.drop_constraint("uq_void_event_session_id", type_="unique")
        table.add_column(sa.Column("parent_sha256", sa.String(length=64), nullable=True))
        table.add_column(sa.Column("takes_back", sa.Boolean(), nullable=True))
    op.create_index("ix_void_event_session_id", "void_event", ["session_id"])
    op.execute(
        "CREATE TRIGGER guard_void_event_delete BEFORE DELETE ON void_event WHEN true "
        "BEGIN SELECT RAISE(ABORT, 'rows of void_event are never deleted'); END"
    )


def _columns() -> None:
    op.add_column("capture_session", sa.Column("counts_sha256", sa.String(length=64), nullable=True))
    op.create_index("ix_capture_session_counts_sha256", "capture_session", ["counts_sha256"])
    op.add_column("model", sa.Column("date", sa.String(length=10), nullable=True))
    op.add_column("model", sa.Column("content_sha256", sa.String(length=64), nullable=True))
    for name, kind in (
        ("sha256", sa.String(length=64)),
        ("parents", sa.Text()),
        ("number", sa.Integer()),
        ("hashed_by_upgrade", sa.Boolean()),
    ):
        op.add_column("prove_opening", sa.Column(name, kind, nullable=True))
    op.add_column("sensor", sa.Column("count_scale", sa.Integer(), nullable=True))
    op.add_column("frozen_set", sa.Column("even_if_warned", sa.Text(), nullable=True))
    op.add_column("frozen_set", sa.Column("named_by_content", sa.Boolean(), nullable=True))
    op.create_index("ix_prove_opening_sha256", "prove_opening", ["sha256"], unique=True)
    for table in [table for table in COVERED if table not in NEW]:
        op.add_column(table, sa.Column("record_sha256", sa.String(length=64), nullable=True))
        op.add_column(table, sa.Column("hashed_by_upgrade", sa.Boolean(), nullable=True))


def _board_measurements() -> None:
    """What boards measured of exported models: new, so nothing is hashed anew, and no row ever changes."""
    op.create_table(
        "board_measurement",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("model_id", sa.Integer(), nullable=False),
        sa.Column("bundle_sha256", sa.String(length=64), nullable=False),
        *(sa.Column(name, sa.Text(), nullable=False) for name in ("board", "firmware", "compiler", "built")),
        *(sa.Column(name, sa.Integer(), nullable=False) for name in ("clock_hz", "vectors")),
        sa.Column("cycles", sa.Integer(), nullable=True),
        sa.Column("cycles_mean", sa.Float(), nullable=True),
        sa.Column("prepare_cycles", sa.Integer(), nullable=True),
        sa.Column("stack_bytes", sa.Integer(), nullable=True),
        sa.Column("record_sha256", sa.String(length=64), nullable=True),
        sa.Column("hashed_by_upgrade", sa.Boolean(), nullable=True),
        sa.ForeignKeyConstraint(["model_id"], ["model.id"], name="fk_board_measurement_model_id_model"),
        sa.PrimaryKeyConstraint("id", name="pk_board_measurement"),
    )
    for column in ("model_id", "bundle_sha256"):
        op.create_index(f"ix_board_measurement_{column}", "board_measurement", [column])
    _guard("board_measurement", "OLD.record_sha256 IS NOT NULL", "rows of board_measurement never change")
    op.execute(
        "CREATE TRIGGER guard_board_measurement_delete BEFORE DELETE ON board_measurement WHEN true "
        "BEGIN SELECT RAISE(ABORT, 'rows of board_measurement are never deleted'); END"
    )


def _who_and_when() -> None:
    """Who captured a session, on which bench, when it began, with which firmware and instruments; operators;
    tags, which are events. All of it is new, so nothing is hashed anew.
    """
    for name, kind in (
        ("operator", sa.String(length=60)),
        ("bench", sa.String(length=32)),
        ("started", sa.String(length=40)),
        ("firmware", sa.Text()),
        ("instruments", sa.Text()),
    ):
        op.add_column("capture_session", sa.Column(name, kind, nullable=True))
    op.create_table(
        "operator",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("record_sha256", sa.String(length=64), nullable=True),
        sa.Column("hashed_by_upgrade", sa.Boolean(), nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_operator"),
        sa.UniqueConstraint("name", name="uq_operator_name"),
    )
    op.create_table(
        "tag_event",
        sa.Column("sequence", sa.Integer(), nullable=False),
        sa.Column("session_id", sa.Integer(), nullable=False),
        sa.Column("tag", sa.String(length=60), nullable=False),
        sa.Column("removes", sa.Boolean(), nullable=False),
        sa.Column("author", sa.Text(), nullable=True),
        sa.Column("parent_sha256", sa.String(length=64), nullable=True),
        sa.Column("record_sha256", sa.String(length=64), nullable=True),
        sa.Column("hashed_by_upgrade", sa.Boolean(), nullable=True),
        sa.ForeignKeyConstraint(
            ["session_id"], ["capture_session.id"], name="fk_tag_event_session_id_capture_session"
        ),
        sa.PrimaryKeyConstraint("sequence", name="pk_tag_event"),
    )
    for column in ("session_id", "tag"):
        op.create_index(f"ix_tag_event_{column}", "tag_event", [column])
    for table in ("operator", "tag_event"):
        _guard(table, "OLD.record_sha256 IS NOT NULL", f"rows of {table} never change")
    op.execute(
        "CREATE TRIGGER guard_tag_event_delete BEFORE DELETE ON tag_event WHEN true "
        "BEGIN SELECT RAISE(ABORT, 'rows of tag_event are never deleted'); END"
    )


def _units(connection: sa.Connection) -> None:
    """Benches, and of which one a unit is; sessions and trims, whose hashes name it by its name only, are
    assigned to it.
    """
    op.create_table(
        "bench",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("identity", sa.String(length=32), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("own", sa.Boolean(), nullable=False),
        *_hash_columns(),
        sa.PrimaryKeyConstraint("id", name="pk_bench"),
        sa.UniqueConstraint("identity", name="uq_bench_identity"),
        sa.UniqueConstraint("name", name="uq_bench_name"),
    )
    op.create_table(
        "unit_assignment",
        sa.Column("sequence", sa.Integer(), nullable=False),
        sa.Column("object_sha256", sa.String(length=64), nullable=False),
        sa.Column("identity", sa.String(length=64), nullable=False),
        *_hash_columns(),
        sa.PrimaryKeyConstraint("sequence", name="pk_unit_assignment"),
    )
    for column in ("object_sha256", "identity"):
        op.create_index(f"ix_unit_assignment_{column}", "unit_assignment", [column])
    op.create_table(
        "unit_union",
        sa.Column("sequence", sa.Integer(), nullable=False),
        sa.Column("identity", sa.String(length=64), nullable=False),
        sa.Column("other", sa.String(length=64), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("parent_sha256", sa.String(length=64), nullable=True),
        sa.Column("takes_back", sa.Boolean(), nullable=True),
        *_hash_columns(),
        sa.PrimaryKeyConstraint("sequence", name="pk_unit_union"),
    )
    bench = _bench(connection)
    # made anew by hand: a batch would put the constraints in another order each time
    op.create_table(
        "unit_with_bench",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("serial", sa.Text(), nullable=True),
        sa.Column("bench_id", sa.Integer(), nullable=False),
        sa.Column("identity", sa.String(length=64), nullable=False),
        sa.Column("same_as_id", sa.Integer(), nullable=True),
        sa.Column("first_id", sa.Integer(), nullable=True),
        *_hash_columns(),
        sa.ForeignKeyConstraint(["bench_id"], ["bench.id"], name="fk_unit_bench_id_bench"),
        sa.ForeignKeyConstraint(["same_as_id"], ["unit_with_bench.id"], name="fk_unit_same_as_id_unit"),
        sa.ForeignKeyConstraint(["first_id"], ["unit_with_bench.id"], name="fk_unit_first_id_unit"),
        sa.PrimaryKeyConstraint("id", name="pk_unit"),
        sa.UniqueConstraint("name", name="uq_unit_name"),
        sa.UniqueConstraint("identity", name="uq_unit_identity"),
    )
    for row_id, name, note in _rows(connection, "SELECT id, name, note FROM unit ORDER BY id"):
        identity = _sha256({"bench": bench, "name": name})
        connection.exec_driver_sql(
            "INSERT INTO unit_with_bench (id, name, note, bench_id, identity) VALUES (?, ?, ?, 1, ?)",
            (row_id, name, note, identity),
        )
        for kind in ("capture_session", "trim"):
            objects = f"SELECT sha256, ? FROM {kind} WHERE unit_id = ? ORDER BY sha256"  # noqa: S608 - one of two names
            connection.exec_driver_sql(
                f"INSERT INTO unit_assignment (object_sha256, identity) {objects}",
                (identity, row_id),
            )
    op.drop_table("unit")
    op.rename_table("unit_with_bench", "unit")


def _hash_columns() -> tuple[sa.Column[Any], ...]:
    return (
        sa.Column("record_sha256", sa.String(length=64), nullable=True),
        sa.Column("hashed_by_upgrade", sa.Boolean(), nullable=True),
    )


def _bench(connection: sa.Connection) -> str:
    """This store's bench. That of an old store follows from its oldest session, or trim, so that copies which
    are upgraded apart stay one bench; a new store's is stated or random.
    """
    oldest = None
    for query in (
        "SELECT sha256 FROM capture_session WHERE sealed ORDER BY id LIMIT 1",
        "SELECT sha256 FROM trim ORDER BY sequence LIMIT 1",
    ):
        oldest = oldest or next((digest for (digest,) in _rows(connection, query)), None)
    stated = context.config.attributes.get("bench")
    identity = _sha256({"bench of": oldest})[:32] if oldest else stated or secrets.token_hex(16)
    connection.exec_driver_sql(
        "INSERT INTO bench (id, identity, name, note, own) VALUES (1, ?, ?, '', 1)",
        (identity, f"bench-{identity[:6]}"),
    )
    return str(identity)


def _groups(connection: sa.Connection) -> None:
    """Frozen sets keep the names of their groups by unit and tank as they are now: a merge may give a unit
    another name, and a tank another number.
    """
    op.execute("DROP TRIGGER guard_frozen_session_update")
    op.add_column("frozen_session", sa.Column("group_name", sa.Text(), nullable=True))
    names = {
        "unit": "SELECT u.name FROM capture_session s JOIN unit u ON u.id = s.unit_id "
        "WHERE s.id = session_id",
        "tank": "SELECT t.name || '@' || t.revision FROM capture_session s "
        "JOIN mounting m ON m.id = s.mounting_id JOIN tank t ON t.id = m.tank_id WHERE s.id = session_id",
    }
    for group_by, name in names.items():
        connection.exec_driver_sql(
            f"UPDATE frozen_session SET group_name = ({name}) "  # noqa: S608 - one of the two above
            "WHERE frozen_set_id IN (SELECT id FROM frozen_set WHERE group_by = ?)",
            (group_by,),
        )
    sealed = "(SELECT sealed FROM frozen_set WHERE id = OLD.frozen_set_id)"
    _guard("frozen_session", sealed, "the frozen_set that this frozen_session belongs to is sealed")


def _guard_units() -> None:
    """A store may call a unit or a bench something else, be given a bench of its own, and see later that two
    units are one; the rest of them never changes.
    """
    for table, kept in (
        ("bench", "identity"),
        ("unit", "note, serial, bench_id, identity, record_sha256, hashed_by_upgrade"),
    ):
        op.execute(
            f"CREATE TRIGGER guard_{table}_update BEFORE UPDATE OF {kept} ON {table} "
            f"WHEN OLD.record_sha256 IS NOT NULL "
            f"BEGIN SELECT RAISE(ABORT, 'rows of {table} never change'); END"
        )
    for table in ("bench", "unit", "unit_assignment", "unit_union"):
        op.execute(
            f"CREATE TRIGGER guard_{table}_delete BEFORE DELETE ON {table} WHEN true "
            f"BEGIN SELECT RAISE(ABORT, 'rows of {table} are never deleted'); END"
        )


def _amendments() -> None:
    """What sealed sessions say since, and which amendment a frozen set pins."""
    op.create_table(
        "amendment",
        sa.Column("sequence", sa.Integer(), nullable=False),
        sa.Column("session_id", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("parents", sa.Text(), nullable=False),
        sa.Column("depth", sa.Integer(), nullable=False),
        sa.Column("author", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        *(sa.Column(f"{kind}_id", sa.Integer(), nullable=True) for kind in ("unit", "liquid", "mounting")),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["session_id"], ["capture_session.id"], name="fk_amendment_session_id_capture_session"
        ),
        *(
            sa.ForeignKeyConstraint([f"{kind}_id"], [f"{kind}.id"], name=f"fk_amendment_{kind}_id_{kind}")
            for kind in ("unit", "liquid", "mounting")
        ),
        sa.PrimaryKeyConstraint("sequence", name="pk_amendment"),
        sa.UniqueConstraint("sha256", name="uq_amendment_sha256"),
    )
    op.create_index("ix_amendment_session_id", "amendment", ["session_id"])
    op.add_column("frozen_session", sa.Column("amendment_sha256", sa.String(length=64), nullable=True))
    _guard("amendment", "true", "rows of amendment never change")
    _guard_delete("amendment")


def _retirements() -> None:
    """What of the registry is out of use."""
    op.create_table(
        "retirement_event",
        sa.Column("sequence", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("object_sha256", sa.String(length=64), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("parent_sha256", sa.String(length=64), nullable=True),
        sa.Column("takes_back", sa.Boolean(), nullable=True),
        sa.Column("record_sha256", sa.String(length=64), nullable=True),
        sa.Column("hashed_by_upgrade", sa.Boolean(), nullable=True),
        sa.PrimaryKeyConstraint("sequence", name="pk_retirement_event"),
    )
    op.create_index("ix_retirement_event_object_sha256", "retirement_event", ["object_sha256"])
    _guard("retirement_event", "OLD.record_sha256 IS NOT NULL", "rows of retirement_event never change")
    _guard_delete("retirement_event")


def _statuses() -> None:
    """What models are said to be."""
    op.create_table(
        "status_event",
        sa.Column("sequence", sa.Integer(), nullable=False),
        sa.Column("model_id", sa.Integer(), nullable=False),
        sa.Column("status", sa.String(length=20), nullable=False),
        *(sa.Column(name, sa.Text(), nullable=False) for name in ("author", "reason", "parents")),
        sa.Column("record_sha256", sa.String(length=64), nullable=True),
        sa.Column("hashed_by_upgrade", sa.Boolean(), nullable=True),
        sa.ForeignKeyConstraint(["model_id"], ["model.id"], name="fk_status_event_model_id_model"),
        sa.PrimaryKeyConstraint("sequence", name="pk_status_event"),
    )
    op.create_index("ix_status_event_model_id", "status_event", ["model_id"])
    _guard("status_event", "OLD.record_sha256 IS NOT NULL", "rows of status_event never change")
    _guard_delete("status_event")


def _instruments() -> None:
    """Calibrations of instruments; check standards and what they measured."""
    op.create_table(
        "instrument",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("calibrated", sa.String(length=10), nullable=False),
        *(sa.Column(name, sa.Float(), nullable=False) for name in ("uncertainty", "coverage", "resolution")),
        sa.Column("interval_days", sa.Integer(), nullable=True),
        *(sa.Column(name, sa.Text(), nullable=False) for name in ("serial", "certificate", "note")),
        sa.Column("bench", sa.String(length=32), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        *_hash_columns(),
        sa.PrimaryKeyConstraint("id", name="pk_instrument"),
        sa.UniqueConstraint("bench", "name", "calibrated", name="uq_instrument_bench_name_calibrated"),
        sa.UniqueConstraint("sha256", name="uq_instrument_sha256"),
    )
    op.create_table(
        "check_standard",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("sensor_id", sa.Integer(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("bench", sa.String(length=32), nullable=False),
        *_hash_columns(),
        sa.ForeignKeyConstraint(["sensor_id"], ["sensor.id"], name="fk_check_standard_sensor_id_sensor"),
        sa.PrimaryKeyConstraint("id", name="pk_check_standard"),
        sa.UniqueConstraint("bench", "name", name="uq_check_standard_bench_name"),
    )
    op.create_table(
        "check_measurement",
        sa.Column("sequence", sa.Integer(), nullable=False),
        sa.Column("standard_id", sa.Integer(), nullable=False),
        sa.Column("date", sa.String(length=10), nullable=False),
        sa.Column("counts", sa.Text(), nullable=False),
        sa.Column("temperature_c", sa.Float(), nullable=True),
        sa.Column("frames", sa.Integer(), nullable=False),
        sa.Column("operator", sa.String(length=60), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        *_hash_columns(),
        sa.ForeignKeyConstraint(
            ["standard_id"], ["check_standard.id"], name="fk_check_measurement_standard_id_check_standard"
        ),
        sa.PrimaryKeyConstraint("sequence", name="pk_check_measurement"),
    )
    op.create_index("ix_check_measurement_standard_id", "check_measurement", ["standard_id"])
    for table in ("instrument", "check_standard", "check_measurement"):
        _guard(table, "OLD.record_sha256 IS NOT NULL", f"rows of {table} never change")
        _guard_delete(table)


def _counts(connection: sa.Connection) -> None:
    """The hash of each session's counts; none where its blocks can't be read, which a check says."""
    sessions = _rows(
        connection,
        "SELECT s.id, (SELECT count(*) FROM mounting m JOIN pad p ON p.sensor_id = m.sensor_id "
        "WHERE m.id = s.mounting_id) FROM capture_session s",
    )
    for session, channels in sessions:
        blocks = "SELECT format, frames, counts FROM frame_block WHERE session_id = ? ORDER BY position"
        try:
            parts = [
                _unpacked(form, frames, packed, channels)
                for form, frames, packed in _rows(connection, blocks, session)
            ]
            digest = _counts_sha256(np.concatenate(parts))
        except (zstandard.ZstdError, ValueError):
            continue
        if digest is not None:
            connection.exec_driver_sql(
                "UPDATE capture_session SET counts_sha256 = ? WHERE id = ?", (digest, session)
            )


def _unpacked(form: int, frames: int, packed: bytes, channels: int) -> Any:
    """The counts of a block, of shape (frames, channels)."""
    if form not in (1, 2) or zstandard.frame_content_size(packed) != 4 * frames * channels:
        raise ValueError("not a block of a format that this revision knows")
    places = np.frombuffer(zstandard.ZstdDecompressor().decompress(packed), np.uint8).reshape(4, -1)
    steps = np.ascontiguousarray(places.T).view("<u4").reshape(channels, frames)
    if form == 2:
        steps = (steps >> 1) ^ np.negative(steps & 1, dtype="<u4")
    return np.cumsum(steps, axis=1, dtype="<u4").T


def _counts_sha256(counts: Any) -> str | None:
    """The hash of counts; None where too few frames differ to tell one recording from another."""
    distinct: set[bytes] = set()
    for row in (0, *(np.flatnonzero((counts[1:] != counts[:-1]).any(axis=1)) + 1).tolist()):
        distinct.add(np.ascontiguousarray(counts[row]).tobytes())
        if len(distinct) > TELLING_FRAMES:
            return _sha256(
                [
                    {
                        "name": f"counts.{k}",
                        "type": "<u4",
                        "rows": len(counts),
                        "sha256": hashlib.sha256(counts[:, k].astype("<u4").tobytes()).hexdigest(),
                    }
                    for k in range(counts.shape[1])
                ]
            )
    return None


def _models(connection: sa.Connection) -> None:
    """The hash of each model's content."""
    query = (
        "SELECT m.id, m.sha256, f.sha256, m.limits_id, m.program, m.metrics, m.recipe, m.versions, "
        "m.float_onnx FROM model m JOIN frozen_set f ON f.id = m.frozen_set_id"
    )
    for model, digest, frozen, limits, program, metrics, recipe, versions, float_onnx in _rows(
        connection, query
    ):
        texts = {"program": program, "metrics": metrics, "recipe": recipe, "versions": versions}
        content = {
            "format": 1,
            "digest": digest,
            "frozen_set": frozen,
            "limits": None if limits is None else _limits(connection, limits),
            "float_onnx": hashlib.sha256(float_onnx).hexdigest(),
        }
        content |= {what: hashlib.sha256(text.encode()).hexdigest() for what, text in texts.items()}
        connection.exec_driver_sql(
            "UPDATE model SET content_sha256 = ? WHERE id = ?", (_sha256(content), model)
        )


def _limits(connection: sa.Connection, limits: int) -> dict[str, Any]:
    """What a model's hash says of its limits."""
    ((name, note, signer),) = _rows(connection, "SELECT name, note, signer FROM limits WHERE id = ?", limits)
    query = (
        "SELECT metric, condition, bound, confidence, min_groups, or_mm FROM limit_row "
        "WHERE limits_id = ? ORDER BY position"
    )
    rows = [
        [metric, condition, _real(bound), _real(confidence), fewest]
        + ([] if or_mm is None else [_real(or_mm)])
        for metric, condition, bound, confidence, fewest, or_mm in _rows(connection, query, limits)
    ]
    return {"sha256": _sha256({"format": 1, "name": name, "note": note, "rows": rows}), "signer": signer}


def _openings(connection: sa.Connection) -> None:
    """Openings made before they were chained are counted for each set and purpose, so that two stores that
    know the same ones give them the same hashes.
    """
    query = (
        "SELECT p.sequence, f.name, f.sha256, p.purpose FROM prove_opening p "
        "JOIN frozen_set f ON f.id = p.frozen_set_id ORDER BY p.sequence"
    )
    numbers: Counter[tuple[str, str]] = Counter()
    for sequence, name, frozen, purpose in _rows(connection, query):
        numbers[name, purpose] += 1
        number = numbers[name, purpose]
        facts = {"format": 1, "frozen_set": frozen, "name": name, "purpose": purpose, "parents": []}
        connection.exec_driver_sql(
            "UPDATE prove_opening SET sha256 = ?, parents = '[]', number = ?, hashed_by_upgrade = 1 "
            "WHERE sequence = ?",
            (_sha256(facts | {"number": number}), number, sequence),
        )


def _record_sha256(
    connection: sa.Connection, table: str, row_id: int, children: Children, references: References
) -> str:
    """The hash over a row and the rows that belong to it."""
    (row,) = _mappings(connection, f"SELECT * FROM {table} WHERE rowid = ?", row_id)  # noqa: S608 - from above
    facts = _facts(connection, row, references, OWN | LEFT_OUT.get(table, set()))
    if table in RENAMED:
        facts["name"] = facts["name"].partition("@")[0]
    content: dict[str, Any] = {"table": table, "facts": facts}
    for child, (parent, order) in children.items():
        query = f"SELECT * FROM {child} WHERE {parent} = ? ORDER BY {order}"  # noqa: S608 - from above
        parts = [
            _facts(connection, part, references, {parent}) for part in _mappings(connection, query, row_id)
        ]
        if parts:
            content[child] = parts
    return _sha256(content)


def _facts(
    connection: sa.Connection, row: Mapping[str, Any], references: References, leave_out: set[str]
) -> dict[str, Any]:
    facts = {key: value for key, value in row.items() if key not in leave_out}
    for key, (table, column) in references.items():
        if facts.get(key) is not None:
            query = f"SELECT {column} FROM {table} WHERE rowid = ?"  # noqa: S608 - from above
            facts[key] = connection.exec_driver_sql(query, (facts[key],)).scalar()
    return {
        key: f"bytes {hashlib.sha256(value).hexdigest()}" if isinstance(value, bytes) else value
        for key, value in facts.items()
        if value is not None
    }


def _sha256(content: Any) -> str:
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


def _real(value: float | None) -> float | None:
    return None if value is None else float(value) + 0.0


def _rows(connection: sa.Connection, query: str, *key: int) -> Iterable[Any]:
    return connection.exec_driver_sql(query, key).fetchall()


def _mappings(connection: sa.Connection, query: str, key: int) -> list[dict[str, Any]]:
    return [dict(row) for row in connection.exec_driver_sql(query, (key,)).mappings()]


def _guard(table: str, when: str, reason: str) -> None:
    op.execute(
        f"CREATE TRIGGER guard_{table}_update BEFORE UPDATE ON {table} WHEN {when} "
        f"BEGIN SELECT RAISE(ABORT, '{reason}'); END"
    )


def _guard_delete(table: str) -> None:
    op.execute(
        f"CREATE TRIGGER guard_{table}_delete BEFORE DELETE ON {table} WHEN true "
        f"BEGIN SELECT RAISE(ABORT, 'rows of {table} are never deleted'); END"
    )
