"""People and sessions, work at the bench, photos, trial plans; a decided action may be postponed before it starts."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

# As in the revision before, but that the due day may move with the start until the work has begun.
_SQLITE = (
    "DROP TRIGGER decisions_stand",
    "CREATE TRIGGER decisions_stand BEFORE UPDATE ON decisions "
    "WHEN OLD.status <> 'proposed' AND (NEW.rule IS NOT OLD.rule OR NEW.decided_on IS NOT OLD.decided_on "
    "OR (NEW.due_on IS NOT OLD.due_on AND OLD.status <> 'decided') "
    "OR NEW.action IS NOT OLD.action OR NEW.corrects IS NOT OLD.corrects) "
    "BEGIN SELECT RAISE(ABORT, 'what was decided stands'); END",
    "CREATE TRIGGER trial_plans_no_delete BEFORE DELETE ON trial_plans "
    "BEGIN SELECT RAISE(ABORT, 'a trial is given up, never deleted'); END",
    "CREATE TRIGGER trial_plans_stand BEFORE UPDATE ON trial_plans "
    "WHEN NEW.plan IS NOT OLD.plan OR NEW.title IS NOT OLD.title OR NEW.kept_at IS NOT OLD.kept_at "
    "OR (OLD.reading IS NOT NULL AND NEW.reading IS NOT OLD.reading) "
    "BEGIN SELECT RAISE(ABORT, 'what was planned and read stands'); END",
)
_POSTGRESQL = (
    "DROP TRIGGER decisions_stand ON decisions",
    "CREATE TRIGGER decisions_stand BEFORE UPDATE ON decisions FOR EACH ROW "
    "WHEN (OLD.status <> 'proposed' AND (NEW.rule::text IS DISTINCT FROM OLD.rule::text "
    "OR NEW.decided_on IS DISTINCT FROM OLD.decided_on "
    "OR (NEW.due_on IS DISTINCT FROM OLD.due_on AND OLD.status <> 'decided') "
    "OR NEW.action IS DISTINCT FROM OLD.action OR NEW.corrects::text IS DISTINCT FROM OLD.corrects::text)) "
    "EXECUTE FUNCTION decisions_stand()",
    "CREATE FUNCTION trial_plans_no_delete() RETURNS trigger LANGUAGE plpgsql AS "
    "$$ BEGIN RAISE EXCEPTION 'a trial is given up, never deleted'; END $$",
    "CREATE TRIGGER trial_plans_no_delete BEFORE DELETE OR TRUNCATE ON trial_plans "
    "FOR EACH STATEMENT EXECUTE FUNCTION trial_plans_no_delete()",
    "CREATE FUNCTION trial_plans_stand() RETURNS trigger LANGUAGE plpgsql AS "
    "$$ BEGIN RAISE EXCEPTION 'what was planned and read stands'; END $$",
    "CREATE TRIGGER trial_plans_stand BEFORE UPDATE ON trial_plans FOR EACH ROW "
    "WHEN (NEW.plan::text IS DISTINCT FROM OLD.plan::text OR NEW.title IS DISTINCT FROM OLD.title "
    "OR NEW.kept_at IS DISTINCT FROM OLD.kept_at "
    "OR (OLD.reading IS NOT NULL AND NEW.reading::text IS DISTINCT FROM OLD.reading::text)) "
    "EXECUTE FUNCTION trial_plans_stand()",
)


def upgrade() -> None:
    op.create_table(
        "drafts",
        sa.Column("owner", sa.String(), nullable=False),
        sa.Column("what", sa.String(), nullable=False),
        sa.Column("content", sa.JSON(), nullable=False),
        sa.Column("saved_at", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("owner", "what", name=op.f("pk_drafts")),
    )
    op.create_table(
        "open_work",
        sa.Column("restoration_id", sa.String(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
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
        sa.Column("remake_of", sa.String(), nullable=True),
        sa.Column("opened_at", sa.DateTime(), nullable=False),
        sa.Column("opened_by", sa.String(), nullable=False),
        sa.Column("closed_at", sa.DateTime(), nullable=True),
        sa.Column("closed_why", sa.String(), nullable=True),
        sa.CheckConstraint("units >= 1", name=op.f("ck_open_work_units")),
        sa.PrimaryKeyConstraint("restoration_id", name=op.f("pk_open_work")),
    )
    op.create_index(op.f("ix_open_work_technician"), "open_work", ["technician"], unique=False)
    op.create_table(
        "people",
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("roles", sa.JSON(), nullable=False),
        sa.Column("password_hash", sa.String(), nullable=True),
        sa.Column("external_id", sa.String(), nullable=True),
        sa.Column("language", sa.String(), nullable=False),
        sa.Column("must_change", sa.Boolean(), nullable=False),
        sa.Column("since", sa.DateTime(), nullable=False),
        sa.Column("left_at", sa.DateTime(), nullable=True),
        sa.CheckConstraint("version >= 1", name=op.f("ck_people_version")),
        sa.PrimaryKeyConstraint("code", name=op.f("pk_people")),
        sa.UniqueConstraint("external_id", name=op.f("uq_people_external_id")),
    )
    op.create_table(
        "photos",
        sa.Column("photo_id", sa.Integer(), nullable=False),
        sa.Column("return_id", sa.String(), nullable=False),
        sa.Column("restoration_id", sa.String(), nullable=False),
        sa.Column("file", sa.String(), nullable=False),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("bytes", sa.Integer(), nullable=False),
        sa.Column("width", sa.Integer(), nullable=False),
        sa.Column("height", sa.Integer(), nullable=False),
        sa.Column("added_at", sa.DateTime(), nullable=False),
        sa.Column("added_by", sa.String(), nullable=False),
        sa.Column("voided_at", sa.DateTime(), nullable=True),
        sa.Column("voided_by", sa.String(), nullable=True),
        sa.Column("voided_why", sa.String(), nullable=True),
        sa.CheckConstraint("kind in ('jpeg', 'png')", name=op.f("ck_photos_kind")),
        sa.PrimaryKeyConstraint("photo_id", name=op.f("pk_photos")),
        sa.UniqueConstraint("file", name=op.f("uq_photos_file")),
    )
    op.create_index(op.f("ix_photos_restoration_id"), "photos", ["restoration_id"], unique=False)
    op.create_index(op.f("ix_photos_return_id"), "photos", ["return_id"], unique=False)
    op.create_table(
        "sign_in_attempts",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("succeeded", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sign_in_attempts")),
    )
    op.create_index("ix_sign_in_attempts_code_at", "sign_in_attempts", ["code", "at"], unique=False)
    op.create_table(
        "timers",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("restoration_id", sa.String(), nullable=False),
        sa.Column("step", sa.String(), nullable=False),
        sa.Column("reading", sa.String(), nullable=False),
        sa.Column("started_at", sa.DateTime(), nullable=False),
        sa.Column("started_by", sa.String(), nullable=False),
        sa.Column("stopped_at", sa.DateTime(), nullable=True),
        sa.Column("stopped_by", sa.String(), nullable=True),
        sa.Column("given_up_why", sa.String(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_timers")),
    )
    op.create_index(op.f("ix_timers_restoration_id"), "timers", ["restoration_id"], unique=False)
    op.create_index(
        "uq_timers_running",
        "timers",
        ["restoration_id", "step", "reading"],
        unique=True,
        sqlite_where=sa.text("stopped_at IS NULL"),
        postgresql_where=sa.text("stopped_at IS NULL"),
    )
    op.create_table(
        "trial_plans",
        sa.Column("plan_id", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("title", sa.String(), nullable=False),
        sa.Column("plan", sa.JSON(), nullable=False),
        sa.Column("kept_at", sa.DateTime(), nullable=False),
        sa.Column("kept_by", sa.String(), nullable=False),
        sa.Column("ends_on", sa.Date(), nullable=True),
        sa.Column("reading", sa.JSON(), nullable=True),
        sa.Column("read_on", sa.Date(), nullable=True),
        sa.Column("given_up_at", sa.DateTime(), nullable=True),
        sa.Column("given_up_why", sa.String(), nullable=True),
        sa.PrimaryKeyConstraint("plan_id", name=op.f("pk_trial_plans")),
    )
    op.create_table(
        "sessions",
        sa.Column("token_hash", sa.String(), nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("started_at", sa.DateTime(), nullable=False),
        sa.Column("last_seen", sa.DateTime(), nullable=False),
        sa.Column("ended_at", sa.DateTime(), nullable=True),
        sa.ForeignKeyConstraint(["code"], ["people.code"], name=op.f("fk_sessions_code")),
        sa.PrimaryKeyConstraint("token_hash", name=op.f("pk_sessions")),
    )
    op.create_index(op.f("ix_sessions_code"), "sessions", ["code"], unique=False)
    op.create_table(
        "bench_readings",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("restoration_id", sa.String(), nullable=False),
        sa.Column("step", sa.String(), nullable=False),
        sa.Column("reading", sa.String(), nullable=False),
        sa.Column("value", sa.String(), nullable=False),
        sa.Column("not_done", sa.Boolean(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(), nullable=False),
        sa.Column("operator", sa.String(), nullable=True),
        sa.Column("equipment", sa.String(), nullable=True),
        sa.Column("lot", sa.String(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("entered_at", sa.DateTime(), nullable=False),
        sa.Column("entered_by", sa.String(), nullable=False),
        sa.Column("late", sa.Boolean(), nullable=False),
        sa.Column("voided_at", sa.DateTime(), nullable=True),
        sa.Column("voided_by", sa.String(), nullable=True),
        sa.Column("voided_why", sa.String(), nullable=True),
        sa.Column("process_log_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.ForeignKeyConstraint(["process_log_id"], ["process_log.id"], name=op.f("fk_bench_readings_process_log_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bench_readings")),
    )
    op.create_index(op.f("ix_bench_readings_restoration_id"), "bench_readings", ["restoration_id"], unique=False)

    for statement in _SQLITE if op.get_bind().dialect.name == "sqlite" else _POSTGRESQL:
        op.execute(statement)
