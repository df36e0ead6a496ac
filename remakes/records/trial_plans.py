"""Trials that the lab keeps to: planned word for word before the start, read once at the end, or given up.

::

    kept ──► read
      └────► given up

What a plan holds is the business of whoever planned it; here it is a mapping that JSON can hold. It never changes, a
reading that was made stands, and neither is deleted: a trial of which only the good ones are kept tells nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, Final, Literal, Protocol

from sqlalchemy import Connection, Row, select

from remakes.errors import EntryError
from remakes.records import schema
from remakes.records.store import Store, now
from remakes.records.typed_text import note_text, one_line
from remakes.texts import t

__all__ = [
    "KeptPlan",
    "PlanState",
    "Planned",
    "TrialPlanChangedError",
    "give_up",
    "keep_plan",
    "keep_reading",
    "list_plans",
    "load_plan",
]

PlanState = Literal["not begun", "running", "to be read", "read", "given up"]

#: Signs of a title.
_LONGEST_TITLE: Final = 120


class Planned(Protocol):
    """A plan as it is handed over to be kept."""

    @property
    def starts_on(self) -> date:
        """The first day."""

    @property
    def ends_on(self) -> date | None:
        """The last day, after which it is read; None for a trial that cannot be had."""

    def as_json(self) -> dict[str, Any]:
        """All of it, as JSON can hold it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptPlan:
    """One trial that the lab keeps to.

    Attributes
    ----------
    plan_id, version : int
        `version` is handed back with a change, so that nobody overwrites what another did meanwhile.
    title : str
    plan : mapping
        As it was planned.
    kept_at : datetime
        UTC.
    kept_by : str
        Role and pseudonym.
    starts_on, ends_on : date
        The first day, and the last, after which it is read.
    reading : mapping or None
        What was read; None until then.
    read_on : date or None
        Local calendar day.
    given_up_at : datetime or None
        UTC.
    given_up_why : str
        Blank unless given up.
    """

    plan_id: int
    version: int
    title: str
    plan: Mapping[str, Any] = field(hash=False)
    kept_at: datetime
    kept_by: str
    starts_on: date
    ends_on: date
    reading: Mapping[str, Any] | None = field(default=None, hash=False)
    read_on: date | None = None
    given_up_at: datetime | None = None
    given_up_why: str = ""

    @property
    def is_open(self) -> bool:
        """Neither read nor given up?"""
        return self.reading is None and self.given_up_at is None

    def state(self, today: date) -> PlanState:
        """How far is it on this day?"""
        if self.reading is not None:
            return "read"
        if self.given_up_at is not None:
            return "given up"
        if today < self.starts_on:
            return "not begun"
        return "running" if today <= self.ends_on else "to be read"


class TrialPlanChangedError(EntryError):
    """Somebody else changed the trial since it was looked at; nothing was saved.

    Parameters
    ----------
    kept : KeptPlan
        As it is now.
    by : str
        Who changed it last.
    """

    def __init__(self, kept: KeptPlan, by: str) -> None:
        super().__init__(_as_it_is_now(kept, by))
        self.kept = kept
        self.by = by


def _as_it_is_now(kept: KeptPlan, by: str) -> str:
    if kept.given_up_at is not None:
        return t(
            "The trial “{title}” was given up meanwhile by {who}, because: {why}. Nothing more was saved.",
            title=kept.title,
            who=by,
            why=kept.given_up_why,
        )
    if kept.reading is not None:
        return t(
            "The trial “{title}” was read meanwhile by {who}; that reading stands. Nothing more was saved.",
            title=kept.title,
            who=by,
        )
    return t(
        "The trial “{title}” was changed meanwhile by {who}. Nothing was saved: load the page again and look "
        "at what was changed.",
        title=kept.title,
        who=by,
    )


def keep_plan(store: Store, plan: Planned, title: str, who: str, *, today: date | None = None) -> KeptPlan:
    """Keep to a plan: from now on it stands, word for word.

    Parameters
    ----------
    plan : Planned
        With a calendar that has not begun yet.
    title : str
        To tell it from others; up to 120 signs.
    who : str
        Role and pseudonym.
    today : date, optional
        Default: the calendar day of this machine.

    Raises
    ------
    EntryError
        A trial that cannot be had, that would have begun already, or that is kept to by this title and still open; a
        faulty text.
    """
    ends_on = plan.ends_on
    if ends_on is None:
        raise EntryError(
            t("This trial cannot be had in the time considered, so there is no calendar to keep to. Plan another one.")
        )
    if plan.starts_on < (today or date.today()):
        raise EntryError(
            t(
                "The calendar begins on {day}, which is past: a plan is kept before the trial starts, so that it "
                "cannot be made to fit what came. Plan it anew with a later start.",
                day=plan.starts_on.isoformat(),
            )
        )
    row = {
        "version": 1,
        "title": one_line(title, t("title of the trial"), most=_LONGEST_TITLE),
        "plan": plan.as_json(),
        "kept_at": now(),
        "kept_by": one_line(who, t("pseudonym of who writes this")),
        "ends_on": ends_on,
    }
    with store.writer(may="decide actions") as connection:
        _refuse_second(connection, row)
        (plan_id,) = connection.execute(schema.trial_plans.insert().values(row)).inserted_primary_key or (0,)
        _note(store, connection, plan_id, who=who, what="keep trial plan", detail={"title": row["title"]})
        return _read(connection, plan_id)


