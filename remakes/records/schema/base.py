"""What all tables share: names of constraints, row numbers, and which revision this program knows."""

from __future__ import annotations

from sqlalchemy import BigInteger, Integer, MetaData

__all__ = ["ROW_NUMBER", "SCHEMA_REVISION", "metadata"]

#: The newest migration; a store at another revision is upgraded, a newer one refused.
SCHEMA_REVISION = "0005"

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_name)s",
        "uq": "uq_%(table_name)s_%(column_0_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)

#: 64-bit row numbers; SQLite numbers rows by itself only for a column declared INTEGER.
ROW_NUMBER = BigInteger().with_variant(Integer(), "sqlite")
