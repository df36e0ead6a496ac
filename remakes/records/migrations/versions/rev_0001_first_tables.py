"""The first tables, and an audit that nobody can rewrite."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

# The migration tool does not see triggers, so they are written here, for each database in its own words.
_SQLITE = (
    "CREATE TRIGGER audit_no_update BEFORE UPDATE ON audit BEGIN SELECT RAISE(ABORT, 'the audit is append-only'); END",
    "CREATE TRIGGER audit_no_delete BEFORE DELETE ON audit BEGIN SELECT RAISE(ABORT, 'the audit is append-only'); END",
)
_POSTGRESQL = (
    "CREATE FUNCTION audit_append_only() RETURNS trigger LANGUAGE plpgsql AS "
    "$$ BEGIN RAISE EXCEPTION 'the audit is append-only'; END $$",
    "CREATE TRIGGER audit_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON audit "
    "FOR EACH STATEMENT EXECUTE FUNCTION audit_append_only()",
)


def upgrade() -> None:
    op.create_table(
        "audit",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("what", sa.String(), nullable=False),
        sa.Column("table_name", sa.String(), nullable=False),
        sa.Column("row_key", sa.String(), nullable=True),
        sa.Column("detail", sa.JSON(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_audit")),
    )
    op.create_table(
        "imports",
        sa.Column("import_id", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("file", sa.String(), nullable=False),
        sa.Column("table_name", sa.String(), nullable=False),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.Column("taken", sa.Integer(), nullable=False),
        sa.Column("changed", sa.Integer(), nullable=False),
        sa.Column("unchanged", sa.Integer(), nullable=False),
        sa.Column("refused", sa.Integer(), nullable=False),
        sa.Column("undone_at", sa.DateTime(), nullable=True),
        sa.PrimaryKeyConstraint("import_id", name=op.f("pk_imports")),
    )
    op.create_table(
        "settings",
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("value", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_settings")),
    )
    op.create_table(
        "steps",
        sa.Column("position", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("step", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("position", name=op.f("pk_steps")),
        sa.UniqueConstraint("step", name=op.f("uq_steps_step")),
    )
    op.create_table(
        "actions",
        sa.Column("action", sa.String(), nullable=False),
        sa.Column("title", sa.String(), nullable=False),
        sa.Column("corrects", sa.JSON(), nullable=False),
        sa.Column("cost_once", sa.Float(), nullable=False),
        sa.Column("cost_per_restoration", sa.Float(), nullable=False),
        sa.Column("minutes_per_restoration", sa.Float(), nullable=False),
        sa.Column("import_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["import_id"], ["imports.import_id"], name=op.f("fk_actions_import_id")),
        sa.PrimaryKeyConstraint("action", name=op.f("pk_actions")),
    )
    op.create_table(
        "import_changes",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("import_id", sa.Integer(), nullable=False),
        sa.Column("table_name", sa.String(), nullable=False),
        sa.Column("row_key", sa.String(), nullable=False),
        sa.Column("before", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["import_id"], ["imports.import_id"], name=op.f("fk_import_changes_import_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_import_changes")),
    )
    op.create_index(op.f("ix_import_changes_import_id"), "import_changes", ["import_id"], unique=False)
    op.create_table(
        "requirements",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("factor", sa.String(), nullable=False),
        sa.Column("step", sa.String(), nullable=False),
        sa.Column("reading", sa.String(), nullable=False),
        sa.Column("unit", sa.String(), nullable=True),
        sa.Column("rule", sa.JSON(), nullable=False),
        sa.Column("applies_when", sa.String(), nullable=False),
        sa.Column("may_cause", sa.JSON(), nullable=False),
        sa.Column("valid_from", sa.Date(), nullable=False),
        sa.Column("valid_until", sa.Date(), nullable=True),
        sa.Column("says", sa.String(), nullable=True),
        sa.Column("source", sa.String(), nullable=True),
        sa.Column("import_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["import_id"], ["imports.import_id"], name=op.f("fk_requirements_import_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_requirements")),
        sa.UniqueConstraint("factor", "valid_from", "applies_when", name=op.f("uq_requirements_factor")),
    )
    op.create_table(
        "restorations",
        sa.Column("restoration_id", sa.String(), nullable=False),
        sa.Column("case_id", sa.String(), nullable=True),
        sa.Column("clinic", sa.String(), nullable=True),
        sa.Column("technician", sa.String(), nullable=True),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("teeth", sa.String(), nullable=False),
        sa.Column("units", sa.Integer(), nullable=False),
        sa.Column("framework", sa.String(), nullable=True),
        sa.Column("veneer", sa.String(), nullable=True),
        sa.Column("difficulty", sa.String(), nullable=False),
        sa.Column("received_on", sa.Date(), nullable=True),
        sa.Column("due_on", sa.Date(), nullable=True),
        sa.Column("delivered_on", sa.Date(), nullable=False),
        sa.Column("remake_of", sa.String(), nullable=True),
        sa.Column("extra", sa.JSON(), nullable=True),
        sa.Column("import_id", sa.Integer(), nullable=True),
        sa.CheckConstraint("units >= 1", name=op.f("ck_restorations_units")),
        sa.ForeignKeyConstraint(["import_id"], ["imports.import_id"], name=op.f("fk_restorations_import_id")),
        sa.PrimaryKeyConstraint("restoration_id", name=op.f("pk_restorations")),
    )
    op.create_index(op.f("ix_restorations_delivered_on"), "restorations", ["delivered_on"], unique=False)
    op.create_index(op.f("ix_restorations_import_id"), "restorations", ["import_id"], unique=False)
    op.create_index(op.f("ix_restorations_remake_of"), "restorations", ["remake_of"], unique=False)
    op.create_table(
        "process_log",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("restoration_id", sa.String(), nullable=False),
        sa.Column("step", sa.String(), nullable=False),
        sa.Column("reading", sa.String(), nullable=False),
        sa.Column("value", sa.String(), nullable=True),
        sa.Column("recorded_at", sa.DateTime(), nullable=True),
        sa.Column("operator", sa.String(), nullable=True),
        sa.Column("equipment", sa.String(), nullable=True),
        sa.Column("lot", sa.String(), nullable=True),
        sa.Column("extra", sa.JSON(), nullable=True),
        sa.Column("row_hash", sa.BigInteger(), nullable=False),
        sa.Column("import_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["import_id"], ["imports.import_id"], name=op.f("fk_process_log_import_id")),
        sa.ForeignKeyConstraint(
            ["restoration_id"], ["restorations.restoration_id"], name=op.f("fk_process_log_restoration_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_process_log")),
        sa.UniqueConstraint("row_hash", name=op.f("uq_process_log_row_hash")),
    )
    op.create_index(op.f("ix_process_log_import_id"), "process_log", ["import_id"], unique=False)
    op.create_index("ix_process_log_reading", "process_log", ["step", "reading"], unique=False)
    op.create_index(op.f("ix_process_log_restoration_id"), "process_log", ["restoration_id"], unique=False)
    op.create_table(
        "returns",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("return_id", sa.String(), nullable=False),
        sa.Column("restoration_id", sa.String(), nullable=False),
        sa.Column("reported_on", sa.Date(), nullable=False),
        sa.Column("entered_on", sa.Date(), nullable=True),
        sa.Column("defect", sa.String(), nullable=False),
        sa.Column("primary", sa.Boolean(), nullable=True),
        sa.Column("plane", sa.String(), nullable=True),
        sa.Column("bare_metal_pct", sa.Float(), nullable=True),
        sa.Column("found_at", sa.String(), nullable=True),
        sa.Column("severity", sa.Integer(), nullable=True),
        sa.Column("harm", sa.Boolean(), nullable=True),
        sa.Column("teeth", sa.String(), nullable=False),
        sa.Column("disposition", sa.String(), nullable=True),
        sa.Column("attributed_to", sa.String(), nullable=True),
        sa.Column("judged_by", sa.String(), nullable=True),
        sa.Column("cost", sa.Float(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("extra", sa.JSON(), nullable=True),
        sa.Column("import_id", sa.Integer(), nullable=True),
        sa.Column("voided_at", sa.DateTime(), nullable=True),
        sa.Column("voided_why", sa.String(), nullable=True),
        sa.CheckConstraint(
            "bare_metal_pct is null or bare_metal_pct between 0 and 100", name=op.f("ck_returns_bare_metal_pct")
        ),
        sa.CheckConstraint("severity is null or severity between 1 and 5", name=op.f("ck_returns_severity")),
        sa.ForeignKeyConstraint(["import_id"], ["imports.import_id"], name=op.f("fk_returns_import_id")),
        sa.ForeignKeyConstraint(
            ["restoration_id"], ["restorations.restoration_id"], name=op.f("fk_returns_restoration_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_returns")),
        sa.UniqueConstraint("return_id", "defect", name=op.f("uq_returns_return_id")),
    )
    op.create_index(op.f("ix_returns_import_id"), "returns", ["import_id"], unique=False)
    op.create_index(op.f("ix_returns_restoration_id"), "returns", ["restoration_id"], unique=False)

    for statement in _SQLITE if op.get_bind().dialect.name == "sqlite" else _POSTGRESQL:
        op.execute(statement)
