"""Who may do what, who is signed in, and what somebody had begun to type. Codes are pseudonyms, never names."""

from __future__ import annotations

from sqlalchemy import JSON, Boolean, CheckConstraint, Column, DateTime, ForeignKey, Index, Integer, String, Table

from remakes.records.schema.base import ROW_NUMBER, metadata

__all__ = ["drafts", "people", "sessions", "sign_in_attempts"]

people = Table(
    "people",
    metadata,
    Column("code", String, primary_key=True),
    # Counts changes: two browsers that edit the same person do not overwrite each other.
    Column("version", Integer, nullable=False),
    Column("roles", JSON, nullable=False),
    # Argon2id with its own salt and costs; null: signs in by single sign-on only.
    Column("password_hash", String),
    # What single sign-on calls this person, where the lab uses it.
    Column("external_id", String, unique=True),
    Column("language", String, nullable=False, default="en"),
    Column("must_change", Boolean, nullable=False, default=False),
    Column("since", DateTime, nullable=False),
    Column("left_at", DateTime),
    CheckConstraint("version >= 1", name="version"),
)

#: The cookie holds a random token; only its hash is kept here.
sessions = Table(
    "sessions",
    metadata,
    Column("token_hash", String, primary_key=True),
    Column("code", ForeignKey(people.c.code), nullable=False, index=True),
    # The role in use, of those the person holds.
    Column("role", String, nullable=False),
    Column("started_at", DateTime, nullable=False),
    Column("last_seen", DateTime, nullable=False),
    Column("ended_at", DateTime),
)

sign_in_attempts = Table(
    "sign_in_attempts",
    metadata,
    Column("id", ROW_NUMBER, primary_key=True),
    Column("code", String, nullable=False),
    # A keyed hash of the machine it came from; null: of an earlier revision.
    Column("address", String),
    Column("at", DateTime, nullable=False),
    Column("succeeded", Boolean, nullable=False),
)
Index("ix_sign_in_attempts_code_at", sign_in_attempts.c.code, sign_in_attempts.c.at)
Index("ix_sign_in_attempts_address_at", sign_in_attempts.c.address, sign_in_attempts.c.at)

#: What somebody typed and has not saved yet, so that a refresh loses nothing. `what`: return, bench sheet ...
drafts = Table(
    "drafts",
    metadata,
    Column("owner", String, primary_key=True),
    Column("what", String, primary_key=True),
    Column("content", JSON, nullable=False),
    Column("saved_at", DateTime, nullable=False),
)
