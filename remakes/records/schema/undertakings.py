"""What the lab undertook: decisions, their history, the trials it planned, and what was done about possible harm."""

from __future__ import annotations

from sqlalchemy import (
    JSON,
    Boolean,
    CheckConstraint,
    Column,
    Date,
    DateTime,
    ForeignKey,
    Integer,
    String,
    Table,
    Text,
    UniqueConstraint,
)

from remakes.records.schema.base import ROW_NUMBER, metadata

__all__ = ["decision_events", "decisions", "harm_notes", "trial_plans"]

#: One row for each time that a corrective action is undertaken. Triggers refuse DELETE, and any change of
#: what was agreed on once it is decided. Action, title and corrects are copies: the list of actions may change.
decisions = Table(
    "decisions",
    metadata,
    Column("decision_id", Integer, primary_key=True),
    # The number of its last event: two browsers that change the same decision do not overwrite each other.
    Column("version", Integer, nullable=False),
    Column("action", String, nullable=False, index=True),
    Column("title", String, nullable=False),
    Column("corrects", JSON, nullable=False),
    Column("status", String, nullable=False),
    Column("owner_role", String, nullable=False, default=""),
    Column("owner_code", String, nullable=False, default=""),
    Column("decided_on", Date),
    Column("starts_on", Date),
    Column("due_on", Date),
    Column("rule", JSON(none_as_null=True)),
    Column("correction", Text, nullable=False, default=""),
    Column("verdict", String, nullable=False, default=""),
    Column("judged_on", Date),
    Column("note", Text, nullable=False, default=""),
    CheckConstraint("status in ('proposed', 'decided', 'running', 'judged', 'withdrawn')", name="status"),
    CheckConstraint(
        "status in ('proposed', 'withdrawn') or (rule is not null and decided_on is not null "
        "and starts_on is not null and due_on is not null)",
        name="agreed",
    ),
    CheckConstraint("starts_on is null or starts_on >= decided_on", name="starts_on"),
    CheckConstraint("due_on is null or due_on > starts_on", name="due_on"),
    CheckConstraint("(status = 'judged') = (judged_on is not null and verdict <> '')", name="judged"),
)

#: Append-only, as the audit is.
decision_events = Table(
    "decision_events",
    metadata,
    Column("id", ROW_NUMBER, primary_key=True),
    Column("decision_id", ForeignKey(decisions.c.decision_id), nullable=False),
    Column("version", Integer, nullable=False),
    Column("at", DateTime, nullable=False),
    Column("who", String, nullable=False),
    Column("from_status", String, nullable=False),
    Column("to_status", String, nullable=False),
    Column("note", Text, nullable=False, default=""),
    UniqueConstraint("decision_id", "version"),
)

#: A trial as it was planned, word for word, and what was read at its end. Triggers refuse a change of the plan.
trial_plans = Table(
    "trial_plans",
    metadata,
    Column("plan_id", Integer, primary_key=True),
    Column("version", Integer, nullable=False),
    Column("title", String, nullable=False),
    Column("plan", JSON, nullable=False),
    Column("kept_at", DateTime, nullable=False),
    Column("kept_by", String, nullable=False),
    Column("ends_on", Date),
    Column("reading", JSON(none_as_null=True)),
    Column("read_on", Date),
    Column("given_up_at", DateTime),
    Column("given_up_why", String),
)

#: What was done about a report of possible harm, or why it was opened again. Append-only, as the audit is. No key to
#: `returns`: an import that is taken back takes its returns along, and what a person wrote stays.
harm_notes = Table(
    "harm_notes",
    metadata,
    Column("id", ROW_NUMBER, primary_key=True),
    Column("return_id", String, nullable=False),
    Column("restoration_id", String, nullable=False, index=True),
    # Counts the notes of a return: two browsers that answer the same report do not overwrite each other.
    Column("version", Integer, nullable=False),
    Column("at", DateTime, nullable=False),
    Column("who", String, nullable=False),
    # False: opened again.
    Column("dealt_with", Boolean, nullable=False),
    Column("note", Text, nullable=False),
    UniqueConstraint("return_id", "version"),
    CheckConstraint("note <> ''", name="note"),
)
