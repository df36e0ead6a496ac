"""What the lab undertook: decisions that cannot be deleted or bent afterwards, and their history."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

# What is agreed on before the start stays as it was agreed. JSON is compared as the text it was written as.
_SQLITE = (
    "CREATE TRIGGER decision_events_no_update BEFORE UPDATE ON decision_events "
    "BEGIN SELECT RAISE(ABORT, 'the history of decisions is append-only'); END",
    "CREATE TRIGGER decision_events_no_delete BEFORE DELETE ON decision_events "
    "BEGIN SELECT RAISE(ABORT, 'the history of decisions is append-only'); END",
    "CREATE TRIGGER decisions_no_delete BEFORE DELETE ON decisions "
    "BEGIN SELECT RAISE(ABORT, 'a decision is withdrawn, never deleted'); END",
    "CREATE TRIGGER decisions_stand BEFORE UPDATE ON decisions "
    "WHEN OLD.status <> 'proposed' AND (NEW.rule IS NOT OLD.rule OR NEW.decided_on IS NOT OLD.decided_on "
    "OR NEW.due_on IS NOT OLD.due_on OR NEW.action IS NOT OLD.action OR NEW.corrects IS NOT OLD.corrects) "
    "BEGIN SELECT RAISE(ABORT, 'what was decided stands'); END",
    # The planned start may still move to the day of the true one; the history holds both.
    "CREATE TRIGGER decisions_start_stands BEFORE UPDATE ON decisions "
    "WHEN OLD.status NOT IN ('proposed', 'decided') AND NEW.starts_on IS NOT OLD.starts_on "
    "BEGIN SELECT RAISE(ABORT, 'what was decided stands'); END",
)
_POSTGRESQL = (
    "CREATE FUNCTION decision_events_append_only() RETURNS trigger LANGUAGE plpgsql AS "
    "$$ BEGIN RAISE EXCEPTION 'the history of decisions is append-only'; END $$",
    "CREATE TRIGGER decision_events_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON decision_events "
    "FOR EACH STATEMENT EXECUTE FUNCTION decision_events_append_only()",
    "CREATE FUNCTION decisions_no_delete() RETURNS trigger LANGUAGE plpgsql AS "
    "$$ BEGIN RAISE EXCEPTION 'a decision is withdrawn, never deleted'; END $$",
    "CREATE TRIGGER decisions_no_delete BEFORE DELETE OR TRUNCATE ON decisions "
    "FOR EACH STATEMENT EXECUTE FUNCTION decisions_no_delete()",
    "CREATE FUNCTION decisions_stand() RETURNS trigger LANGUAGE plpgsql AS "
    "$$ BEGIN RAISE EXCEPTION 'what was decided stands'; END $$",
    "CREATE TRIGGER decisions_stand BEFORE UPDATE ON decisions FOR EACH ROW "
    "WHEN (OLD.status <> 'proposed' AND (NEW.rule::text IS DISTINCT FROM OLD.rule::text "
    "OR NEW.decided_on IS DISTINCT FROM OLD.decided_on OR NEW.due_on IS DISTINCT FROM OLD.due_on "
    "OR NEW.action IS DISTINCT FROM OLD.action OR NEW.corrects::text IS DISTINCT FROM OLD.corrects::text)) "
    "EXECUTE FUNCTION decisions_stand()",
    "CREATE TRIGGER decisions_start_stands BEFORE UPDATE ON decisions FOR EACH ROW "
    "WHEN (OLD.status NOT IN ('proposed', 'decided') AND NEW.starts_on IS DISTINCT FROM OLD.starts_on) "
    "EXECUTE FUNCTION decisions_stand()",
)


def upgrade() -> None:
    op.create_table(
        "decisions",
        sa.Column("decision_id", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("action", sa.String(), nullable=False),
        sa.Column("title", sa.String(), nullable=False),
        sa.Column("corrects", sa.JSON(), nullable=False),
        sa.Column("status", sa.String(), nullable=False),
        sa.Column("owner_role", sa.String(), nullable=False),
        sa.Column("owner_code", sa.String(), nullable=False),
        sa.Column("decided_on", sa.Date(), nullable=True),
        sa.Column("starts_on", sa.Date(), nullable=True),
        sa.Column("due_on", sa.Date(), nullable=True),
        sa.Column("rule", sa.JSON(), nullable=True),
        sa.Column("correction", sa.Text(), nullable=False),
        sa.Column("verdict", sa.String(), nullable=False),
        sa.Column("judged_on", sa.Date(), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.CheckConstraint(
            "status in ('proposed', 'decided', 'running', 'judged', 'withdrawn')", name=op.f("ck_decisions_status")
        ),
        sa.CheckConstraint(
            "status in ('proposed', 'withdrawn') or (rule is not null and decided_on is not null "
            "and starts_on is not null and due_on is not null)",
            name=op.f("ck_decisions_agreed"),
        ),
        sa.CheckConstraint("starts_on is null or starts_on >= decided_on", name=op.f("ck_decisions_starts_on")),
        sa.CheckConstraint("due_on is null or due_on > starts_on", name=op.f("ck_decisions_due_on")),
        sa.CheckConstraint(
            "(status = 'judged') = (judged_on is not null and verdict <> '')", name=op.f("ck_decisions_judged")
        ),
        sa.PrimaryKeyConstraint("decision_id", name=op.f("pk_decisions")),
    )
    op.create_index(op.f("ix_decisions_action"), "decisions", ["action"], unique=False)
    op.create_table(
        "decision_events",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("decision_id", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("from_status", sa.String(), nullable=False),
        sa.Column("to_status", sa.String(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["decision_id"], ["decisions.decision_id"], name=op.f("fk_decision_events_decision_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_decision_events")),
        sa.UniqueConstraint("decision_id", "version", name=op.f("uq_decision_events_decision_id")),
    )

    for statement in _SQLITE if op.get_bind().dialect.name == "sqlite" else _POSTGRESQL:
        op.execute(statement)
