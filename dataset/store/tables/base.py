"""What every table is made of: names of constraints, kinds of columns, the hash of a record."""

from __future__ import annotations

from typing import Annotated

from sqlalchemy import Enum, Float, LargeBinary, MetaData, String, Text
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

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


Key = Annotated[int, mapped_column(primary_key=True)]
Name = Annotated[str, mapped_column(String(60))]
UniqueName = Annotated[str, mapped_column(String(60), unique=True)]
Prose = Annotated[str, mapped_column(Text)]
Real = Annotated[float, mapped_column(Float)]
Digest = Annotated[str, mapped_column(String(64))]
Bytes = Annotated[bytes, mapped_column(LargeBinary)]


class Base(DeclarativeBase):
    """Base of every table."""

    metadata = MetaData(naming_convention=NAMING)


class Covered:
    """A row with the hash of its record (see ``dataset.store.proof``).

    ``hashed_by_upgrade`` says that the hash was made when the store was upgraded to hold hashes: it proves
    only what stood there then.
    """

    __tablename__: str
    record_sha256: Mapped[str | None] = mapped_column(String(64), sort_order=98)
    hashed_by_upgrade: Mapped[bool | None] = mapped_column(sort_order=99)
