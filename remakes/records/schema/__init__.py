"""The tables of the store: the lab's lists, what it undertook, people, and the bench."""

from remakes.records.schema.base import SCHEMA_REVISION, metadata
from remakes.records.schema.bench import bench_readings, open_work, photos, timers
from remakes.records.schema.lists import (
    actions,
    audit,
    import_changes,
    imports,
    process_log,
    requirements,
    restorations,
    returns,
    settings,
    steps,
)
from remakes.records.schema.people import drafts, people, sessions, sign_in_attempts
from remakes.records.schema.undertakings import decision_events, decisions, harm_notes, trial_plans

__all__ = [
    "SCHEMA_REVISION",
    "actions",
    "audit",
    "bench_readings",
    "decision_events",
    "decisions",
    "drafts",
    "harm_notes",
    "import_changes",
    "imports",
    "metadata",
    "open_work",
    "people",
    "photos",
    "process_log",
    "requirements",
    "restorations",
    "returns",
    "sessions",
    "settings",
    "sign_in_attempts",
    "steps",
    "timers",
    "trial_plans",
]