def list_plans(store: Store) -> tuple[KeptPlan, ...]:
    """Every trial that was kept to, the newest first."""
    table = schema.trial_plans
    with store.reader() as connection:
        rows = connection.execute(select(table).order_by(table.c.plan_id.desc())).all()
    return tuple(_kept(row) for row in rows)


def load_plan(store: Store, plan_id: int) -> KeptPlan:
    """One of them.

    Raises
    ------
    EntryError
        There is none of this number.
    """
    with store.reader() as connection:
        return _read(connection, plan_id)


def keep_reading(
    store: Store, plan_id: int, reading: Mapping[str, Any], *, who: str, version: int, today: date | None = None
) -> KeptPlan:
    """Keep what the trial showed at its end; a reading once made stands.

    Parameters
    ----------
    reading : mapping
        As JSON can hold it.
    version : int
        The trial's, as it was when it was looked at.
    today : date, optional
        Default: the calendar day of this machine; it becomes `read_on`.

    Raises
    ------
    EntryError
        Before the planned end is over, or of a trial that was given up or read.
    TrialPlanChangedError
        Changed since `version`.
    """
    today = today or date.today()

    def values(kept: KeptPlan) -> dict[str, Any]:
        if today <= kept.ends_on:
            raise EntryError(
                t(
                    "It is read after {day}, its last day, not earlier: a trial that is looked at again and again "
                    "shows a fall sooner or later, whether there is one or not.",
                    day=kept.ends_on.isoformat(),
                )
            )
        return {"reading": dict(reading), "read_on": today}

    return _changed(store, plan_id, values, who=who, version=version, what="read trial")


def give_up(store: Store, plan_id: int, *, why: str, who: str, version: int) -> KeptPlan:
    """Give a trial up before it is read; it is kept, with the reason.

    Raises
    ------
    EntryError
        Read or given up before, or no reason.
    TrialPlanChangedError
        Changed since `version`.
    """
    why = note_text(why, t("reason"), needed=t("Write why the trial is given up; it is kept with the plan."))
    change = {"given_up_at": now(), "given_up_why": why}
    return _changed(store, plan_id, lambda _kept: change, who=who, version=version, what="give up trial")


def _changed(
    store: Store,
    plan_id: int,
    values: Callable[[KeptPlan], Mapping[str, Any]],
    *,
    who: str,
    version: int,
    what: str,
) -> KeptPlan:
    """Change what may change of one that is open, in a write of its own; `values` may refuse."""
    table = schema.trial_plans
    with store.writer(may="decide actions") as connection:
        kept = _read(connection, plan_id)
        if kept.version != version:
            raise TrialPlanChangedError(kept, _last_hand(connection, kept))
        if not kept.is_open:
            raise EntryError(
                t("The trial “{title}” is at its end already. Plan a new one to look again.", title=kept.title)
            )
        row = {**values(kept), "version": version + 1}
        connection.execute(table.update().where(table.c.plan_id == plan_id).values(row))
        detail = {"why": row["given_up_why"]} if "given_up_why" in row else {"sentence": row["reading"].get("sentence")}
        _note(store, connection, plan_id, who=who, what=what, detail=detail)
        return _read(connection, plan_id)


def _refuse_second(connection: Connection, row: Mapping[str, Any]) -> None:
    """A button pressed twice is one trial: the same plan under the same title is kept once while it is open."""
    table = schema.trial_plans.c
    still_open = table.read_on.is_(None), table.given_up_at.is_(None)
    others = connection.execute(
        select(table.plan_id, table.plan).where(
            table.title == row["title"], table.ends_on == row["ends_on"], *still_open
        )
    )
    for other in others:
        if other.plan == row["plan"]:
            raise EntryError(
                t(
                    "This plan is kept already: trial {number}, “{title}”. Go on with that one, or give this one "
                    "another title.",
                    number=other.plan_id,
                    title=row["title"],
                )
            )


def _note(
    store: Store, connection: Connection, plan_id: int, *, who: str, what: str, detail: Mapping[str, Any]
) -> None:
    who = one_line(who, t("pseudonym of who writes this"))
    store.note(connection, who=who, what=what, table=schema.trial_plans.name, key=str(plan_id), detail=dict(detail))


def _last_hand(connection: Connection, kept: KeptPlan) -> str:
    audit = schema.audit.c
    mine = (audit.table_name == schema.trial_plans.name) & (audit.row_key == str(kept.plan_id))
    query = select(audit.who).where(mine).order_by(audit.id.desc()).limit(1)
    return connection.scalar(query) or kept.kept_by


def _read(connection: Connection, plan_id: int) -> KeptPlan:
    table = schema.trial_plans
    row = connection.execute(select(table).where(table.c.plan_id == plan_id)).one_or_none()
    if row is None:
        raise EntryError(t("There is no trial {number}. Choose one from the list of trials.", number=plan_id))
    return _kept(row)


def _kept(row: Row[Any]) -> KeptPlan:
    values = dict(row._mapping)
    values["given_up_why"] = values["given_up_why"] or ""
    return KeptPlan(**values, starts_on=date.fromisoformat(values["plan"]["starts_on"]))
