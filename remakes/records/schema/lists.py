"""The lab's lists as they were handed in, the standard, the actions, and the audit.

Core tables, no mapped classes: bulk paths hand rows over as tuples, and single entries are single
statements. Dates are the lab's local calendar days. Codes for people are pseudonyms; nothing in any
table names a patient.
"""

from __future__ import annotations

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    CheckConstraint,
    Column,
    Date,
    DateTime,
    Float,
    ForeignKey,
    Index,
    Integer,
    String,
    Table,
    Text,
    UniqueConstraint,
)

from remakes.records.schema.base import ROW_NUMBER, metadata

__all__ = [
    "actions",
    "audit",
    "import_changes",
    "imports",
    "process_log",
    "requirements",
    "restorations",
    "returns",
    "settings",
    "steps",
]

imports = Table(
    "imports",
    metadata,
    Column("import_id", Integer, primary_key=True),
    Column("at", DateTime, nullable=False),
    Column("who", String, nullable=False),
    Column("file", String, nullable=False),
    Column("table_name", String, nullable=False),
    Column("sha256", String, nullable=False),
    Column("taken", Integer, nullable=False, default=0),
    Column("changed", Integer, nullable=False, default=0),
    Column("unchanged", Integer, nullable=False, default=0),
    Column("refused", Integer, nullable=False, default=0),
    Column("undone_at", DateTime),
)

#: What a changed row held before, so that a batch can be undone.
import_changes = Table(
    "import_changes",
    metadata,
    Column("id", ROW_NUMBER, primary_key=True),
    Column("import_id", ForeignKey(imports.c.import_id), nullable=False, index=True),
    Column("table_name", String, nullable=False),
    Column("row_key", String, nullable=False),
    Column("before", JSON, nullable=False),
)

restorations = Table(
    "restorations",
    metadata,
    Column("restoration_id", String, primary_key=True),
    Column("case_id", String),
    Column("clinic", String),
    Column("technician", String),
    Column("kind", String, nullable=False),
    Column("teeth", String, nullable=False, default=""),
    Column("units", Integer, nullable=False),
    Column("framework", String),
    Column("veneer", String),
    Column("difficulty", String, nullable=False, default=""),
    Column("received_on", Date),
    Column("due_on", Date),
    Column("delivered_on", Date, nullable=False, index=True),
    Column("remake_of", String, index=True),
    Column("extra", JSON),
    Column("import_id", ForeignKey(imports.c.import_id), index=True),
    CheckConstraint("units >= 1", name="units"),
)

process_log = Table(
    "process_log",
    metadata,
    Column("id", ROW_NUMBER, primary_key=True),
    Column("restoration_id", ForeignKey(restorations.c.restoration_id), nullable=False, index=True),
    Column("step", String, nullable=False),
    Column("reading", String, nullable=False),
    Column("value", String),
    Column("recorded_at", DateTime),
    Column("operator", String),
    Column("equipment", String),
    Column("lot", String),
    Column("extra", JSON),
    # A hash of the row's content: the same row again is recognised by one index look-up.
    Column("row_hash", BigInteger, nullable=False, unique=True),
    Column("import_id", ForeignKey(imports.c.import_id), index=True),
)

returns = Table(
    "returns",
    metadata,
    Column("id", ROW_NUMBER, primary_key=True),
    Column("return_id", String, nullable=False),
    Column("restoration_id", ForeignKey(restorations.c.restoration_id), nullable=False, index=True),
    Column("reported_on", Date, nullable=False),
    Column("entered_on", Date),
    Column("defect", String, nullable=False),
    Column("primary", Boolean),
    Column("plane", String),
    Column("bare_metal_pct", Float),
    Column("found_at", String),
    Column("severity", Integer),
    Column("harm", Boolean),
    Column("teeth", String, nullable=False, default=""),
    Column("disposition", String),
    Column("attributed_to", String),
    Column("judged_by", String),
    Column("cost", Float),
    Column("note", Text),
    Column("extra", JSON),
    Column("import_id", ForeignKey(imports.c.import_id), index=True),
    # Taken back by a person; kept, shown struck through, and left out of every figure.
    Column("voided_at", DateTime),
    Column("voided_why", String),
    UniqueConstraint("return_id", "defect"),
    CheckConstraint("severity is null or severity between 1 and 5", name="severity"),
    CheckConstraint("bare_metal_pct is null or bare_metal_pct between 0 and 100", name="bare_metal_pct"),
)

steps = Table(
    "steps",
    metadata,
    Column("position", Integer, primary_key=True, autoincrement=False),
    Column("step", String, nullable=False, unique=True),
)

requirements = Table(
    "requirements",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("factor", String, nullable=False),
    Column("step", String, nullable=False),
    Column("reading", String, nullable=False),
    Column("unit", String),
    # {"at_least": 180}, {"between": [2, 3]}, {"one_of": ["yes"]} ...
    Column("rule", JSON, nullable=False),
    # Canonical JSON text, so that it can take part in the key: {"veneer": ["lab composite"]}
    Column("applies_when", String, nullable=False, default="{}"),
    Column("may_cause", JSON, nullable=False),
    Column("valid_from", Date, nullable=False),
    Column("valid_until", Date),
    Column("says", String),
    Column("source", String),
    Column("import_id", ForeignKey(imports.c.import_id)),
    UniqueConstraint("factor", "valid_from", "applies_when"),
)

actions = Table(
    "actions",
    metadata,
    Column("action", String, primary_key=True),
    Column("title", String, nullable=False),
    Column("corrects", JSON, nullable=False),
    Column("cost_once", Float, nullable=False, default=0.0),
    Column("cost_per_restoration", Float, nullable=False, default=0.0),
    Column("minutes_per_restoration", Float, nullable=False, default=0.0),
    Column("import_id", ForeignKey(imports.c.import_id)),
)

#: title of the standard, observed_until, the lab's costs, remembered column maps.
settings = Table(
    "settings",
    metadata,
    Column("key", String, primary_key=True),
    Column("value", JSON, nullable=False),
)

#: Append-only: triggers refuse UPDATE and DELETE. Its highest id is the version of the data.
audit = Table(
    "audit",
    metadata,
    Column("id", ROW_NUMBER, primary_key=True),
    Column("at", DateTime, nullable=False),
    Column("who", String, nullable=False),
    Column("what", String, nullable=False),
    Column("table_name", String, nullable=False),
    Column("row_key", String),
    Column("detail", JSON),
)

Index("ix_process_log_reading", process_log.c.step, process_log.c.reading)
# Who changed this one? The audit grows by every timer and reading.
Index("ix_audit_table_name_row_key", audit.c.table_name, audit.c.row_key)
