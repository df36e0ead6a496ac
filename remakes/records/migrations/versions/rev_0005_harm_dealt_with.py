"""What was done about a report of possible harm, in notes that can only be added; the audit is found by its keys."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

_SQLITE = (
    "CREATE TRIGGER harm_notes_no_update BEFORE UPDATE ON harm_notes "
    "BEGIN SELECT RAISE(ABORT, 'the notes on harm are append-only'); END",
    "CREATE TRIGGER harm_notes_no_delete BEFORE DELETE ON harm_notes "
    "BEGIN SELECT RAISE(ABORT, 'the notes on harm are append-only'); END",
)
_POSTGRESQL = (
    "CREATE FUNCTION harm_notes_append_only() RETURNS trigger LANGUAGE plpgsql AS "
    "$$ BEGIN RAISE EXCEPTION 'the notes on harm are append-only'; END $$",
    "CREATE TRIGGER harm_notes_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON harm_notes "
    "FOR EACH STATEMENT EXECUTE FUNCTION harm_notes_append_only()",
)


def upgrade() -> None:
    op.create_table(
        "harm_notes",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("return_id", sa.String(), nullable=False),
        sa.Column("restoration_id", sa.String(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("dealt_with", sa.Boolean(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.CheckConstraint("note <> ''", name=op.f("ck_harm_notes_note")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_harm_notes")),
        sa.UniqueConstraint("return_id", "version", name=op.f("uq_harm_notes_return_id")),
    )
    op.create_index(op.f("ix_harm_notes_restoration_id"), "harm_notes", ["restoration_id"], unique=False)
    op.create_index("ix_audit_table_name_row_key", "audit", ["table_name", "row_key"], unique=False)

    for statement in _SQLITE if op.get_bind().dialect.name == "sqlite" else _POSTGRESQL:
        op.execute(statement)
