"""What every table is made of: names of constraints, kinds of columns, the hash of a record."""

from __future__ import annotations

from typing import Annotated

from sqlalchemy import BigInteger, Dialect, Double, Enum, Float, Integer, LargeBinary, MetaData, String, Text
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column
from sqlalchemy.types import TypeDecorator, TypeEngine

from dataset.records import CountLaw, GroupBy, PadRole, Role

NAMING = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}


def by_value(kind: type[CountLaw] | type[GroupBy] | type[PadRole] | type[Role]) -> Enum:
    """A text column that holds an enum's value, not its name: the value is what files and hashes show."""
    return Enum(
        kind,
        values_callable=lambda members: [m.value for m in members],
        native_enum=False,
        length=20,
        validate_strings=True,
    )


def words(length: int | None = None) -> TypeEngine[str]:
    """Text of at most ``length`` characters, which the rules of admission see to: SQLite does not count, and
    a merge may make a name longer. A PostgreSQL server sorts and compares it byte by byte, as SQLite does,
    whatever its locale.
    """
    kind: TypeEngine[str] = Text() if length is None else String(length)
    return kind.with_variant(Text(collation="C"), "postgresql")


class _RealOnServer(TypeDecorator[float]):
    """A real number as SQLite keeps it, which has no zero below zero: text and hashes of a store are the same
    on both.
    """

    impl = Double
    cache_ok = True

    def process_bind_param(self, value: float | None, dialect: Dialect) -> float | None:
        return None if value is None else value + 0.0


Key = Annotated[int, mapped_column(primary_key=True)]
Name = Annotated[str, mapped_column(words(60))]
UniqueName = Annotated[str, mapped_column(words(60), unique=True)]
Prose = Annotated[str, mapped_column(words())]
Real = Annotated[float, mapped_column(Float().with_variant(_RealOnServer(), "postgresql"))]
Digest = Annotated[str, mapped_column(words(64))]
Bytes = Annotated[bytes, mapped_column(LargeBinary)]


class Base(DeclarativeBase):
    """Base of every table."""

    metadata = MetaData(naming_convention=NAMING)
    # 64 bits on both: a seed or a clock does not fit 32
    type_annotation_map = {int: Integer().with_variant(BigInteger(), "postgresql")}  # noqa: RUF012 - SQLAlchemy's own


class Covered:
    """A row with the hash of its record (see ``dataset.store.proof``).

    ``hashed_by_upgrade`` says that the hash was made when the store was upgraded to hold hashes: it proves
    only what stood there then.
    """

    __tablename__: str
    record_sha256: Mapped[str | None] = mapped_column(words(64), sort_order=98)
    hashed_by_upgrade: Mapped[bool | None] = mapped_column(sort_order=99)
