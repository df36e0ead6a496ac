"""Work that has not left the lab yet, what is written down at the bench, running timers, and photos of breaks."""

from __future__ import annotations

from sqlalchemy import (
    Boolean,
    CheckConstraint,
    Column,
    Date,
    DateTime,
    ForeignKey,
    Index,
    Integer,
    String,
    Table,
    Text,
)

from remakes.records.schema.base import ROW_NUMBER, metadata
from remakes.records.schema.lists import process_log

__all__ = ["bench_readings", "open_work", "photos", "timers"]

#: Restorations begun and not delivered. Delivered, they become rows of `restorations`; the row here is closed.
open_work = Table(
    "open_work",
    metadata,
    Column("restoration_id", String, primary_key=True),
    Column("version", Integer, nullable=False),
    Column("case_id", String),
    Column("clinic", String),
    Column("technician", String, index=True),
    Column("kind", String, nullable=False),
    Column("teeth", String, nullable=False, default=""),
    Column("units", Integer, nullable=False),
    Column("framework", String),
    Column("veneer", String),
    Column("difficulty", String, nullable=False, default=""),
    Column("received_on", Date),
    Column("due_on", Date),
    Column("remake_of", String),
    Column("opened_at", DateTime, nullable=False),
    Column("opened_by", String, nullable=False),
    Column("closed_at", DateTime),
    # delivered, or why it was given up
    Column("closed_why", String),
    CheckConstraint("units >= 1", name="units"),
)

#: One row per reading written down at the bench. It goes into the process log once its restoration has left the
#: lab; `process_log_id` says where. No key to `restorations`: the restoration may not be there yet.
bench_readings = Table(
    "bench_readings",
    metadata,
    Column("id", ROW_NUMBER, primary_key=True),
    Column("restoration_id", String, nullable=False, index=True),
    Column("step", String, nullable=False),
    Column("reading", String, nullable=False),
    # As the process log holds it. "Not done" is the value that says so (no, 0); what was not recorded has no row.
    Column("value", String, nullable=False),
    Column("not_done", Boolean, nullable=False, default=False),
    Column("recorded_at", DateTime, nullable=False),
    Column("operator", String),
    Column("equipment", String),
    Column("lot", String),
    # Why a limit was not kept, in the technician's words.
    Column("reason", Text, nullable=False, default=""),
    Column("entered_at", DateTime, nullable=False),
    Column("entered_by", String, nullable=False),
    # Typed afterwards from memory or paper, not at the step.
    Column("late", Boolean, nullable=False),
    Column("voided_at", DateTime),
    Column("voided_by", String),
    Column("voided_why", String),
    Column("process_log_id", ForeignKey(process_log.c.id)),
)

#: A running or stopped timer; its start stands here, so that no refresh or restart loses a waiting time.
timers = Table(
    "timers",
    metadata,
    Column("id", ROW_NUMBER, primary_key=True),
    Column("restoration_id", String, nullable=False, index=True),
    Column("step", String, nullable=False),
    Column("reading", String, nullable=False),
    Column("started_at", DateTime, nullable=False),
    Column("started_by", String, nullable=False),
    Column("stopped_at", DateTime),
    Column("stopped_by", String),
    Column("given_up_why", String),
)
# One running timer for one reading of one restoration.
Index(
    "uq_timers_running",
    timers.c.restoration_id,
    timers.c.step,
    timers.c.reading,
    unique=True,
    sqlite_where=timers.c.stopped_at.is_(None),
    postgresql_where=timers.c.stopped_at.is_(None),
)

#: A photo of a returned piece: the file stands beside the database, cleaned of everything but the picture.
photos = Table(
    "photos",
    metadata,
    Column("photo_id", Integer, primary_key=True),
    Column("return_id", String, nullable=False, index=True),
    Column("restoration_id", String, nullable=False, index=True),
    Column("file", String, nullable=False, unique=True),
    Column("sha256", String, nullable=False),
    Column("kind", String, nullable=False),
    Column("bytes", Integer, nullable=False),
    Column("width", Integer, nullable=False),
    Column("height", Integer, nullable=False),
    Column("added_at", DateTime, nullable=False),
    Column("added_by", String, nullable=False),
    Column("voided_at", DateTime),
    Column("voided_by", String),
    Column("voided_why", String),
    CheckConstraint("kind in ('jpeg', 'png')", name="kind"),
)
