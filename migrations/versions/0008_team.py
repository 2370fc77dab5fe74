"""A store for a team: tokens and who is signed in by them, the audit chain, receipts of what a server took,
blobs on their way in, and what is let out: channels, withdrawals, the files of bundles and what is signed of
them; and a queue of jobs.

All of it is new, so nothing is hashed anew. It runs on a file and on a server. Of units that are one the
first is worked out anew, which no hash covers: one with a serial goes ahead of those without.

Revision ID: 0008_team
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0008_team"
down_revision = "0007_proof"
branch_labels = None
depends_on = None

WHEN, HOUR = 27, 13  # characters of a time in UTC, and of its hour
HAS_HASH = "OLD.record_sha256 IS NOT NULL"
ASKED = ("key", "identity", "kind", "settings", "inputs", "versions", "asked_at", "asked_by", "token")


def upgrade() -> None:
    """Make the tables and their guards."""
    _table(
        "token",
        _text("public_id", 10),
        _text("secret_sha256", 64),
        _text("name", 60),
        _text("scopes"),
        _text("bench", 32, nullable=True),
        _text("created", WHEN),
        _text("expires", WHEN),
        unique=("public_id",),
    )
    _table(
        "token_revocation",
        _number("token_id"),
        _text("revoked", WHEN),
        _text("reason"),
        unique=("token_id",),
        refers="token",
    )
    _table("token_use", _number("token_id"), _text("hour", HOUR), unique=("token_id",), refers="token")
    _table(
        "sign_in",
        _number("token_id"),
        _text("secret_sha256", 64),
        _text("begun", WHEN),
        _text("seen", WHEN),
        unique=("secret_sha256",),
        refers="token",
    )
    op.create_table(
        "audit",
        _number("number", autoincrement=False),
        _text("at", WHEN),
        _text("who"),
        _text("known_by", 20),
        _text("token", 10, nullable=True),
        _text("bench", 32, nullable=True),
        _text("kind", 40),
        _text("object_sha256", 64),
        _text("about", 64, nullable=True),
        _text("reason", nullable=True),
        _text("previous", 64),
        _text("sha256", 64),
        sa.PrimaryKeyConstraint("number", name="pk_audit"),
        sa.UniqueConstraint("sha256", name="uq_audit_sha256"),
    )
    _table(
        "receipt",
        _text("kind", 40),
        _text("object_sha256", 64),
        _text("server"),
        _text("received", WHEN),
        _text("digest", 64),
        _number("audit_number", nullable=True),
        _text("audit_sha256", 64, nullable=True),
    )
    for table in ("audit", "receipt"):
        op.create_index(f"ix_{table}_object_sha256", table, ["object_sha256"])
    _table(
        "staged_blob",
        _text("sha256", 64),
        _number("size"),
        _text("staged", WHEN),
        _text("token", 10, nullable=True),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        unique=("sha256",),
    )
    _releases()
    _queue()
    _first_of_units_that_are_one()
    for table in (
        "token",
        "token_revocation",
        "receipt",
        "channel_move",
        "withdrawal_event",
        "bundle_signature",
        "job_event",
    ):
        _guard(table, HAS_HASH)
    for table in ("audit", "bundle_content", "job_file"):
        _guard(table)
    _guard("staged_blob", HAS_HASH, can_go=True)
    _guard("job", HAS_HASH, of=ASKED)
    _refuse("job", "UPDATE", "a job that has ended never changes", "OLD.ended IS NOT NULL", name="ended")


def _first_of_units_that_are_one() -> None:
    """The smallest identity of those with a serial, else the smallest; none where that one is shown."""
    shown = sa.text("SELECT DISTINCT same_as_id FROM unit WHERE same_as_id IS NOT NULL")
    first = sa.text(
        "SELECT id FROM unit WHERE id = :shown OR same_as_id = :shown"
        " ORDER BY CASE WHEN serial IS NULL THEN 1 ELSE 0 END, identity LIMIT 1"
    )
    update = sa.text("UPDATE unit SET first_id = :first WHERE id = :shown")
    bound = op.get_bind()
    for number in bound.scalars(shown).all():
        known_by = bound.scalar(first, {"shown": number})
        bound.execute(update, {"shown": number, "first": None if known_by == number else known_by})


def _releases() -> None:
    """What is let out."""
    _table(
        "channel_move",
        _text("channel", 60),
        _text("bundle_sha256", 64),
        _text("parent_sha256", 64, nullable=True),
        _text("author"),
        _text("reason"),
        _text("moved_at", 40),
        _text("concessions"),
        _text("judged_by", 40),
    )
    _table(
        "withdrawal_event",
        _text("bundle_sha256", 64),
        _text("reason"),
        _text("author"),
        _text("said_at", 40),
        _text("parent_sha256", 64, nullable=True),
        sa.Column("takes_back", sa.Boolean(), nullable=True),
    )
    _table("bundle_signature", _text("bundle_sha256", 64), _text("keyid"), _text("signature"))
    _contents("bundle_content")
    op.create_index("ix_channel_move_channel", "channel_move", ["channel"])
    for table in ("channel_move", "withdrawal_event", "bundle_signature"):
        op.create_index(f"ix_{table}_bundle_sha256", table, ["bundle_sha256"])


def _queue() -> None:
    """Jobs, what is told of them, and the files that they work on and make."""
    _table(
        "job",
        _text("key", 64),
        _text("identity", 64),
        _text("kind", 20),
        _text("settings"),
        _text("inputs"),
        _text("versions"),
        _text("asked_at", WHEN),
        _text("asked_by"),
        _text("token", 10, nullable=True),
        _text("state", 20),
        _number("attempts"),
        _number("fence"),
        _text("lease_until", WHEN, nullable=True),
        sa.Column("cancel_requested", sa.Boolean(), nullable=False),
        _text("reason", 20, nullable=True),
        _text("result", nullable=True),
        _text("ended", WHEN, nullable=True),
        unique=("key",),
    )
    _table(
        "job_event",
        _number("job_id"),
        _text("at", WHEN),
        _number("attempt"),
        _text("kind", 20),
        _text("text"),
        _text("object_sha256", 64, nullable=True),
        refers="job",
    )
    _contents("job_file")
    for table, column in (("job", "identity"), ("job", "state"), ("job_event", "job_id")):
        op.create_index(f"ix_{table}_{column}", table, [column])


def _contents(table: str) -> None:
    """A table of bytes by their hash."""
    op.create_table(
        table,
        _number("id"),
        _text("sha256", 64),
        _number("size"),
        sa.Column("packed", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=f"pk_{table}"),
        sa.UniqueConstraint("sha256", name=f"uq_{table}_sha256"),
    )


def downgrade() -> None:
    """Stores only go forward; the copy that an upgrade keeps is the way back."""
    raise NotImplementedError("a store is never downgraded: use the copy that was kept beside it")


def _table(
    name: str, *columns: sa.Column[Any], unique: Sequence[str] = (), refers: str | None = None
) -> None:
    """A table whose rows have a number of the database's and the hash of their record. It has one unique
    constraint, and refers to ``refers`` by the column of that name.
    """
    constraints: list[Any] = [sa.PrimaryKeyConstraint("id", name=f"pk_{name}")]
    if refers is not None:
        key, target = f"{refers}_id", f"fk_{name}_{refers}_id_{refers}"
        constraints.append(sa.ForeignKeyConstraint([key], [f"{refers}.id"], name=target))
    if unique:
        constraints.append(sa.UniqueConstraint(*unique, name=f"uq_{name}_{unique[0]}"))
    op.create_table(
        name,
        _number("id"),
        *columns,
        _text("record_sha256", 64, nullable=True),
        sa.Column("hashed_by_upgrade", sa.Boolean(), nullable=True),
        *constraints,
    )


def _text(name: str, length: int | None = None, *, nullable: bool = False) -> sa.Column[Any]:
    """Text, which a server sorts byte by byte, as SQLite does."""
    kind: Any = sa.Text() if length is None else sa.String(length)
    return sa.Column(name, kind.with_variant(sa.Text(collation="C"), "postgresql"), nullable=nullable)


def _number(name: str, *, nullable: bool = False, autoincrement: Any = "auto") -> sa.Column[Any]:
    """An integer, of 64 bits on both."""
    kind = sa.Integer().with_variant(sa.BigInteger(), "postgresql")
    return sa.Column(name, kind, nullable=nullable, autoincrement=autoincrement)


def _guard(table: str, when: str = "", *, can_go: bool = False, of: Sequence[str] = ()) -> None:
    """Refuse to change rows (``when`` that is so, columns ``of`` them or any), and to delete them unless they
    ``can_go``; on a server also to empty the table.
    """
    update = f"UPDATE OF {', '.join(of)}" if of else "UPDATE"
    _refuse(table, update, f"rows of {table} never change", when)
    if not can_go:
        _refuse(table, "DELETE", f"rows of {table} are never deleted")
    if op.get_bind().dialect.name == "postgresql":
        _refuse(table, "TRUNCATE", f"rows of {table} are never deleted")


def _refuse(table: str, event: str, reason: str, when: str = "", *, name: str | None = None) -> None:
    called = name or event.split(maxsplit=1)[0].lower()
    begin = f"CREATE TRIGGER guard_{table}_{called} BEFORE {event} ON {table}"
    if op.get_bind().dialect.name == "postgresql":
        each = "STATEMENT" if event == "TRUNCATE" else f"ROW WHEN ({when})" if when else "ROW"
        op.execute(f"{begin} FOR EACH {each} EXECUTE FUNCTION innage_refuse('{reason}')")
    else:
        op.execute(f"{begin} WHEN {when or 'true'} BEGIN SELECT RAISE(ABORT, '{reason}'); END")
